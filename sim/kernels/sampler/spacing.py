"""How far chains of the sampler stand from each other, as a sweep notes it. No checks by design."""

import math

from numba import njit

from sim.kernels.sampler.bonds import DISTANCE
from sim.kernels.sampler.cells import around, indices_of, wrapped
from sim.kernels.sampler.layout import NONE, RADIUS, X, Y, Z

NEXT = 0
LEVEL = 0.5 * DISTANCE
"""Particles are level if they are no further apart along the field, in mean diameters."""


@njit(cache=True, error_model="numpy")
def nearest_chain(film):
    """Return the mean distance of a particle to the nearest one of another chain, across the field.

    Only particles level with it count; without a field, all do, at their distance in space. Where
    none is within the range of the dipoles, that range is taken, so that the mean stays below it.
    Chains must have been found.
    """
    cells, rows, chain = film.far, film.rows, film.chain
    bx, by, bz = film.applied[0], film.applied[1], film.applied[2]
    size = math.sqrt(bx * bx + by * by + bz * bz)
    if size > 0.0:
        bx, by, bz = bx / size, by / size, bz / size
    farthest2 = film.laws.cutoff * film.laws.cutoff
    total = 0.0
    for i in range(rows.shape[0]):
        x, y, z = rows[i, X], rows[i, Y], rows[i, Z]
        ix, iy, iz = indices_of(cells, film, x, y, z)
        first_x, end_x = around(ix, cells.x)
        first_y, end_y = around(iy, cells.y)
        nearest2 = farthest2
        for jx in range(first_x, end_x):
            for jy in range(first_y, end_y):
                column = ((jx + cells.x) % cells.x * cells.y + (jy + cells.y) % cells.y) * cells.z
                for jz in range(max(0, iz - 1), min(cells.z, iz + 2)):
                    j = cells.head[column + jz]
                    while j != NONE:
                        if chain[j] != chain[i]:
                            dx = wrapped(x - rows[j, X], film.side_x)
                            dy = wrapped(y - rows[j, Y], film.side_y)
                            dz = z - rows[j, Z]
                            along = dx * bx + dy * by + dz * bz
                            across2 = dx * dx + dy * dy + dz * dz - along * along
                            if across2 < nearest2:
                                level = LEVEL * (rows[i, RADIUS] + rows[j, RADIUS])
                                if abs(along) < level:
                                    nearest2 = across2
                        j = cells.links[j, NEXT]
        total += math.sqrt(max(0.0, nearest2))
    return total / rows.shape[0]
