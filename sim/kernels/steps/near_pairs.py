"""Pairs that stay apart during an outer step, summed once, and those that may touch.

See ``sim.kernels.steps.inner_steps``. The dipoles of pairs between the reach of the repulsion and
``near.gap`` more are partly near and partly far, by a share that fades smoothly, so that neither
sum jumps where a pair comes or goes. Far pairs are many: a slot's neighbours fill the lanes, as in
``pair_sums``. Near ones are few: here each lane is a slot, and the vector goes through the first
neighbours of all, the second ones, and so on. No checks by design.
"""

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.laws.pairs import add_pair
from sim.kernels.laws.screened import dipole_factors
from sim.kernels.steps.layout import BLOCK, STRIDE
from sim.kernels.steps.pair_sums import load_pairs, own_row, steric_push, units_of
from sim.kernels.steps.rows import RADIUS
from sim.kernels.vectors.lists import append_chosen
from sim.kernels.vectors.ops import rsqrt, where
from sim.kernels.vectors.rows import WORDS, load_rows, store_sums
from sim.kernels.vectors.types import spread, store

u32 = np.uint32
u64 = np.uint64
# Reach of the soft core in diameters, rounded up; the surfactant's is 1.
TOUCH = 1.1225


@register_jitable(forceinline=True)
def near_share(r2, radius_i, radius_j, gap):
    """Return the share of a pair's dipoles that the near sums take, and whether that is any.

    1 up to the reach of the repulsion, 0 from ``gap`` beyond it, and s^2 (3 - 2 s) in between, with
    s linear in r^2.
    """
    touch = TOUCH * (radius_i + radius_j)
    reach = touch + gap
    reach2 = reach * reach
    is_near = r2 < reach2
    inverse = rsqrt(reach2 - touch * touch)
    s = (reach2 - r2) * (inverse * inverse)
    s = where(s < 1.0, s, 1.0)
    return where(is_near, s * s * (3.0 - 2.0 * s), 0.0), is_near


