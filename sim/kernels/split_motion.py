"""An inner step of a block: as ``motion``, from sums that lie one kind after the other.

No checks by design.
"""

import numpy as np
from numba import njit

from sim.kernels.layout import BLOCK, CUTOFF
from sim.kernels.motion import LANES, missing_field, rotate
from sim.kernels.pair_laws import buoyant_weight, gradient_force, soft_core_push
from sim.kernels.vector import load, spread, store
from sim.kernels.words import rsqrt, where

u64 = np.uint64


@njit(cache=True, error_model="numpy", inline="always")
def add_held(first, count, slots, held, pairs, sums):
    """Fill six rows of sums, force and field: those of the near pairs and what is kept.

    Parameters
    ----------
    first, count : int
        The slots of this block.
    held : float64 array, shape (7, slots)
        Kept sums: force without its part along the moment, that part's factor, field.
    pairs : float array, shape (8 * 256,)
        As ``near_sums`` leaves them.
    sums : float64 array, shape (8 * 256,)
        Results, laid out as ``pairs``.
    """
    for k in range(count):
        i = first + k
        along = held[3, i] * slots.moment[i]
        sums[k] = held[0, i] + along * slots.ux[i] + pairs[k]
        sums[BLOCK + k] = held[1, i] + along * slots.uy[i] + pairs[BLOCK + k]
        sums[2 * BLOCK + k] = held[2, i] + along * slots.uz[i] + pairs[2 * BLOCK + k]
    for axis in range(3, 6):
        for k in range(count):
            sums[axis * BLOCK + k] = held[axis + 1, first + k] + pairs[axis * BLOCK + k]


@njit(cache=True, error_model="numpy", inline="always")
def add_body(first, count, slots, patch, laws, applied, sums):
    """Add weight, the pull of the field's gradient, and its field off the mid-plane."""
    for k in range(count):
        i = first + k
        weight = buoyant_weight(slots.radius[i], laws.shell, laws.core_weight, laws.shell_weight)
        m = slots.moment[i]
        pull = gradient_force(applied, m * slots.ux[i], m * slots.uy[i], m * slots.uz[i])
        field = gradient_force(applied, 0.0, 0.0, slots.z[i] - 0.5 * patch.thickness)
        down = (laws.down_x, laws.down_y, laws.down_z)
        for axis in range(3):
            sums[axis * BLOCK + k] += weight * down[axis] + pull[axis]
            sums[(axis + 3) * BLOCK + k] += field[axis]


@njit(cache=True, error_model="numpy", inline="always")
def move_inner(
    first, count, slots, sums, mean, applied, magnetisation, patch, laws, drift2, travel2
):
    """Move and turn ``count`` slots (a multiple of 8) from ``first``, as ``motion.move`` does.

    Parameters
    ----------
    sums : float64 array, shape (8 * 256,)
        Force and field as ``add_held`` leaves them.
    mean, applied, magnetisation, drift2, travel2
        As those of ``motion.move``.
    """
    dt = laws.dt
    cap2 = spread(laws.drift_cap * laws.drift_cap)
    for k in range(u64(0), u64(count), u64(LANES)):
        i = u64(first) + k
        x, y, z = load(slots.x, i), load(slots.y, i), load(slots.z, i)
        ux, uy, uz = load(slots.ux, i), load(slots.uy, i), load(slots.uz, i)
        radius = load(slots.radius, i)
        below = z + radius
        above = patch.thickness - z + radius
        wall = below * soft_core_push(below * below, 2.0 * radius, laws.window_strength)
        wall = wall - above * soft_core_push(above * above, 2.0 * radius, laws.window_strength)
        pace = dt * load(slots.mobility, i)
        move_x = pace * load(sums, k)
        move_y = pace * load(sums, k + u64(BLOCK))
        move_z = pace * (load(sums, k + u64(2 * BLOCK)) + wall)
        length2 = move_x * move_x + move_y * move_y + move_z * move_z
        store(drift2, k, length2)
        kept = where(length2 > cap2, laws.drift_cap * rsqrt(length2), 1.0)
        kick, twist = load(slots.kick, i), load(slots.twist, i)
        plane = across = spread(0.0)
        if laws.long_range == CUTOFF:
            plane, across = missing_field(z, patch.thickness, laws.cutoff)
        x = x + kept * move_x + kick * load(mean, k)
        y = y + kept * move_y + kick * load(mean, k + u64(BLOCK))
        z = z + kept * move_z + kick * load(mean, k + u64(2 * BLOCK))
        bx = load(sums, k + u64(3 * BLOCK)) + applied[0] + plane * magnetisation[0]
        by = load(sums, k + u64(4 * BLOCK)) + applied[1] + plane * magnetisation[1]
        bz = load(sums, k + u64(5 * BLOCK)) + applied[2] + across * magnetisation[2]
        turn = dt * load(slots.turning, i) * load(slots.moment, i)
        wx = turn * (uy * bz - uz * by) + twist * load(mean, k + u64(3 * BLOCK))
        wy = turn * (uz * bx - ux * bz) + twist * load(mean, k + u64(4 * BLOCK))
        wz = turn * (ux * by - uy * bx) + twist * load(mean, k + u64(5 * BLOCK))
        ux, uy, uz = rotate(ux, uy, uz, wx, wy, wz)
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
