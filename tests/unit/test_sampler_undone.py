"""Every move of several particles that is taken can be undone: its set would be picked again.

That is what the refusals of the moves are for. Dipoles next to nothing in a crowded film let all
moves pass that do not overlap, so that sets come beside others, before and behind them, as often as
can be; what would be picked afterwards is found anew from the rows, by plain loops.
"""

import itertools
import math

import numpy as np
import pytest

from sim.kernels.sampler import bends, bonds, chain_moves, draws, layout, rigid_moves, rounds
from sim.kernels.vectors.calls import kernel
from tests.reference.small_films import Moves
from tests.reference.small_systems import film

COUNT, SIDES, THICKNESS = 14, (5.2, 4.6), 2.6
ROUNDS, TRIES = 5, 150
SHORT_ROWS = 4.9
"""Rows of three and four are bent: there are hardly longer ones."""


def crowded(seed):
    """Return particles that point nearly along x, so that many are bonded by chance."""
    system = film(
        COUNT, coupling=1e-9, langevin=0.0, sides=SIDES, thickness=THICKNESS, cutoff=2.2,
        strength=0.02, dynamics="monte_carlo",
    )  # fmt: skip
    rng = np.random.default_rng(seed)
    sites = [(x, y, z) for z in (0.7, 1.9) for x in (0.5, 1.6, 2.7, 3.8) for y in (0.6, 1.9, 3.2)]
    places = np.array(sites)[rng.permutation(len(sites))[:COUNT]]
    places += 0.15 * rng.normal(size=places.shape)
    places[:, :2] %= SIDES
    towards = np.array([1.0, 0.0, 0.0]) + 0.25 * rng.normal(size=(COUNT, 3))
    directions = towards / np.linalg.norm(towards, axis=1)[:, None]
    return Moves(system, places, directions, seed=seed, row=SHORT_ROWS)


def partners(rows):
    """Return for each particle (those behind, those ahead) by the rule of bonds."""
    gap = rows[None, :, :3] - rows[:, None, :3]
    gap[..., :2] -= np.array(SIDES) * np.rint(gap[..., :2] / SIDES)
    r = np.linalg.norm(gap, axis=2) + 9.0 * np.eye(COUNT)
    unit = rows[:, 3:6] / rows[:, [layout.MOMENT]]
    mine = np.einsum("ix,ijx->ij", unit, gap) / r
    theirs = np.einsum("jx,ijx->ij", unit, gap) / r
    bonded = (r < 1.3) & (mine * theirs > 0.5)
    return [
        tuple(np.flatnonzero(row & towards).tolist() for towards in (axis < 0.0, axis > 0.0))
        for row, axis in zip(bonded, mine, strict=True)
    ]


def tail(bonded, i, side):
    """Return the particles from one on to the end, None where they branch or close."""
    row = [i]
    while bonded[row[-1]][side]:
        following = bonded[row[-1]][side]
        if len(following) > 1 or following[0] in row:
            return None
        row.append(following[0])
    return row


def alone(bonded, i, side):
    """Return a tail of which only the first is bonded to others, to one at most; else None."""
    row = tail(bonded, i, side)
    if row is None or len(bonded[i][1 - side]) > 1:
        return None
    held = all(bonded[b][1 - side] == [a] for a, b in itertools.pairwise(row))
    return row if held else None


def segment(bonded, i, side, length):
    """Return so many particles in a row, bonded to one at most before and after; else None."""
    row = [i]
    while len(row) < length and len(bonded[row[-1]][side]) == 1:
        row.append(bonded[row[-1]][side][0])
    if len(row) < length or len(set(row)) < length or set(bonded[row[-1]][side]) & set(row):
        return None
    if len(bonded[i][1 - side]) > 1 or len(bonded[row[-1]][side]) > 1:
        return None
    held = all(bonded[b][1 - side] == [a] for a, b in itertools.pairwise(row))
    return row if held else None


def bent(bonded, i, side, length):
    """Return so many particles, each with one alone before it but for the last; else None."""
    row = [i]
    while len(row) < length and len(bonded[row[-1]][side]) == 1:
        row.append(bonded[row[-1]][side][0])
    return row if len(row) == length == len(set(row)) else None


def both(bonded, i, side, j):
    """Return two tails that share no particle, None where there are not two."""
    first, second = tail(bonded, i, side), tail(bonded, j, side)
    if first is None or second is None or set(first) & set(second):
        return None
    return first, second


def cluster(bonded, i):
    """Return all that hangs together with a particle."""
    held, more = {i}, [i]
    while more:
        for j in itertools.chain(*bonded[more.pop()]):
            if j not in held:
                held.add(j)
                more.append(j)
    return held


KINDS = {
    "exchange": (both, ("particle", "side")),
    "splice": (alone, ("side",)),
    "segment": (segment, ("side", "length")),
    "shift": (tail, ("side",)),
    "slide": (cluster, ()),
    "turn": (cluster, ()),
    "bend": (bent, ("side", "row")),
}


@kernel
def find_bonds(block, film):
    """Find all bonds."""
    bonds.find_all_bonds(film)


@kernel
def make_move(number, film):
    """Make a move of one kind on one particle, compiled as in rounds of moves."""
    kind, i = number // COUNT, number % COUNT
    if kind == layout.EXCHANGE:
        chain_moves.exchange(film, i)
    elif kind == layout.SPLICE:
        chain_moves.splice(film, i)
    elif kind == layout.SEGMENT:
        chain_moves.segment(film, i)
    elif kind == layout.SHIFT:
        chain_moves.shift(film, i)
    elif kind == layout.SLIDE:
        rigid_moves.slide(film, i)
    elif kind == layout.TURN:
        rigid_moves.turn(film, i)
    else:
        bends.bend(film, i)


def drawn(random, names, walk):
    """Return what a move is about to draw first: a side, for some a particle or a length."""
    ahead = random.copy()
    found = {}
    for name in names:
        if name == "length":
            found[name] = 1 + int(-math.log(draws.uniform(ahead)) * walk.pieces)
        elif name == "row":
            found[name] = int(bends.FEWEST * (walk.row / bends.FEWEST) ** draws.uniform(ahead))
        else:
            found[name] = int(draws.below(ahead, COUNT if name == "particle" else 2))
    return [found[name] for name in ("side", "particle", "length", "row") if name in found]


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_moved_would_be_picked_again(kind):
    picked, names = KINDS[kind]
    taken = 0
    for seed in range(ROUNDS):
        moves = crowded(seed)
        held = moves.film
        held.random[draws.SWEEP] = 1
        moves.call(rounds.refresh)
        moves.call(find_bonds)
        before = partners(held.rows)
        for number in range(TRIES):
            draws.begin_move(held.random)
            i = number % COUNT
            chosen = drawn(held.random, names, held.walk)
            accepted = moves.accepted(kind)
            moves.call(make_move, layout.MOVES.index(kind) * COUNT + i)
            if moves.accepted(kind) == accepted:
                continue
            after = partners(held.rows)
            pick = picked(before, i, *chosen)
            assert pick is not None, (seed, number)
            assert picked(after, i, *chosen) == pick, (seed, number)
            before, taken = after, taken + 1
    assert taken > (30 if kind == "bend" else 100)
