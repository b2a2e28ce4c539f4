"""What moves of several particles share: proposed rows, the check of their bonds, taking them.

No checks of input by design.
"""

from numba import njit

from sim.kernels.sampler.bonds import find_bonds_around
from sim.kernels.sampler.cells import inside
from sim.kernels.sampler.draws import uniform
from sim.kernels.sampler.layout import CHANGE, COLUMNS, X, Y, Z
from sim.kernels.sampler.local import commit


@njit(cache=True, error_model="numpy")
def too_many(film):
    """Draw from how many members on a set is not tried: longer ones are more rarely, as they cost.

    What is tried keeps its number, so that the chance is the same there and back.
    """
    return film.walk.worth / uniform(film.random)


@njit(cache=True, error_model="numpy")
def worth_it(film, count):
    """Say whether a set of so many members is tried."""
    return count < too_many(film)


@njit(cache=True, error_model="numpy")
def propose_present(film, count):
    """Propose the members of a set as they are, one rigid group."""
    for a in range(count):
        film.group[a] = 0
        for column in range(COLUMNS):
            film.fresh[a, column] = film.rows[film.members[a], column]


@njit(cache=True, error_model="numpy")
def shift_places(film, first, end, dx, dy, dz):
    """Shift the proposed places of a part of the set."""
    for a in range(first, end):
        row = film.fresh[a]
        row[X] = inside(row[X] + dx, film.side_x)
        row[Y] = inside(row[Y] + dy, film.side_y)
        row[Z] += dz


@njit(cache=True, error_model="numpy")
def take(film, count, kind, change):
    """Give the members their proposed rows, and all near them their bonds."""
    for a in range(count):
        i = film.members[a]
        before = film.rows[i].copy()
        commit(film, i, film.fresh[a])
        film.fresh[a] = before
    for a in range(count):
        find_bonds_around(film, film.fresh[a])
        find_bonds_around(film, film.rows[film.members[a]])
    film.found[CHANGE] += change
    film.counts[kind, 1] += 1


@njit(cache=True, error_model="numpy")
def give_back(film, count, kind, change):
    """Give the members that were just taken the rows that they had."""
    take(film, count, kind, -change)
    film.counts[kind, 1] -= 2
