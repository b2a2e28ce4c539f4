"""Sums over the neighbours of each slot: force, and the field of the other dipoles.

One text for single and double precision: the type of the rows decides the vector. Marks that are
constants where a kernel calls, as which repulsion acts, leave no branch in what is compiled.
No checks by design.
"""

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.laws.pairs import add_pair, brush_push, soft_core_push
from sim.kernels.laws.screened import dipole_factors
from sim.kernels.steps.rows import MOMENT, RADIUS, unit_of
from sim.kernels.vectors.rows import WORDS, load_rows, store_sums, wrapped_difference
from sim.kernels.vectors.types import spread

u64 = np.uint64
# (surfactant, equal sizes): the constants that kernels are compiled for.
CHOICES = tuple((surfactant, equal) for surfactant in (False, True) for equal in (False, True))


@register_jitable(forceinline=True)
def steric_push(r2, radius_i, radius_j, laws, surfactant):
    """Return the push of the repulsion: of two surfactant layers, or of the soft core."""
    if surfactant:
        return brush_push(r2, radius_i, radius_j, laws.shell, laws.grafting, laws.core_stiffness)
    return soft_core_push(r2, radius_i + radius_j, laws.strength)


@register_jitable(forceinline=True)
def units_of(patch, rows):
    """Return the lengths of one unit of a row's x, y and z, in the rows' float type."""
    return (
        rows.dtype.type(unit_of(patch.side_x, rows)),
        rows.dtype.type(unit_of(patch.side_y, rows)),
        rows.dtype.type(unit_of(patch.period_z, rows)),
    )


@register_jitable(forceinline=True)
def own_row(rows, words, i):
    """Return place (integers), radius and moment of a slot, the last two spread over the lanes."""
    at = u64(WORDS) * u64(i)
    place = words[at], words[at + u64(1)], words[at + u64(2)]
    m = at + u64(MOMENT)
    moment = spread(rows[m]), spread(rows[m + u64(1)]), spread(rows[m + u64(2)])
    return place, spread(rows[at + u64(RADIUS)]), moment


@register_jitable(forceinline=True)
def load_pairs(rows, entries, k, place, units):
    """Return (gap, squared distance, radius, moment) of the neighbours listed from ``k`` on."""
    x, y, z, radius, vx, vy, vz, _ = load_rows(rows, entries, k)
    dx = wrapped_difference(place[0], x) * units[0]
    dy = wrapped_difference(place[1], y) * units[1]
    dz = wrapped_difference(place[2], z) * units[2]
    return (dx, dy, dz), dx * dx + dy * dy + dz * dz, radius, (vx, vy, vz)


@njit(cache=True, error_model="numpy", inline="always")
def pair_sums(
    first, end, rows, words, neighbours, patch, laws, screening, sums, surfactant, equal_sizes
):
    """Fill eight sums per slot: force without its part along m_i, that part's factor, field.

    Parameters
    ----------
    first, end : int
        Slots to work on.
    rows, words : flat array of rows, and its view as integers
        See ``sim.kernels.steps.rows``.
    neighbours, patch, laws : named tuples of ``sim.kernels.steps.layout``
    screening : array of the rows' float type, or None
        Table of `screened_radial`, where a mesh sums the smooth part of the dipoles. The choice
        falls when this is compiled.
    sums : array of the rows' float type, shape (8 (end - first),)
        Row k: F_x, F_y, F_z, S, E_x, E_y, E_z, 0; the force on the slot is F + S m_i and
        E is the field at it.
    surfactant : bool
        Whether layers of surfactant repel, else soft cores.
    equal_sizes : bool
        Whether all particles have the radius of the first.
    """
    units = units_of(patch, rows)
    cutoff2 = laws.cutoff * laws.cutoff
    lanes = u64(64 // rows.itemsize)
    zero = spread(rows.dtype.type(0.0))
    same = spread(rows[u64(RADIUS)])
    for i in range(first, end):
        place, radius, mine = own_row(rows, words, i)
        if equal_sizes:
            radius = same
        total = (zero, zero, zero, zero, zero, zero, zero)
        k = u64(neighbours.start[i])
        apart = k + u64(neighbours.apart[i])
        stop = k + u64(neighbours.count[i])
        while k < apart:
            gap, r2, _, theirs = load_pairs(rows, neighbours.entries, k, place, units)
            k += lanes
            factors = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, mine, theirs, factors, zero)
        while k < stop:
            gap, r2, radius_j, theirs = load_pairs(rows, neighbours.entries, k, place, units)
            k += lanes
            if equal_sizes:
                radius_j = same
            factors = dipole_factors(r2, cutoff2, screening)
            push = steric_push(r2, radius, radius_j, laws, surfactant)
            total = add_pair(total, gap, mine, theirs, factors, push)
        fx, fy, fz, s, ex, ey, ez = total
        store_sums(sums, u64(WORDS * (i - first)), (fx, fy, fz, s, ex, ey, ez, zero))
