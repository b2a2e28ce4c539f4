"""Pairs that stay apart during an outer step, summed once, and a list of those that may touch.

See ``sim.kernels.split_steps``. No checks by design.
"""

import numpy as np
from numba import njit

from sim.kernels.layout import STRIDE
from sim.kernels.rows import RADIUS, unit_of
from sim.kernels.screened_law import dipole_factors
from sim.kernels.vector import spread
from sim.kernels.vector_rows import (
    WORDS,
    append_chosen,
    load_rows,
    store_sums,
    word_or_own,
    wrapped_difference,
)
from sim.kernels.words import where

u32 = np.uint32
u64 = np.uint64
# Reach of the soft core in diameters, rounded up; the surfactant's is 1.
TOUCH = 1.1225


@njit(cache=True, error_model="numpy", inline="always")
def far_sums(block, first, end, rows, words, neighbours, patch, laws, screening, near, sums):
    """Fill eight sums a slot with those of the far pairs, and list the near ones.

    Near is a pair closer than the reach of its repulsion and ``near.gap`` more, so that the far
    ones only feel each other's dipoles. Near pairs of a block go to its share of
    ``near.entries``; beyond it nothing is written.

    Parameters
    ----------
    block, first, end : int
        The block and its slots.
    rows, words, neighbours, patch, laws, screening, sums
        As those of ``sim.kernels.pair_sums``.
    near : layout.NearPairs

    Returns
    -------
    int
        The entries needed by the block.
    """
    x_unit = rows.dtype.type(unit_of(patch.side_x, rows))
    y_unit = rows.dtype.type(unit_of(patch.side_y, rows))
    z_unit = rows.dtype.type(unit_of(patch.period_z, rows))
    cutoff2 = laws.cutoff * laws.cutoff
    lanes = u64(64 // rows.itemsize)
    blocks = near.needed.size
    share = near.entries.size // blocks
    at, last = u64(share * block), u64(share * (block + 1))
    beyond = u32(rows.size - WORDS)  # the row that pads lists
    missing = u64(0)
    for i in range(first, end):
        own = u64(WORDS * i)
        x, y, z = words[own], words[own + u64(1)], words[own + u64(2)]
        radius = spread(rows[own + u64(RADIUS)])
        ux = spread(rows[own + u64(3)])
        uy = spread(rows[own + u64(4)])
        uz = spread(rows[own + u64(5)])
        zero = spread(rows.dtype.type(0.0))
        fx = fy = fz = s = ex = ey = ez = zero
        k = u64(neighbours.start[i])
        stop = k + u64(neighbours.count[i])
        begin = at
        room = at + u64(neighbours.count[i]) + u64(STRIDE) <= last
        found = u64(0)
        while k < stop:
            xj, yj, zj, vx, vy, vz, radius_j, _ = load_rows(rows, neighbours.entries, k)
            radius_j = word_or_own(
                rows, neighbours.entries, k, u64(RADIUS), radius_j, radius, laws.equal_sizes
            )
            dx = wrapped_difference(x, xj) * x_unit
            dy = wrapped_difference(y, yj) * y_unit
            dz = wrapped_difference(z, zj) * z_unit
            r2 = dx * dx + dy * dy + dz * dz
            reach = TOUCH * (radius + radius_j) + near.gap
            is_near = r2 < reach * reach
            # without room only counted: the list is made longer and all is summed again
            to = at if room else u64(share * block)
            after = append_chosen(near.entries, to, neighbours.entries, k, is_near)
            found += after - to
            at = after if room else at
            k += lanes
            b, c, d = dipole_factors(r2, cutoff2, screening)
            b = where(is_near, 0.0, b)
            c = where(is_near, 0.0, c)
            d = where(is_near, 0.0, d)
            mine = ux * dx + uy * dy + uz * dz
            theirs = vx * dx + vy * dy + vz * dz
            c_theirs, c_mine = c * theirs, c * mine
            along = c * (ux * vx + uy * vy + uz * vz) - d * mine * theirs
            fx = fx + (along * dx + c_mine * vx)
            fy = fy + (along * dy + c_mine * vy)
            fz = fz + (along * dz + c_mine * vz)
            s = s + c_theirs
            ex = ex + (c_theirs * dx - b * vx)
            ey = ey + (c_theirs * dy - b * vy)
            ez = ez + (c_theirs * dz - b * vz)
        store_sums(sums, u64(WORDS * (i - first)), (fx, fy, fz, s, ex, ey, ez, zero))
        near.start[i] = begin
        if room:
            while (at - begin) % lanes:
                near.entries[at] = beyond
                at += u64(1)
            near.count[i] = at - begin
        else:
            near.count[i] = 0
            missing += found + u64(neighbours.count[i]) + u64(2 * STRIDE)
    if missing:
        return share + int(missing)
    return int(at) - share * block
