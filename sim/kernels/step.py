"""The compiled run of many steps: lists, forces, noise and motion, block by block.

Work is cut into a fixed number of blocks. A block reads the rows of all particles and writes
only its own slots and the other row buffer, so the result does not depend on how blocks are
shared among threads. Totals of blocks are added in fixed order. No checks by design, except
the guards against a particle that moves too far or is not a number.
"""

import numpy as np
from numba import njit, prange

from sim.kernels.added_forces import add_forces
from sim.kernels.ewald_slab import ewald_field_force
from sim.kernels.layout import (
    BLOCKS,
    CURVE,
    EXACT,
    LIST_FULL,
    MESH,
    RAMP,
    STEP_DONE,
    THROWN,
    TURN,
)
from sim.kernels.lists import block_bounds, build_list, sort_slots
from sim.kernels.motion import average_noise, move
from sim.kernels.noise import AXES, BLOCK, normals
from sim.kernels.pair_sums import pair_sums
from sim.kernels.rows import pack_rows
from sim.kernels.splitting import move_with_momenta, widen_noise
from sim.kernels.vector_rows import WORDS

# State that the loop carries from call to call, in one integer array: row buffer in use,
# whether the list must be built before the next force, lists built, capped drifts.
BUFFER, STALE, BUILT, CAPPED, PAIRS_NEEDED, CULPRIT = range(6)
FLAGS = 6
FIELD_SIZE = 9  # the applied field and its gradient


@njit(cache=True, error_model="numpy")
def follow_curve(since, stage, table, out):
    """Write field and gradient so long after the start of a stage of moving magnets.

    The stage's pieces share its span evenly. A stage that repeats them lasts for two spans at
    least; one that does not may end a rounding error beyond its span.
    """
    first, end = table.piece[stage], table.piece[stage + 1]
    share = since / table.span[stage]
    if table.start[stage + 1] - table.start[stage] > 1.5 * table.span[stage]:
        share -= np.floor(share)
    place = share * (end - first)
    piece = min(int(place), end - first - 1)
    u = place - piece
    at = first + piece
    for component in range(out.size):
        value = table.curve[at, 3, component]
        for power in (2, 1, 0):
            value = value * u + table.curve[at, power, component]
        out[component] = value


@njit(cache=True, error_model="numpy")
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
        c, s = np.cos(table.pace[stage] * since), np.sin(table.pace[stage] * since)
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


@njit(cache=True, error_model="numpy")
def worst_slot(first, count, drift2, travel2, limit2):
    """Return the slot within the chunk that drifts beyond the limit or is not a number, else -1."""
    for k in range(count):
        if not (drift2[k] <= limit2) or not (travel2[k] < 1.0e30):
            return first + k
    return -1


@njit(cache=True, error_model="numpy")
def chunk_totals(block, first, count, slots, drift2, travel2, laws, totals):
    """Add a chunk to its block's totals; no fast arithmetic here, so that NaN is seen."""
    cap2 = laws.drift_cap * laws.drift_cap
    farthest = totals.farthest[block]
    capped = 0
    for k in range(count):
        farthest = max(farthest, travel2[k])
        if drift2[k] > cap2:
            capped += 1
    totals.farthest[block] = farthest
    totals.capped[block] += capped
    if totals.thrown[block] < 0:
        limit2 = laws.drift_limit * laws.drift_limit
        totals.thrown[block] = worst_slot(first, count, drift2, travel2, limit2)
    for i in range(first, first + count):
        totals.moment[block, 0] += slots.moment[i] * slots.ux[i]
        totals.moment[block, 1] += slots.moment[i] * slots.uy[i]
        totals.moment[block, 2] += slots.moment[i] * slots.uz[i]


