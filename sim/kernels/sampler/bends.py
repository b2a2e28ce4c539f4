"""What bends chains: waves of a row between two of its particles that stay, and swings of a tail.

In a wave, what stands k places behind the first goes by A sin^2(pi k/n) along e, at right angles
to the line between the two ends of the row; its moment is turned as the row is tilted there, by the
angle whose tangent is the slope of that wave. Ends, e and line are those of the new row too, so
that -A, which is drawn as often, leads back, and neither shifts nor turns change volumes. Long
chains go sideways by such waves where a slide of the whole is refused; by swings of their tails
they come round in weak fields. No checks of input by design.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.sampler import bonds
from sim.kernels.sampler.cells import inside, wrapped
from sim.kernels.sampler.chain_moves import stays_tail
from sim.kernels.sampler.draws import around, below, uniform
from sim.kernels.sampler.energies import allowed, clear_marks, mark_members
from sim.kernels.sampler.layout import BEND, COLUMNS, MX, MY, MZ, NONE, SWING, X, Y, Z
from sim.kernels.sampler.rigid_moves import rotated, turn_members
from sim.kernels.sampler.sets import propose_present, take, worth_it

FEWEST = 3
"""Particles of a row: two that stay and one that moves."""


@njit(cache=True, error_model="numpy")
def line_of(film, end):
    """Return the vector from the first particle of a row to the last, from bond to bond."""
    rows, members = film.rows, film.members
    lx = ly = lz = 0.0
    for a in range(1, end):
        before, row = rows[members[a - 1]], rows[members[a]]
        lx += wrapped(row[X] - before[X], film.side_x)
        ly += wrapped(row[Y] - before[Y], film.side_y)
        lz += row[Z] - before[Z]
    return lx, ly, lz


@njit(cache=True, error_model="numpy")
def propose_wave(film, count, line, reach, sideways, height):
    """Propose the members, which stand between two ends, shifted and turned by a wave."""
    (lx, ly, lz), (ex, ey, ez) = line, sideways
    axis = (ly * ez - lz * ey, lz * ex - lx * ez, lx * ey - ly * ex)
    for a in range(count):
        row, fresh = film.rows[film.members[a]], film.fresh[a]
        for column in range(COLUMNS):
            fresh[column] = row[column]
        film.group[a] = a
        phase = math.pi * (a + 1) / (count + 1)
        far = height * math.sin(phase) ** 2
        slope = height * math.pi * math.sin(2.0 * phase) / reach
        cosine = 1.0 / math.sqrt(1.0 + slope * slope)
        fresh[X] = inside(row[X] + far * ex, film.side_x)
        fresh[Y] = inside(row[Y] + far * ey, film.side_y)
        fresh[Z] = row[Z] + far * ez
        fresh[MX], fresh[MY], fresh[MZ] = rotated(
            axis, cosine, slope * cosine, row[MX], row[MY], row[MZ]
        )


@njit(cache=True, error_model="numpy")
def stays_row(film, count, side, first, last):
    """Return whether the row would be picked again: one following the other, and nobody beside."""
    found, before = np.empty(24, np.int64), film.rows[first]
    for a in range(count):
        row = film.fresh[a]
        for b in range(a + 1, count):
            if bonds.bond(film, row, film.fresh[b]) != (side if b == a + 1 else NONE):
                return False
        # whom the first has ahead of it: the first that moves alone
        there = bonds.bond(film, before, row) == side
        if there != (a == 0):
            return False
    mark_members(film, count)
    stays = True
    for a in range(count):
        number = bonds.bonded(film, film.members[a], film.fresh[a], found)
        following = bonds.partners(found, number)[side]
        stays = stays and following == (last if a == count - 1 else NONE)
    clear_marks(film, count)
    return stays


@njit(cache=True, error_model="numpy")
def bend(film, i):
    """Let a row that begins with a particle go sideways, but for its ends."""
    random, walk, members = film.random, film.walk, film.members
    side = below(random, 2)
    length = np.int64(FEWEST * (walk.row / FEWEST) ** uniform(random))
    end = bonds.segment(film, i, side, length)
    if end == NONE:
        return
    clear_marks(film, end)
    count = end - 2
    if not worth_it(film, count):
        return
    lx, ly, lz = line_of(film, end)
    reach = math.sqrt(lx * lx + ly * ly + lz * lz)
    if reach == 0.0:
        return
    last = members[end - 1]
    for a in range(count):
        members[a] = members[a + 1]
    line = (lx / reach, ly / reach, lz / reach)
    sideways = around(random, line, 0.0)
    height = walk.wave * math.sqrt(count) * (2.0 * uniform(random) - 1.0)
    propose_wave(film, count, line, reach, sideways, height)
    passed, change = allowed(film, count, 0.0)
    if passed and stays_row(film, count, side, i, last):
        take(film, count, BEND, change)


@njit(cache=True, error_model="numpy")
def swing(film, i):
    """Turn the tail from a particle on about that particle."""
    side = below(film.random, 2)
    end = bonds.tail(film, i, side, 0)
    if end == NONE:
        return
    clear_marks(film, end)
    if not worth_it(film, end):
        return
    propose_present(film, end)
    if not turn_members(film, end, film.rows[i], False):
        return
    passed, change = allowed(film, end, 0.0)
    if passed and stays_tail(film, end, side, False):
        take(film, end, SWING, change)
