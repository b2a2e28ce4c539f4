"""Moves that change chains: an end or a tail goes elsewhere, tails are exchanged, sizes are.

Each keeps detailed balance by itself: what is picked in the old state is picked with the same
chance in the new one, or the move is refused, and densities of places that are proposed by open
ends enter the acceptance. No checks of input by design.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.sampler import bonds, places
from sim.kernels.sampler.cells import inside, wrapped
from sim.kernels.sampler.draws import below, uniform
from sim.kernels.sampler.energies import (
    allowed,
    clear_marks,
    mark_members,
)
from sim.kernels.sampler.layout import (
    EXCHANGE,
    HOP,
    MANY,
    MOMENT,
    MX,
    NONE,
    RADIUS,
    SEGMENT,
    SHIFT,
    SIZES,
    SPLICE,
    X,
    Y,
    Z,
)
from sim.kernels.sampler.local import turned
from sim.kernels.sampler.sets import give_back, propose_present, shift_places, take, worth_it


@njit(cache=True, error_model="numpy")
def end_or_any(film, i):
    """Draw a particle of an open end, or take the given one, which is any."""
    if uniform(film.random) >= film.walk.ends:
        return i
    side = below(film.random, 2)
    count = film.open_count[side]
    return film.open[side, below(film.random, count)] if count > 0 else NONE


@njit(cache=True, error_model="numpy")
def picked_chance(film, i):
    """Return the chance that ``end_or_any`` picks a particle."""
    chance = (1.0 - film.walk.ends) / film.rows.shape[0]
    for side in range(2):
        if film.open_place[side, i] != NONE:
            chance += 0.5 * film.walk.ends / film.open_count[side]
    return chance


@njit(cache=True, error_model="numpy")
def hop(film, i):
    """Take a particle, of an open end most often, before an open end or anywhere, freshly turned.

    Where it leaves a gap in a chain, or fills one, ends are made or lost. It has one partner a
    side at most, there and back.
    """
    i = end_or_any(film, i)
    if i == NONE or film.bonds[i, 0] == MANY or film.bonds[i, 1] == MANY:
        return
    row, side = film.rows[i], below(film.random, 2)
    ends, freed = places.open_ends(film, side, i, i)
    x, y, z = places.draw_place(film, row[RADIUS], side, i, ends, freed)
    if z <= 0.0 or z >= film.thickness:
        return
    film.mark[i] = 1
    old = places.density(film, row[X], row[Y], row[Z], row[RADIUS], side, i, ends)
    new = places.density(film, x, y, z, row[RADIUS], side, i, ends)
    film.mark[i] = 0
    x, y = inside(x, film.side_x), inside(y, film.side_y)
    passed, change = turned(film, i, x, y, z, math.log(old / new))
    if not passed:
        return
    before = picked_chance(film, i)
    film.members[0], one = i, np.int64(1)  # no plain number, see ``layout``
    take(film, one, HOP, change)
    again = film.bonds[i, 0] != MANY and film.bonds[i, 1] != MANY
    if not again or uniform(film.random) * before >= picked_chance(film, i):
        give_back(film, one, HOP, change)


@njit(cache=True, error_model="numpy")
def hangs_alone(film, end, side):
    """Return whether the first member of a tail alone is bonded to others, to one at most."""
    members, back = film.members, 1 - side
    if film.bonds[members[0], back] == MANY:
        return False
    alone = True
    for a in range(1, end):
        if film.bonds[members[a], back] != members[a - 1]:
            alone = False
    return alone


@njit(cache=True, error_model="numpy")
def stays_tail(film, end, side, alone):
    """Return whether the proposed tail would be picked again.

    Nobody of the rest may follow a member; with ``alone``, nobody may be bonded to it at all but
    one that precedes the first.
    """
    found = np.empty(24, np.int64)
    mark_members(film, end)
    stays = True
    for a in range(end):
        number = bonds.bonded(film, film.members[a], film.fresh[a], found)
        partner = bonds.partners(found, number)
        if partner[side] != NONE:
            stays = False
        if alone and (partner[1 - side] == MANY or (a > 0 and number > 0)):
            stays = False
        if not stays:
            break
    clear_marks(film, end)
    return stays


@njit(cache=True, error_model="numpy")
def take_elsewhere(film, i, side, end, kind):
    """Take a marked set that begins with particle i before an open end or anywhere; clear marks.

    The set is a tail, or a segment where ``kind`` says so.
    """
    row, last = film.rows[i], film.members[end - 1]
    ends, freed = places.open_ends(film, side, i, last)
    x, y, z = places.draw_place(film, row[RADIUS], side, last, ends, freed)
    if z <= 0.0 or z >= film.thickness:
        clear_marks(film, end)
        return
    old = places.density(film, row[X], row[Y], row[Z], row[RADIUS], side, i, ends)
    new = places.density(film, x, y, z, row[RADIUS], side, i, ends)
    clear_marks(film, end)
    propose_present(film, end)
    shift_places(film, 0, end, x - row[X], y - row[Y], z - row[Z])
    passed, change = allowed(film, end, math.log(old / new))
    if not passed:
        return
    stays = stays_segment(film, end, side) if kind == SEGMENT else stays_tail(film, end, side, True)
    if stays:
        take(film, end, kind, change)


@njit(cache=True, error_model="numpy")
def splice(film, i):
    """Cut the tail from a particle on and take it before an open end or anywhere."""
    side = below(film.random, 2)
    end = bonds.tail(film, i, side, 0)
    if end == NONE:
        return
    if hangs_alone(film, end, side) and worth_it(film, end):
        take_elsewhere(film, i, side, end, SPLICE)
    else:
        clear_marks(film, end)


@njit(cache=True, error_model="numpy")
def segment(film, i):
    """Cut some particles in a row out of a chain or ring, and take them elsewhere as a tail."""
    side = below(film.random, 2)
    length = 1 + np.int64(-math.log(uniform(film.random)) * film.walk.pieces)
    end = bonds.segment(film, i, side, length)
    if end == NONE:
        return
    following = film.bonds[film.members[end - 1], side]
    closed = following >= 0 and film.mark[following] != 0
    if following != MANY and not closed and hangs_alone(film, end, side):
        take_elsewhere(film, i, side, end, SEGMENT)
    else:
        clear_marks(film, end)


@njit(cache=True, error_model="numpy")
def stays_segment(film, end, side):
    """Return whether the proposed segment would be picked again.

    Of the rest only one may precede the first member, one follow the last, and nobody be bonded
    to those between.
    """
    found = np.empty(24, np.int64)
    mark_members(film, end)
    stays = True
    for a in range(end):
        number = bonds.bonded(film, film.members[a], film.fresh[a], found)
        partner = bonds.partners(found, number)
        first, last = a == 0, a == end - 1
        stays = stays and (partner[side] == NONE or (last and partner[side] != MANY))
        stays = stays and (partner[1 - side] == NONE or (first and partner[1 - side] != MANY))
    clear_marks(film, end)
    return stays


@njit(cache=True, error_model="numpy")
def shift(film, i):
    """Shift the tail from a particle on by a little."""
    side, longest = below(film.random, 2), film.walk.tail
    end = bonds.tail(film, i, side, 0)
    if end == NONE:
        return
    clear_marks(film, end)
    if not worth_it(film, end):
        return
    propose_present(film, end)
    dx = longest * (2.0 * uniform(film.random) - 1.0)
    dy = longest * (2.0 * uniform(film.random) - 1.0)
    shift_places(film, 0, end, dx, dy, longest * (2.0 * uniform(film.random) - 1.0))
    passed, change = allowed(film, end, 0.0)
    if not passed:
        return
    if stays_tail(film, end, side, False):
        take(film, end, SHIFT, change)


@njit(cache=True, error_model="numpy")
def exchange(film, i):
    """Exchange the tails from two particles on: each begins where the other began."""
    j, side = below(film.random, film.rows.shape[0]), below(film.random, 2)
    if j == i:
        return
    middle = bonds.tail(film, i, side, 0)
    if middle == NONE:
        return
    end = NONE
    if film.mark[j] == 0:
        end = bonds.tail(film, j, side, middle)
    clear_marks(film, middle if end == NONE else end)
    if end == NONE or not worth_it(film, end):
        return
    propose_present(film, end)
    a, b = film.rows[i], film.rows[j]
    dx, dy = wrapped(b[X] - a[X], film.side_x), wrapped(b[Y] - a[Y], film.side_y)
    dz = b[Z] - a[Z]
    shift_places(film, 0, middle, dx, dy, dz)
    shift_places(film, middle, end, -dx, -dy, -dz)
    for place in range(middle, end):
        film.group[place] = 1
    passed, change = allowed(film, end, 0.0)
    if not passed:
        return
    if not stays_tail(film, end, side, False):
        return
    for first in range(middle):
        for second in range(middle, end):
            if bonds.bond(film, film.fresh[first], film.fresh[second]) != NONE:
                return
    take(film, end, EXCHANGE, change)


@njit(cache=True, error_model="numpy")
def exchange_sizes(film, i):
    """Let two particles of nearly the same rank of size take each other's place and direction."""
    up = 1 if below(film.random, 2) == 1 else -1
    other = film.rank[i] + up * (1 + below(film.random, film.walk.window))
    if other < 0 or other >= film.rows.shape[0]:
        return
    film.members[0], film.members[1] = i, film.by_rank[other]
    pair = np.int64(2)  # no plain number, see ``layout``
    propose_present(film, pair)
    film.group[1] = 1
    for a in range(pair):
        mine, theirs = film.fresh[a], film.rows[film.members[1 - a]]
        for column in range(3):
            mine[column] = theirs[column]
            mine[MX + column] = theirs[MX + column] * mine[MOMENT] / theirs[MOMENT]
    passed, change = allowed(film, pair, 0.0)
    if passed:
        take(film, pair, SIZES, change)