@njit(cache=True, error_model="numpy")
def step_block(
    block, slots, rows, words, next_rows, next_words, neighbours, patch, laws, long_range,
    screening, applied, magnetisation, step, seed, totals,
):  # fmt: skip
    """Make one step of one block: pair sums, other parts, noise, motion, new rows."""
    first, end = block_bounds(block, slots.x.size)
    pairs = np.empty(WORDS * BLOCK, rows.dtype)
    sums = np.empty(WORDS * BLOCK, np.float64)
    raw = np.empty((AXES, BLOCK), np.uint32)
    fresh = np.empty((AXES, BLOCK), np.float32)
    mean = np.empty(AXES * BLOCK, np.float64)
    drift2 = np.empty(BLOCK, np.float64)
    travel2 = np.empty(BLOCK, np.float64)
    totals.farthest[block] = 0.0
    totals.capped[block] = 0
    totals.thrown[block] = -1
    totals.moment[block, :] = 0.0
    for begin in range(first, end, BLOCK):
        count = min(BLOCK, end - begin)
        pair_sums(begin, begin + count, rows, words, neighbours, patch, laws, screening, pairs)
        for k in range(WORDS * count):
            sums[k] = pairs[k]
        if laws.long_range == EXACT:
            for k in range(count):
                for axis in range(3):
                    sums[WORDS * k + axis] += long_range.force[begin + k, axis]
                    sums[WORDS * k + 4 + axis] += long_range.field[begin + k, axis]
        elif laws.long_range == MESH:
            for axis in range(3):
                for k in range(count):
                    sums[WORDS * k + axis] += slots.smooth[axis, begin + k]
                    sums[WORDS * k + 4 + axis] += slots.smooth[3 + axis, begin + k]
        if laws.added_pairs or laws.body_forces:
            add_forces(
                begin, count, slots, rows, words, neighbours, patch, laws, applied, pairs, sums
            )
        normals(slots.identity, begin, count, step, seed, raw, fresh)
        if laws.momenta:
            widen_noise(count, fresh, mean)
            move_with_momenta(
                begin, count, slots, sums, mean, applied, magnetisation, patch, laws, drift2,
                travel2,
            )  # fmt: skip
        else:
            average_noise(begin, count, slots, fresh, mean)
            move(
                begin, count, slots, sums, mean, applied, magnetisation, patch, laws, drift2,
                travel2,
            )  # fmt: skip
        chunk_totals(block, begin, count, slots, drift2, travel2, laws, totals)
    pack_rows(first, end, slots, patch, next_rows, next_words)


@njit(cache=True, error_model="numpy", parallel=True)
def step_all(
    slots, rows, words, next_rows, next_words, neighbours, patch, laws, long_range,
    screening, applied, magnetisation, step, seed, totals,
):  # fmt: skip
    """Make one step of all blocks.

    A parallel loop counts without sign: without the cast the block would be compiled twice.
    """
    for block in prange(BLOCKS):
        step_block(
            np.int64(block), slots, rows, words, next_rows, next_words, neighbours, patch, laws,
            long_range, screening, applied, magnetisation, step, seed, totals,
        )  # fmt: skip


@njit(cache=True, error_model="numpy")
def first_noise(slots, step, seed):
    """Fill the noise of the step before ``step``: the same numbers a longer run would hold."""
    raw = np.empty((AXES, BLOCK), np.uint32)
    fresh = np.empty((AXES, BLOCK), np.float32)
    for begin in range(0, slots.x.size, BLOCK):
        count = min(BLOCK, slots.x.size - begin)
        normals(slots.identity, begin, count, step - np.uint64(1), seed, raw, fresh)
        for axis in range(AXES):
            for k in range(count):
                slots.last_noise[axis, begin + k] = fresh[axis, k]


