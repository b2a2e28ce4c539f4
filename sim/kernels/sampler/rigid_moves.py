"""Rigid moves of whole chains: a slide, and a turn about the middle; the cluster is kept.

A move after which the chain would have other bonds is refused, so that each chain is picked with
the same chance before and after. No checks of input by design.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.sampler import bonds
from sim.kernels.sampler.cells import inside, wrapped
from sim.kernels.sampler.draws import around, uniform
from sim.kernels.sampler.energies import (
    allowed,
    clear_marks,
    mark_members,
)
from sim.kernels.sampler.layout import MX, MY, MZ, NONE, SLIDE, X, Y, Z
from sim.kernels.sampler.layout import TURN as TURN_KIND
from sim.kernels.sampler.sets import propose_present, shift_places, take, too_many

# Members of a chain that turns may stand so far from its first, in sides of the patch: nearest
# images of all pairs then turn with it.
WIDEST = 0.24


@njit(cache=True, error_model="numpy")
def any_direction(random):
    """Return a unit vector of any direction."""
    return around(random, (0.0, 0.0, 1.0), 2.0 * uniform(random) - 1.0)


@njit(cache=True, error_model="numpy")
def settle(film, count, kind):
    """Accept or refuse the proposed rows of a whole chain."""
    passed, change = allowed(film, count, 0.0)
    if not passed:
        return
    found = np.empty(24, np.int64)
    mark_members(film, count)
    met = 0
    for a in range(count):
        met += bonds.bonded(film, film.members[a], film.fresh[a], found)
    clear_marks(film, count)
    if met == 0:
        take(film, count, kind, change)


@njit(cache=True, error_model="numpy")
def slide(film, i):
    """Slide the chain of a particle, by a distance that is as often short as long."""
    walk, random = film.walk, film.random
    count = bonds.chain(film, i, too_many(film))
    if count == NONE:
        return
    clear_marks(film, count)
    propose_present(film, count)
    length = walk.shortest * (walk.longest / walk.shortest) ** uniform(random)
    ex, ey, ez = any_direction(random)
    shift_places(film, 0, count, length * ex, length * ey, length * ez)
    settle(film, count, SLIDE)


@njit(cache=True, error_model="numpy")
def rotated(axis, cosine, sine, vx, vy, vz):
    """Return a vector turned about a unit vector (Rodrigues' formula)."""
    ex, ey, ez = axis
    along = (ex * vx + ey * vy + ez * vz) * (1.0 - cosine)
    return (
        vx * cosine + (ey * vz - ez * vy) * sine + ex * along,
        vy * cosine + (ez * vx - ex * vz) * sine + ey * along,
        vz * cosine + (ex * vy - ey * vx) * sine + ez * along,
    )


@njit(cache=True, error_model="numpy")
def turn_members(film, count, first, about_middle):
    """Propose the members turned about their middle, or about the first; say whether they may be.

    About any axis, by an angle that is as often small as large. Where they reach so far that a turn
    would change nearest images they may not, before it or after.
    """
    random, fresh, walk = film.random, film.fresh, film.walk
    middle_x = middle_y = middle_z = 0.0
    for a in range(count):
        row = fresh[a]
        row[X], row[Y] = (
            wrapped(row[X] - first[X], film.side_x),
            wrapped(row[Y] - first[Y], film.side_y),
        )
        row[Z] -= first[Z]
        if abs(row[X]) > WIDEST * film.side_x or abs(row[Y]) > WIDEST * film.side_y:
            return False
        if about_middle:
            middle_x += row[X] / count
            middle_y += row[Y] / count
            middle_z += row[Z] / count
    angle = walk.least_turn * (walk.turn / walk.least_turn) ** uniform(random)
    axis, cosine, sine = any_direction(random), math.cos(angle), math.sin(angle)
    sx, sy, _ = rotated(axis, cosine, sine, -middle_x, -middle_y, -middle_z)
    for a in range(count):
        row = fresh[a]
        vx, vy, vz = rotated(
            axis, cosine, sine, row[X] - middle_x, row[Y] - middle_y, row[Z] - middle_z
        )
        far_x, far_y = abs(vx - sx), abs(vy - sy)
        if far_x > WIDEST * film.side_x or far_y > WIDEST * film.side_y:
            return False
        row[X] = inside(first[X] + middle_x + vx, film.side_x)
        row[Y] = inside(first[Y] + middle_y + vy, film.side_y)
        row[Z] = first[Z] + middle_z + vz
        row[MX], row[MY], row[MZ] = rotated(axis, cosine, sine, row[MX], row[MY], row[MZ])
    return True


@njit(cache=True, error_model="numpy")
def turn(film, i):
    """Turn the chain of a particle about its middle."""
    count = bonds.chain(film, i, too_many(film))
    if count == NONE:
        return
    clear_marks(film, count)
    if count < 2:
        return
    propose_present(film, count)
    if turn_members(film, count, film.rows[i], True):
        settle(film, count, TURN_KIND)
