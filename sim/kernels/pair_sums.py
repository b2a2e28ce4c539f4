"""Sums over the neighbours of each slot: force, and the field of the other dipoles.

One text for single and double precision: the type of the rows decides the vector.
No checks by design.
"""

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.pair_laws import SURFACTANT, brush_push, pair_terms, soft_core_push
from sim.kernels.rows import RADIUS, unit_of
from sim.kernels.screened_law import dipole_factors
from sim.kernels.vector import spread
from sim.kernels.vector_rows import WORDS, load_rows, store_sums, word_or_own, wrapped_difference

u64 = np.uint64


@register_jitable(forceinline=True)
def steric_push(r2, radius_i, radius_j, laws):
    """Return the push of the repulsion that the laws name."""
    if laws.steric == SURFACTANT:
        return brush_push(r2, radius_i, radius_j, laws.shell, laws.grafting)
    return soft_core_push(r2, radius_i + radius_j, laws.strength)


@njit(cache=True, error_model="numpy", inline="always")
def pair_sums(first, end, rows, words, neighbours, patch, laws, screening, sums):
    """Fill eight sums a slot: force without its part along m_i, that part's factor, field.

    Parameters
    ----------
    first, end : int
        Slots to work on.
    rows, words : flat array of rows, and its view as integers
        See ``sim.kernels.rows``.
    neighbours, patch, laws : named tuples of ``sim.kernels.layout``
    screening : array of the rows' float type, or None
        Table of `screened_radial`, where a mesh sums the smooth part of the dipoles. The choice
        falls when this is compiled.
    sums : array of the rows' float type, shape (8 (end - first),)
        Row k: F_x, F_y, F_z, S, E_x, E_y, E_z, 0; the force on the slot is F + S m_i and
        E is the field at it.
    """
    x_unit = rows.dtype.type(unit_of(patch.side_x, rows))
    y_unit = rows.dtype.type(unit_of(patch.side_y, rows))
    z_unit = rows.dtype.type(unit_of(patch.period_z, rows))
    cutoff2 = laws.cutoff * laws.cutoff
    lanes = u64(64 // rows.itemsize)
    for i in range(first, end):
        at = u64(WORDS * i)
        x, y, z = words[at], words[at + u64(1)], words[at + u64(2)]
        radius = spread(rows[at + u64(RADIUS)])
        ux = spread(rows[at + u64(3)])
        uy = spread(rows[at + u64(4)])
        uz = spread(rows[at + u64(5)])
        zero = spread(rows.dtype.type(0.0))
        fx = fy = fz = s = ex = ey = ez = zero
        k = u64(neighbours.start[i])
        stop = k + u64(neighbours.count[i])
        while k < stop:
            xj, yj, zj, vx, vy, vz, radius_j, _ = load_rows(rows, neighbours.entries, k)
            radius_j = word_or_own(
                rows, neighbours.entries, k, u64(RADIUS), radius_j, radius, laws.equal_sizes
            )
            k += lanes
            dx = wrapped_difference(x, xj) * x_unit
            dy = wrapped_difference(y, yj) * y_unit
            dz = wrapped_difference(z, zj) * z_unit
            r2 = dx * dx + dy * dy + dz * dz
            factors = dipole_factors(r2, cutoff2, screening)
            push = steric_push(r2, radius, radius_j, laws)
            more = pair_terms((dx, dy, dz), (ux, uy, uz), (vx, vy, vz), factors, push)
            fx, fy, fz, s = fx + more[0], fy + more[1], fz + more[2], s + more[3]
            ex, ey, ez = ex + more[4], ey + more[5], ez + more[6]
        store_sums(sums, u64(WORDS * (i - first)), (fx, fy, fz, s, ex, ey, ez, zero))