@njit(cache=True, error_model="numpy", inline="always")
def far_sums(
    block, first, end, rows, words, neighbours, patch, laws, screening, near, sums, equal_sizes
):
    """Fill eight sums per slot with those of the far pairs, and list the near ones.

    Near is a pair closer than the reach of its repulsion and ``near.gap`` more; of its dipoles the
    far sums take what `near_share` leaves. Pairs beyond only feel each other's dipoles.

    Parameters
    ----------
    block, first, end : int
        The block and its slots.
    rows, words, neighbours, patch, laws, screening, sums, equal_sizes
        As those of ``sim.kernels.steps.pair_sums``.
    near : layout.NearPairs

    Returns
    -------
    int
        The entries needed by the block; nothing beyond its share is written.
    """
    units = units_of(patch, rows)
    cutoff2 = laws.cutoff * laws.cutoff
    lanes = u64(64 // rows.itemsize)
    zero = spread(rows.dtype.type(0.0))
    same = spread(rows[u64(RADIUS)])
    width = u64(most_that_may_touch(first, end, neighbours) + STRIDE)
    chosen = np.empty(lanes * width, u32)
    found = np.empty(lanes, np.int64)
    at = u64(near.entries.size // near.needed.size * block)
    needed = 0
    for i in range(first, end):
        place, radius, mine = own_row(rows, words, i)
        if equal_sizes:
            radius = same
        total = (zero, zero, zero, zero, zero, zero, zero)
        k = u64(neighbours.start[i])
        apart = k + u64(neighbours.apart[i])
        stop = k + u64(neighbours.count[i])
        lane = u64(i) % lanes
        to = width * lane
        while k < apart:
            gap, r2, _, theirs = load_pairs(rows, neighbours.entries, k, place, units)
            k += lanes
            factors = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, mine, theirs, factors, zero)
        while k < stop:
            gap, r2, radius_j, theirs = load_pairs(rows, neighbours.entries, k, place, units)
            if equal_sizes:
                radius_j = same
            share, is_near = near_share(r2, radius, radius_j, near.gap)
            to = append_chosen(chosen, to, neighbours.entries, k, is_near)
            k += lanes
            b, c, d = dipole_factors(r2, cutoff2, screening)
            rest = 1.0 - share
            total = add_pair(total, gap, mine, theirs, (rest * b, rest * c, rest * d), zero)
        fx, fy, fz, s, ex, ey, ez = total
        store_sums(sums, u64(WORDS * (i - first)), (fx, fy, fz, s, ex, ey, ez, zero))
        found[lane] = to - width * lane
        if lane == lanes - u64(1):
            group = u64(i) // lanes
            rounds = largest(found)
            needed += rounds * np.int64(lanes)
            near.start[group] = at
            near.count[group] = 0
            if needed <= near.entries.size // near.needed.size:
                near.count[group] = rounds
                beyond = u32(rows.size - WORDS)  # the row that pads lists
                list_group(near.entries, at, chosen, width, found, rounds, beyond)
                at += lanes * u64(rounds)
    return needed


@njit(cache=True, error_model="numpy", inline="always")
def most_that_may_touch(first, end, neighbours):
    """Return the largest number of neighbours that may touch a slot of a block."""
    most = 0
    for i in range(first, end):
        most = max(most, neighbours.count[i] - neighbours.apart[i])
    return most


@njit(cache=True, error_model="numpy", inline="always")
def largest(values):
    """Return the largest of some whole numbers, 0 of none."""
    found = 0
    for value in values:
        found = max(found, value)
    return found


@njit(cache=True, error_model="numpy", inline="always")
def list_group(entries, at, chosen, width, found, rounds, beyond):
    """Write the neighbours of a group round by round."""
    lanes = u64(found.size)
    for k in range(at, at + lanes * u64(rounds)):
        entries[k] = beyond
    for lane in range(found.size):
        for k in range(u64(found[lane])):
            entries[at + lanes * k + u64(lane)] = chosen[width * u64(lane) + k]


@njit(cache=True, error_model="numpy", inline="always")
def near_sums(first, end, rows, near, patch, laws, screening, sums, surfactant, equal_sizes):
    """Fill six sums per slot with those of the near pairs: force and field.

    Parameters
    ----------
    first, end, rows, patch, laws, screening, surfactant, equal_sizes
        As those of ``sim.kernels.steps.pair_sums``.
    near : layout.NearPairs
    sums : array of the rows' float type, shape (8 * 256,)
        F_x of all slots from ``first``, then from 256 on F_y, and so on F_z, E_x, E_y, E_z; the
        force is the whole one.
    """
    units = units_of(patch, rows)
    cutoff2 = laws.cutoff * laws.cutoff
    lanes = u64(64 // rows.itemsize)
    zero = spread(rows.dtype.type(0.0))
    same = spread(rows[u64(RADIUS)])
    own = np.empty(lanes, u32)
    for i in range(u64(first), u64(end), lanes):
        for lane in range(lanes):
            own[lane] = u32(WORDS) * u32(i + lane)
        x, y, z, radius, ux, uy, uz, _ = load_rows(rows, own, u64(0))
        if equal_sizes:
            radius = same
        total = (zero, zero, zero, zero, zero, zero, zero)
        k = u64(near.start[i // lanes])
        stop = k + lanes * u64(near.count[i // lanes])
        while k < stop:
            gap, r2, radius_j, theirs = load_pairs(rows, near.entries, k, (x, y, z), units)
            k += lanes
            if equal_sizes:
                radius_j = same
            b, c, d = dipole_factors(r2, cutoff2, screening)
            share, _ = near_share(r2, radius, radius_j, near.gap)
            push = steric_push(r2, radius, radius_j, laws, surfactant)
            factors = share * b, share * c, share * d
            total = add_pair(total, gap, (ux, uy, uz), theirs, factors, push)
        fx, fy, fz, s, ex, ey, ez = total
        at = i - u64(first)
        store(sums, at, fx + s * ux)
        store(sums, at + u64(BLOCK), fy + s * uy)
        store(sums, at + u64(2 * BLOCK), fz + s * uz)
        store(sums, at + u64(3 * BLOCK), ex)
        store(sums, at + u64(4 * BLOCK), ey)
        store(sums, at + u64(5 * BLOCK), ez)
