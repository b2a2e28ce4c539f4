"""Pair loops of a thread, around the laws of all processors. No checks by design."""

from typing import NamedTuple

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import FOUR, HALF, WARP, entry_at, moment_after
from sim.kernels.card.tools import LANES, load_words, of_bits, wrapped
from sim.kernels.laws.pairs import add_pair
from sim.kernels.laws.screened import dipole_factors
from sim.kernels.steps.added_forces import added_push
from sim.kernels.steps.near_pairs import near_share
from sim.kernels.steps.pair_sums import steric_push
from sim.kernels.vectors.ops import where

i64 = np.int64
u64 = np.uint64


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
    momenta, hindered : bool
        Whether particles carry momenta, and whether windows slow them.
    shares : int
        Threads that share the neighbours of a slot; 1, or a part of the block.
    induced : bool
        Whether moments follow the local field, else they turn.
    near_shares : int
        Threads that share the near pairs of a slot in an inner step; 1, or a part of the block.
    """

    real: str
    surfactant: bool
    laws: int
    cutoff: bool
    body: bool
    momenta: bool
    hindered: bool
    shares: int
    induced: bool
    near_shares: int


class PairLoops(NamedTuple):
    """Functions of a thread; the sums are those of ``add_pair``.

    Attributes
    ----------
    read : callable
        (film, base, slot) to place, radius and moment.
    whole : callable
        (film, base, list, own) to sums over the neighbours in a list.
    far : callable
        (film, base, list, own, at) to sums over those that stay apart in an outer step, and how
        many do not; these it lists from ``at`` on.
    near_ones : callable
        (film, base, list, own) to how many those are.
    near : callable
        (film, base, slot, own, kept, share) to sums over the near ones of a slot in a share,
        from those kept on.
    """

    read: object
    whole: object
    far: object
    near_ones: object
    near: object


def pair_loops(choice, screening):
    """Return the pair loops of a choice, with a constant table of `screened_radial` or None."""
    lane = LANES[choice.real]
    surfactant, laws_taken, near_shares = choice.surfactant, choice.laws, choice.near_shares

    @register_jitable(forceinline=True)
    def read(film, base, j):
        """Return place (whole numbers), radius and moment of a slot."""
        at = (2 * base + i64(j)) * HALF
        x, y, z, radius = load_words(film.rows, at)
        mx, my, mz, _ = load_words(film.rows, at + moment_after(film))
        return (x, y, z), of_bits(radius), (of_bits(mx), of_bits(my), of_bits(mz))

    @register_jitable(forceinline=True)
    def pair_with(film, base, j, place):
        """Return the way from a slot by the nearest image, its square, its radius and moment."""
        other, radius, moment = read(film, base, j)
        dx = lane(wrapped(place[0], other[0])) * film.unit_x
        dy = lane(wrapped(place[1], other[1])) * film.unit_y
        dz = lane(wrapped(place[2], other[2])) * film.unit_z
        return (dx, dy, dz), dx * dx + dy * dy + dz * dz, radius, moment

    @register_jitable(forceinline=True)
    def added(film, r2, mine, theirs):
        """Return the push of the added laws."""
        reach2 = film.laws.added_reach * film.laws.added_reach
        push = added_push(r2, mine, theirs, film.laws, laws_taken, lane(0.0))
        return where(r2 < reach2, push, 0.0)

    @register_jitable(forceinline=True)
    def behind(film, v, k):
        """Return one of those in a list that may touch."""
        return film.entries[u64(entry_at(film, v, film.room - 1 - k))]

    # An index without a sign costs no look at it. The next four entries are asked for before the
    # work on these, which else would wait for them; those after the last are there, and not used.

    @register_jitable(forceinline=True)
    def whole(film, base, v, own):
        place, radius, moment = own
        zero = lane(0.0)
        cutoff2 = film.laws.cutoff * film.laws.cutoff
        total = (zero, zero, zero, zero, zero, zero, zero)
        at = entry_at(film, v, 0)
        four = later = load_words(film.entries, at)
        for k in range(film.apart[v]):
            if k & (FOUR - 1) == 0:
                at += FOUR * WARP
                four, later = later, load_words(film.entries, at)
            j, four = four[0], (four[1], four[2], four[3], four[0])
            gap, r2, their_radius, theirs = pair_with(film, base, j, place)
            push = zero
            if laws_taken > 0:
                push = added(film, r2, radius, their_radius)
            factors = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, moment, theirs, factors, push)
        for k in range(film.close[v]):
            j = behind(film, v, k)
            gap, r2, their_radius, theirs = pair_with(film, base, j, place)
            push = steric_push(r2, radius, their_radius, film.laws, surfactant)
            if laws_taken > 0:
                push = push + added(film, r2, radius, their_radius)
            factors = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, moment, theirs, factors, push)
        return total

    @register_jitable(forceinline=True)
    def far(film, base, v, own, near_at):
        place, radius, moment = own
        zero = lane(0.0)
        cutoff2 = film.laws.cutoff * film.laws.cutoff
        total = (zero, zero, zero, zero, zero, zero, zero)
        at = entry_at(film, v, 0)
        four = later = load_words(film.entries, at)
        for k in range(film.apart[v]):
            if k & (FOUR - 1) == 0:
                at += FOUR * WARP
                four, later = later, load_words(film.entries, at)
            j, four = four[0], (four[1], four[2], four[3], four[0])
            gap, r2, _, theirs = pair_with(film, base, j, place)
            factors = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, moment, theirs, factors, zero)
        found = 0
        for k in range(film.close[v]):
            j = behind(film, v, k)
            gap, r2, their_radius, theirs = pair_with(film, base, j, place)
            part, is_near = near_share(r2, radius, their_radius, film.gap)
            if is_near:
                film.near[u64(near_at)] = j
                near_at += film.count
                found += 1
            b, c, d = dipole_factors(r2, cutoff2, screening)
            rest = 1.0 - part
            total = add_pair(total, gap, moment, theirs, (rest * b, rest * c, rest * d), zero)
        return total, found

    @register_jitable(forceinline=True)
    def near_ones(film, base, v, own):
        place, radius, _ = own
        found = 0
        for k in range(film.close[v]):
            _, r2, their_radius, _ = pair_with(film, base, behind(film, v, k), place)
            if near_share(r2, radius, their_radius, film.gap)[1]:
                found += 1
        return found

    @register_jitable(forceinline=True)
    def near(film, base, i, own, kept, share):
        place, radius, moment = own
        cutoff2 = film.laws.cutoff * film.laws.cutoff
        total = kept
        at, stride = i64(i) + i64(share) * film.count, near_shares * film.count
        j = film.near[u64(at)]
        for _ in range((i64(film.near_count[i]) - share + near_shares - 1) // near_shares):
            at += stride
            later = film.near[u64(at)]
            gap, r2, their_radius, theirs = pair_with(film, base, j, place)
            j = later
            part, _ = near_share(r2, radius, their_radius, film.gap)
            push = steric_push(r2, radius, their_radius, film.laws, surfactant)
            b, c, d = dipole_factors(r2, cutoff2, screening)
            total = add_pair(total, gap, moment, theirs, (part * b, part * c, part * d), push)
        return total

    return PairLoops(read, whole, far, near_ones, near)
