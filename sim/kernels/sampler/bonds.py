"""Bonds, tails and chains of the sampler: what its chain moves take hold of. No checks by design.

Particles are bonded nearer than 1.3 mean diameters with (u_i.n)(u_j.n) > 0.5, head to tail. One
is *ahead* of the other if that one's moment points to it. What is bonded on a side alone is its
partner there.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.sampler.cells import particles_near, wrapped
from sim.kernels.sampler.layout import (
    AHEAD,
    BEHIND,
    CLOSE,
    KEPT,
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

DISTANCE = 1.3
ALIGNMENT = 0.5


@njit(cache=True, error_model="numpy")
def bond(film, a, b):
    """Return the side of row a on which row b is bonded to it, or NONE."""
    dx = wrapped(b[X] - a[X], film.side_x)
    dy = wrapped(b[Y] - a[Y], film.side_y)
    dz = b[Z] - a[Z]
    r2 = dx * dx + dy * dy + dz * dz
    reach = DISTANCE * (a[RADIUS] + b[RADIUS])
    if r2 >= reach * reach or r2 == 0.0:
        return NONE
    mine = a[MX] * dx + a[MY] * dy + a[MZ] * dz
    theirs = b[MX] * dx + b[MY] * dy + b[MZ] * dz
    if mine * theirs <= ALIGNMENT * r2 * a[MOMENT] * b[MOMENT]:
        return NONE
    return AHEAD if mine > 0.0 else BEHIND


@njit(cache=True, error_model="numpy")
def bonded(film, i, row, found):
    """Return how many particles are bonded to a row; those fill ``found``, twice their number.

    An entry is the particle times two, and 1 added where it is ahead. Marked particles and i
    itself are left out.
    """
    near, beside = film.near, film.beside[CLOSE]
    number = 0
    for k in range(particles_near(near, film, row[X], row[Y], row[Z], near.reach, beside)):
        j = beside[k]
        if film.mark[j] == 0 and j != i:
            side = bond(film, row, film.rows[j])
            if side != NONE and number < found.size:
                found[number] = 2 * j + side
                number += 1
    return number


@njit(cache=True, error_model="numpy")
def partners(found, number):
    """Return the partners behind and ahead that ``bonded`` found."""
    behind = ahead = NONE
    for k in range(number):
        j = found[k] // 2
        if found[k] % 2 == AHEAD:
            ahead = j if ahead == NONE else MANY
        else:
            behind = j if behind == NONE else MANY
    return behind, ahead


@njit(cache=True, error_model="numpy")
def set_open(film, i, side, is_open):
    """Keep the list of open ends of a side."""
    places, listed, count = film.open_place[side], film.open[side], film.open_count
    at = places[i]
    if is_open and at == NONE:
        listed[count[side]] = i
        places[i] = count[side]
        count[side] += 1
    elif not is_open and at != NONE:
        count[side] -= 1
        last = listed[count[side]]
        listed[at] = last
        places[last] = at
        places[i] = NONE


@njit(cache=True, error_model="numpy")
def find_bonds(film, i):
    """Find the bonds of one particle anew."""
    found = np.empty(24, np.int64)
    behind, ahead = partners(found, bonded(film, i, film.rows[i], found))
    film.bonds[i, BEHIND] = behind
    film.bonds[i, AHEAD] = ahead
    set_open(film, i, BEHIND, behind == NONE)
    set_open(film, i, AHEAD, ahead == NONE)


@njit(cache=True, error_model="numpy")
def find_all_bonds(film):
    """Find all bonds anew; open ends are then listed in the order of the particles."""
    film.open_place[:] = NONE
    film.open_count[:] = 0
    for i in range(film.rows.shape[0]):
        find_bonds(film, i)


@njit(cache=True, error_model="numpy")
def find_bonds_around(film, row):
    """Find anew the bonds of all particles that a row may be bonded to."""
    near, about = film.near, film.beside[KEPT]
    for k in range(particles_near(near, film, row[X], row[Y], row[Z], near.reach, about)):
        find_bonds(film, about[k])


@njit(cache=True, error_model="numpy")
def tail(film, i, side, at):
    """Put the tail from particle i on into the set from place ``at``, marked; return its end.

    The tail goes from partner to partner on a side until nobody is there. NONE, and no marks, where
    it branches or meets a marked particle.
    """
    members, mark = film.members, film.mark
    end, current = at, i
    while True:
        members[end] = current
        mark[current] = end + 1
        end += 1
        following = film.bonds[current, side]
        if following == NONE:
            return end
        if following == MANY or mark[following] != 0:
            for a in range(at, end):
                mark[members[a]] = 0
            return NONE
        current = following


@njit(cache=True, error_model="numpy")
def segment(film, i, side, length):
    """Put so many particles from i on into the set, marked; return their number.

    NONE, and no marks, where the row ends, branches or closes before.
    """
    members, mark = film.members, film.mark
    current, end = i, 0
    while True:
        members[end] = current
        mark[current] = end + 1
        end += 1
        if end == length:
            return end
        current = film.bonds[current, side]
        if current in (NONE, MANY) or mark[current] != 0:
            for a in range(end):
                mark[members[a]] = 0
            return NONE


@njit(cache=True, error_model="numpy")
def chain(film, i, most):
    """Put all that hangs together with particle i into the set, marked; return their number.

    NONE, and no marks, where they are so many or more.
    """
    found = np.empty(24, np.int64)
    members, mark = film.members, film.mark
    members[0] = i
    mark[i] = 1
    count, a = 1, 0
    while a < count:
        for k in range(bonded(film, members[a], film.rows[members[a]], found)):
            j = found[k] // 2
            if mark[j] == 0:
                members[count] = j
                count += 1
                mark[j] = count
        a += 1
        if count >= most:
            for b in range(count):
                mark[members[b]] = 0
            return NONE
    return count


@njit(cache=True, error_model="numpy")
def chain_lengths(film):
    """Return (chains, sum of squares of their lengths), and note the chain of each particle.

    Singles are chains of one.
    """
    count = film.rows.shape[0]
    film.chain[:] = NONE
    chains = squares = 0
    for i in range(count):
        if film.chain[i] == NONE:
            number = chain(film, i, math.inf)
            for a in range(number):
                film.chain[film.members[a]] = chains
                film.mark[film.members[a]] = 0
            chains += 1
            squares += number * number
    return chains, squares
