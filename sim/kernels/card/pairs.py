"""Pair loops of one thread a slot, around the laws of all processors. No checks by design."""

from typing import NamedTuple

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import WORDS
from sim.kernels.card.tools import LANES, load_words, of_bits, wrapped
from sim.kernels.laws.pairs import add_pair
from sim.kernels.laws.screened import dipole_factors
from sim.kernels.steps.added_forces import added_push
from sim.kernels.steps.near_pairs import near_share
from sim.kernels.steps.pair_sums import steric_push
from sim.kernels.vectors.ops import where

i64 = np.int64


class Choice(NamedTuple):
    """What kernels are compiled for: constants of theirs, that leave no branch.

    Attributes
    ----------
    real : str
        Float type of the rows, "float32" or "float64".
    surfactant : bool
        Whether layers of surfactant repel, else soft cores.
    laws : int
        So many of the laws of `ADDED`, up to the last that acts.
    cutoff : bool
        Whether the field beyond a cut-off is added; else that of a mesh.
    body : bool
        Whether gravity or a gradient of the field acts.
    """

    real: str
    surfactant: bool
    laws: int
    cutoff: bool
    body: bool


class PairLoops(NamedTuple):
    """Functions of a thread; each returns the sums of ``add_pair`` of its slot.

    Attributes
    ----------
    read : callable
        (film, slot) to place, radius and moment.
    whole : callable
        Sums over all neighbours.
    far : callable
        Sums over those that stay apart in an outer step; lists the near ones.
    near : callable
        Sums over the near ones.
    """

    read: object
    whole: object
    far: object
    near: object


def pair_loops(choice, screening):
    """Return the pair loops of a choice, with a constant table of `screened_radial` or None."""
    lane = LANES[choice.real]
    surfactant, laws_taken = choice.surfactant, choice.laws

    @register_jitable(forceinline=True)
    def read(film, base, j):
        """Return place (whole numbers), radius and moment of a slot."""
        at = (base + i64(j)) * WORDS
        x, y, z, radius = load_words(film.rows, at)
        mx, my, mz, _ = load_words(film.rows, at + 4)
        return (x, y, z), of_bits(radius), (of_bits(mx), of_bits(my), of_bits(mz))

    @register_jitable(forceinline=True)
    def gap_of(film, mine, theirs):
        """Return the way from one place to another by the nearest image, and its square."""
        dx = lane(wrapped(mine[0], theirs[0])) * film.unit_x
        dy = lane(wrapped(mine[1], theirs[1])) * film.unit_y
        dz = lane(wrapped(mine[2], theirs[2])) * film.unit_z
        return (dx, dy, dz), dx * dx + dy * dy + dz * dz

    @register_jitable(forceinline=True)
    def added(film, r2, mine, theirs):
        """Return the push of the added laws."""
        reach2 = film.laws.added_reach * film.laws.added_reach
        push = added_push(r2, mine, theirs, film.laws, laws_taken, lane(0.0))
        return where(r2 < reach2, push, 0.0)

    @register_jitable(forceinline=True)
    def whole(film, base, i, place, radius, moment):
        zero = lane(0.0)
        cutoff2 = film.laws.cutoff * film.laws.cutoff
        total = (zero, zero, zero, zero, zero, zero, zero)
        for k in range(film.apart[i]):
            j = film.entries[i64(k) * film.count + i]
            other, their_radius, theirs = read(film, base, j)
            gap, r2 = gap_of(film, place, other)
            push = zero
            if laws_taken > 0:
                push = added(film, r2, radius, their_radius)
            factors = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, moment, theirs, factors, push)
        for k in range(film.close[i]):
            j = film.entries[i64(film.room - 1 - k) * film.count + i]
            other, their_radius, theirs = read(film, base, j)
            gap, r2 = gap_of(film, place, other)
            push = steric_push(r2, radius, their_radius, film.laws, surfactant)
            if laws_taken > 0:
                push = push + added(film, r2, radius, their_radius)
            factors = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, moment, theirs, factors, push)
        return total

    @register_jitable(forceinline=True)
    def far(film, base, i, place, radius, moment):
        zero = lane(0.0)
        cutoff2 = film.laws.cutoff * film.laws.cutoff
        total = (zero, zero, zero, zero, zero, zero, zero)
        for k in range(film.apart[i]):
            j = film.entries[i64(k) * film.count + i]
            other, _, theirs = read(film, base, j)
            gap, r2 = gap_of(film, place, other)
            factors = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, moment, theirs, factors, zero)
        found = 0
        for k in range(film.close[i]):
            j = film.entries[i64(film.room - 1 - k) * film.count + i]
            other, their_radius, theirs = read(film, base, j)
            gap, r2 = gap_of(film, place, other)
            part, is_near = near_share(r2, radius, their_radius, film.gap)
            if is_near:
                film.near[i64(found) * film.count + i] = j
                found += 1
            b, c, d = dipole_factors(r2, cutoff2, screening)
            rest = 1.0 - part
            total = add_pair(total, gap, moment, theirs, (rest * b, rest * c, rest * d), zero)
        film.near_count[i] = found
        return total

    @register_jitable(forceinline=True)
    def near(film, base, i, place, radius, moment):
        zero = lane(0.0)
        cutoff2 = film.laws.cutoff * film.laws.cutoff
        total = (zero, zero, zero, zero, zero, zero, zero)
        for k in range(film.near_count[i]):
            j = film.near[i64(k) * film.count + i]
            other, their_radius, theirs = read(film, base, j)
            gap, r2 = gap_of(film, place, other)
            part, _ = near_share(r2, radius, their_radius, film.gap)
            push = steric_push(r2, radius, their_radius, film.laws, surfactant)
            b, c, d = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, moment, theirs, (part * b, part * c, part * d), push)
        return total

    return PairLoops(read, whole, far, near)
