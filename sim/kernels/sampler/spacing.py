"""How far chains of the sampler stand from each other, as a sweep notes it. No checks by design."""

import math

from numba import njit

from sim.kernels.sampler.bonds import DISTANCE
from sim.kernels.sampler.cells import particles_near, wrapped
from sim.kernels.sampler.layout import IN_RANGE, RADIUS, X, Y, Z

LEVEL = 0.5 * DISTANCE
"""Particles are level if they are no further apart along the field, in mean diameters."""
FIRST_LOOK = 0.5
"""Share of the range that is looked through first."""


@njit(cache=True, error_model="numpy")
def nearest_level(film, i, axis, reach, nearest2):
    """Return the squared distance across ``axis`` to the nearest level particle of another chain.

    Of those in reach; ``nearest2`` where none is nearer.
    """
    rows, chain, beside = film.rows, film.chain, film.beside[IN_RANGE]
    bx, by, bz = axis
    x, y, z = rows[i, X], rows[i, Y], rows[i, Z]
    for k in range(particles_near(film.far, film, x, y, z, reach, beside)):
        j = beside[k]
        if chain[j] != chain[i]:
            dx = wrapped(x - rows[j, X], film.side_x)
            dy = wrapped(y - rows[j, Y], film.side_y)
            dz = z - rows[j, Z]
            along = dx * bx + dy * by + dz * bz
            across2 = dx * dx + dy * dy + dz * dz - along * along
            if across2 < nearest2 and abs(along) < LEVEL * (rows[i, RADIUS] + rows[j, RADIUS]):
                nearest2 = across2
    return nearest2


@njit(cache=True, error_model="numpy")
def nearest_chain(film):
    """Return the mean distance of a particle to the nearest one of another chain, across the field.

    Only particles level with it count; without a field, all do, at their distance in space. Where
    none is within the range of the dipoles, that range is taken, so that the mean stays below it.
    Chains must have been found.
    """
    bx, by, bz = film.applied[0], film.applied[1], film.applied[2]
    size = math.sqrt(bx * bx + by * by + bz * bz)
    if size > 0.0:
        bx, by, bz = bx / size, by / size, bz / size
    farthest2 = film.laws.cutoff * film.laws.cutoff
    # what is level and so near across the field is within reach of the first look
    first = FIRST_LOOK * film.far.reach
    level = LEVEL * 2.0 * film.rows[:, RADIUS].max()
    enough2 = first * first - level * level
    total = 0.0
    for i in range(film.rows.shape[0]):
        nearest2 = nearest_level(film, i, (bx, by, bz), first, farthest2)
        if nearest2 > enough2:
            nearest2 = nearest_level(film, i, (bx, by, bz), film.far.reach, nearest2)
        total += math.sqrt(max(0.0, nearest2))
    return total / film.rows.shape[0]