@njit(cache=True, error_model="numpy")
def fresh_list(slots, count, rows, words, neighbours, patch, flags):
    """Sort and list anew if due; return False where the list has too little room."""
    if flags[STALE] == 1:
        sort_slots(slots, patch, neighbours, count)
        flags[STALE] = 2
    if flags[STALE] == 2:  # sorted, list still to build
        flags[PAIRS_NEEDED] = build_list(slots, patch, neighbours, 64 // rows.itemsize)
        if flags[PAIRS_NEEDED] > neighbours.entries.size // BLOCKS:
            return False
        now = flags[BUFFER]
        pack_rows(0, slots.x.size, slots, patch, rows[now], words[now])
        flags[STALE] = 0
        flags[BUILT] += 1
    return True


@njit(cache=True, error_model="numpy")
def fill_moments(slots, count, long_range):
    """Write the moments of the slots for a sum besides the pairs."""
    for i in range(count):
        long_range.mx[i] = slots.moment[i] * slots.ux[i]
        long_range.my[i] = slots.moment[i] * slots.uy[i]
        long_range.mz[i] = slots.moment[i] * slots.uz[i]


@njit(cache=True, error_model="numpy")
def keep_smooth(slots, count, long_range):
    """Keep what the mesh has found with the slots, where sorting carries it along."""
    for axis in range(3):
        for i in range(count):
            slots.smooth[axis, i] = long_range.force[i, axis]
            slots.smooth[3 + axis, i] = long_range.field[i, axis]


@njit(cache=True, error_model="numpy")
def sum_long_range(slots, count, plan, work, long_range):
    """Sum the dipoles exactly at the slots' positions."""
    fill_moments(slots, count, long_range)
    ewald_field_force(
        slots.x, slots.y, slots.z, long_range.mx, long_range.my, long_range.mz, count,
        plan, work, long_range.field, long_range.force,
    )  # fmt: skip


@njit(cache=True, error_model="numpy")
def advance(
    steps, step, seed, slots, count, rows, words, neighbours, patch, laws, field_table, plan, work,
    long_range, screening, magnetisation, totals, flags,
):  # fmt: skip
    """Make up to ``steps`` steps; return (steps made, status).

    Parameters
    ----------
    steps, step : int
        Steps to make, and the number of steps made before.
    seed : uint64
    slots : Slots, count : int
        Particles in the first ``count`` slots.
    rows, words : arrays, shape (2, 8 (slots + 1))
        Two row buffers, and their view as integers.
    neighbours, patch, laws, field_table, totals : named tuples of ``layout``
    plan, work, long_range : named tuples
        The exact dipole sum; plan and work are None with a cut-off and with a mesh, whose part
        stands in ``slots.smooth``.
    screening : array or None
        See `pair_sums`.
    magnetisation : float64 array, shape (3,)
        Moment a volume; carried on.
    flags : int64 array
        What the loop carries from call to call; see the names above.
    """
    applied = np.zeros(FIELD_SIZE)
    volume = patch.side_x * patch.side_y * patch.thickness
    for made in range(steps):
        if not fresh_list(slots, count, rows, words, neighbours, patch, flags):
            return made, LIST_FULL
        now = flags[BUFFER]
        if plan is not None:  # pruned at compile time, so that the exact sum costs nothing unused
            sum_long_range(slots, count, plan, work, long_range)
        field_at((step + made) * laws.dt, field_table, applied)
        step_all(
            slots, rows[now], words[now], rows[1 - now], words[1 - now], neighbours, patch, laws,
            long_range, screening, applied, magnetisation, np.uint64(step + made), seed, totals,
        )  # fmt: skip
        flags[BUFFER] = 1 - now
        flags[CAPPED] += totals.capped.sum()
        for axis in range(3):
            total = 0.0
            for block in range(BLOCKS):
                total += totals.moment[block, axis]
            magnetisation[axis] = total / volume
        for block in range(BLOCKS):
            if totals.thrown[block] >= 0:
                flags[CULPRIT] = slots.identity[totals.thrown[block]]
                return made + 1, THROWN
        if 4.0 * totals.farthest.max() > patch.margin * patch.margin:
            flags[STALE] = 1
    return steps, STEP_DONE
