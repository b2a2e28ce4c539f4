"""Bonded places and the density with which they are proposed: aggregation-volume bias.

B. Chen and J. I. Siepmann, J. Phys. Chem. B 104, 8725 (2000) and 105, 11275 (2001): particles are
taken to and from bonding regions, and the acceptance makes up for the densities. A place is drawn
anywhere in the film, or before an open end: its distance from a cut normal law, its angle to the
moment there from an exponential law of the cosine. No checks by design.
"""

import math

from numba import njit

from sim.kernels.sampler import draws
from sim.kernels.sampler.cells import inside, particles_near, wrapped
from sim.kernels.sampler.layout import (
    AHEAD,
    CLOSE,
    MANY,
    MOMENT,
    MX,
    MY,
    MZ,
    NONE,
    RADIUS,
    X,
    Y,
    Z,
)

LEAST_COSINE = 0.5


@njit(cache=True, error_model="numpy")
def normal_share(walk):
    """Return the share of the normal law of distances between its bounds."""
    scale = 1.0 / (walk.spread * math.sqrt(2.0))
    upper = math.erf((walk.farthest - walk.centre) * scale)
    return 0.5 * (upper - math.erf((walk.nearest - walk.centre) * scale))


@njit(cache=True, error_model="numpy")
def cosine_share(walk):
    """Return the share of the exponential law of cosines above the least."""
    return 1.0 - math.exp(-walk.steepness * (1.0 - LEAST_COSINE))


@njit(cache=True, error_model="numpy")
def density_before(film, k, x, y, z, radius, side):
    """Return the density of proposing a place before particle k on a side."""
    rows, walk = film.rows, film.walk
    dx = wrapped(x - rows[k, X], film.side_x)
    dy = wrapped(y - rows[k, Y], film.side_y)
    dz = z - rows[k, Z]
    r2 = dx * dx + dy * dy + dz * dz
    size = radius + rows[k, RADIUS]
    r = math.sqrt(r2)
    ratio = r / size
    if ratio < walk.nearest or ratio > walk.farthest or r == 0.0:
        return 0.0
    sign = 1.0 if side == AHEAD else -1.0
    cosine = dx * rows[k, MX] + dy * rows[k, MY] + dz * rows[k, MZ]
    cosine *= sign / (r * rows[k, MOMENT])
    if cosine < LEAST_COSINE:
        return 0.0
    t = (ratio - walk.centre) / walk.spread
    radial = math.exp(-0.5 * t * t) / (math.sqrt(2.0 * math.pi) * walk.spread * normal_share(walk))
    angular = walk.steepness * math.exp(walk.steepness * (cosine - 1.0)) / cosine_share(walk)
    return radial * angular / (2.0 * math.pi * size * r2)


@njit(cache=True, error_model="numpy")
def density(film, x, y, z, radius, side, first, ends):
    """Return the density with which a place is proposed to a set that starts with ``first``.

    All open ends that could have proposed it count: those of the rest, and those that only
    ``first`` closes. ``ends`` is how many there are; members are marked.
    """
    walk, near, beside = film.walk, film.near, film.beside[CLOSE]
    out = 1.0 / (film.side_x * film.side_y * film.thickness)
    if ends == 0:
        return out
    x, y = inside(x, film.side_x), inside(y, film.side_y)
    total = 0.0
    for n in range(particles_near(near, film, x, y, z, near.reach, beside)):
        k = beside[n]
        if film.mark[k] == 0 and film.bonds[k, side] in (NONE, first):
            total += density_before(film, k, x, y, z, radius, side)
    return walk.anywhere * out + (1.0 - walk.anywhere) * total / ends


@njit(cache=True, error_model="numpy")
def open_ends(film, side, first, last):
    """Return (open ends of the rest, the particle whose end only ``first`` closes or NONE).

    The set is a tail from ``first`` to ``last`` on a side, or one particle; of its members ``last``
    alone may be open on that side.
    """
    freed = film.bonds[first, 1 - side]
    if freed in (MANY, NONE) or film.bonds[freed, side] != first:
        freed = NONE
    ends = film.open_count[side]
    if film.open_place[side, last] != NONE:
        ends -= 1
    if freed != NONE:
        ends += 1
    return ends, freed


@njit(cache=True, error_model="numpy")
def draw_place(film, radius, side, last, ends, freed):
    """Draw a place anywhere, or before an open end of the rest."""
    random, walk, rows = film.random, film.walk, film.rows
    if ends == 0 or draws.uniform(random) < walk.anywhere:
        x = draws.uniform(random) * film.side_x
        y = draws.uniform(random) * film.side_y
        return x, y, draws.uniform(random) * film.thickness
    at = draws.below(random, ends)
    if freed != NONE and at == ends - 1:
        k = freed
    else:
        own = film.open_place[side, last]
        k = film.open[side, at + 1 if own != NONE and at >= own else at]
    while True:
        ratio = walk.centre + walk.spread * draws.normal(random)
        if walk.nearest <= ratio <= walk.farthest:
            break
    share = 1.0 - draws.uniform(random) * cosine_share(walk)
    cosine = 1.0 + math.log(share) / walk.steepness
    sign = (1.0 if side == AHEAD else -1.0) / rows[k, MOMENT]
    axis = (sign * rows[k, MX], sign * rows[k, MY], sign * rows[k, MZ])
    ex, ey, ez = draws.around(random, axis, cosine)
    r = ratio * (radius + rows[k, RADIUS])
    return rows[k, X] + r * ex, rows[k, Y] + r * ey, rows[k, Z] + r * ez
