"""One Brownian step of a block of slots, all in double precision. No checks by design.

The formulas are those of ``sim.kernels.laws.motion``; here are the loads and stores around them.
"""

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.laws.motion import brownian_move, missing_field, window_force
from sim.kernels.steps.layout import CUTOFF
from sim.kernels.vectors.rows import WORDS, load_rows
from sim.kernels.vectors.types import load, load_single, spread, store, store_single

u64 = np.uint64
LANES = 8


@register_jitable(forceinline=True)
def with_surroundings(i, force, field, slots, applied, magnetisation, patch, laws):
    """Return force and field on eight slots with windows, applied field, field beyond a cut-off."""
    (fx, fy, fz), (bx, by, bz) = force, field
    z, radius = load(slots.z, i), load(slots.radius, i)
    windows = window_force(z, radius, patch.thickness, laws.window_strength)
    plane = across = spread(0.0)
    if laws.long_range == CUTOFF:
        plane, across = missing_field(z, patch.thickness, laws.cutoff)
    bx = bx + applied[0] + plane * magnetisation[0]
    by = by + applied[1] + plane * magnetisation[1]
    bz = bz + applied[2] + across * magnetisation[2]
    return (fx, fy, fz + windows), (bx, by, bz)


@register_jitable(forceinline=True)
def forces_and_fields(i, k, lanes, slots, sums, applied, magnetisation, patch, laws):
    """Return (force, field) on eight slots from ``i``, row ``k`` of the sums, as they stand.

    The sums, with the part along the moment put back, and what acts on each particle by itself:
    windows, applied field, field beyond a cut-off. Every scheme of motion takes them from here.
    """
    for lane in range(LANES):
        lanes[lane] = np.uint32(WORDS) * (np.uint32(k) + np.uint32(lane))
    fx, fy, fz, s, bx, by, bz, _ = load_rows(sums, lanes, u64(0))
    along = s * load(slots.moment, i)
    fx = fx + along * load(slots.ux, i)
    fy = fy + along * load(slots.uy, i)
    fz = fz + along * load(slots.uz, i)
    return with_surroundings(
        i, (fx, fy, fz), (bx, by, bz), slots, applied, magnetisation, patch, laws
    )


@register_jitable(forceinline=True)
def _average(i, k, last, fresh):
    """Return normals of one axis averaged with the last ones, which they replace."""
    new, old = load_single(fresh, k), load_single(last, i)
    store_single(last, i, new)
    return 0.5 * (old + new)


@register_jitable(forceinline=True)
def average_noise(i, k, slots, fresh):
    """Return the six normals of eight slots, averaged with those of the step before."""
    last = slots.last_noise
    return (
        _average(i, k, last[0], fresh[0]),
        _average(i, k, last[1], fresh[1]),
        _average(i, k, last[2], fresh[2]),
        _average(i, k, last[3], fresh[3]),
        _average(i, k, last[4], fresh[4]),
        _average(i, k, last[5], fresh[5]),
    )


@njit(cache=True, error_model="numpy", inline="always")
def move(first, count, slots, sums, fresh, applied, magnetisation, patch, laws, drift2, travel2):
    """Move and turn ``count`` slots (a multiple of 8) from ``first``.

    Parameters
    ----------
    sums : float64 array, shape (8 count,)
        Force and field sums as ``pair_sums`` leaves them, with all other parts added.
    fresh : float32 array, shape (6, 256)
        Normals of this step; they are averaged with those of the step before, and replace them.
    applied : float64 array, shape (3,)
        Applied field.
    magnetisation : float64 array, shape (3,)
        Moment per volume, for the field beyond the cut-off.
    drift2, travel2 : float64 array, shape (256,)
        Results: squared uncapped drift, squared distance since the list was built.
    """
    lanes = np.empty(LANES, np.uint32)
    for k in range(u64(0), u64(count), u64(LANES)):
        i = u64(first) + k
        force, field = forces_and_fields(
            i, k, lanes, slots, sums, applied, magnetisation, patch, laws
        )
        displace(i, k, force, field, slots, fresh, laws, drift2, travel2)


@register_jitable(forceinline=True)
def displace(i, k, force, field, slots, fresh, laws, drift2, travel2):
    """Move and turn eight slots from ``i``, row ``k`` of the block; arrays as of ``move``."""
    noise = average_noise(i, k, slots, fresh)
    x, y, z = load(slots.x, i), load(slots.y, i), load(slots.z, i)
    u = load(slots.ux, i), load(slots.uy, i), load(slots.uz, i)
    turn = laws.dt * load(slots.turning, i) * load(slots.moment, i)
    (move_x, move_y, move_z), (ux, uy, uz), length2 = brownian_move(
        u, force, field, noise, laws.dt * load(slots.mobility, i), load(slots.kick, i), turn,
        load(slots.twist, i), laws.drift_cap,
    )  # fmt: skip
    store(drift2, k, length2)
    x, y, z = x + move_x, y + move_y, z + move_z
    store(slots.x, i, x)
    store(slots.y, i, y)
    store(slots.z, i, z)
    store(slots.ux, i, ux)
    store(slots.uy, i, uy)
    store(slots.uz, i, uz)
    away_x = x - load(slots.reference_x, i)
    away_y = y - load(slots.reference_y, i)
    away_z = z - load(slots.reference_z, i)
    store(travel2, k, away_x * away_x + away_y * away_y + away_z * away_z)
