"""The applied field over time, from its table. No checks by design."""

import math

from numba import njit

HOLD, RAMP, TURN, CURVE = range(4)
KINDS = {"hold": HOLD, "ramp": RAMP, "oscillate": TURN, "rotate": TURN, "follow": CURVE}

FIELD_SIZE = 9  # the applied field and its gradient


@njit(cache=True, error_model="numpy", inline="always")
def follow_curve(since, stage, table, out):
    """Write field and gradient so long after the start of a stage of moving magnets.

    The stage's pieces share its span evenly. A stage that repeats them lasts for two spans at
    least; one that does not may end a rounding error beyond its span.
    """
    first, end = table.piece[stage], table.piece[stage + 1]
    share = since / table.span[stage]
    if table.start[stage + 1] - table.start[stage] > 1.5 * table.span[stage]:
        share -= math.floor(share)
    place = share * (end - first)
    piece = min(int(place), end - first - 1)
    u = place - piece
    at = first + piece
    for component in range(out.size):
        value = table.curve[at, 3, component]
        for power in (2, 1, 0):
            value = value * u + table.curve[at, power, component]
        out[component] = value


@njit(cache=True, error_model="numpy", inline="always")
def field_at(time, table, out):
    """Write the applied field at a time, and its gradient (xx, yy, zz, xy, xz, yz) if it has room.

    Held, on its ramp, first cos(pace t) + last sin(pace t) from the start of its stage, or on the
    curves of moving magnets. After the last stage it stays as it was at its end.
    """
    stages = table.kind.size
    stage = 0
    while stage < stages - 1 and time >= table.start[stage + 1]:
        stage += 1
    since = min(time, table.start[stage + 1]) - table.start[stage]
    if table.kind[stage] == CURVE:
        follow_curve(since, stage, table, out)
        return
    for component in range(3, out.size):
        out[component] = table.slope[component - 3]
    if table.kind[stage] == TURN:
        c, s = math.cos(table.pace[stage] * since), math.sin(table.pace[stage] * since)
        for axis in range(3):
            out[axis] = c * table.first[stage, axis] + s * table.last[stage, axis]
        return
    share = 1.0
    if table.kind[stage] == RAMP:
        span = table.start[stage + 1] - table.start[stage]
        share = min(max((time - table.start[stage]) / span, 0.0), 1.0)
    for axis in range(3):
        first, last = table.first[stage, axis], table.last[stage, axis]
        out[axis] = first + share * (last - first)
