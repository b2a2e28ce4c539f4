"""How far the next chain stands, as sweeps note it: beside plain loops over all pairs."""

import numpy as np
import pytest

from sim.kernels.sampler import layout, rounds
from tests.reference.small_films import Moves
from tests.reference.small_systems import film, random_film, spread_diameters

CUTOFF = 2.7


def by_loops(rows, chain, sides, field):
    """Return the mean distance across the field to the nearest level particle of another chain."""
    along = field / np.linalg.norm(field) if np.any(field) else np.zeros(3)
    nearest = []
    for i, a in enumerate(rows):
        found = [CUTOFF]
        for j, b in enumerate(rows):
            gap = b[:3] - a[:3]
            gap[:2] -= np.array(sides) * np.rint(gap[:2] / np.array(sides))
            level = 0.65 * (a[layout.RADIUS] + b[layout.RADIUS])
            if chain[i] != chain[j] and abs(gap @ along) < level:
                found.append(np.linalg.norm(gap - (gap @ along) * along))
        nearest.append(min(found))
    return np.mean(nearest)


@pytest.mark.parametrize("langevin", [0.0, 5.0])
@pytest.mark.parametrize("direction", [(1.0, 0.0, 0.0), (0.0, 0.6, 0.8)])
def test_the_nearest_chain_is_that_of_all_pairs(langevin, direction):
    system = film(
        70, diameter=spread_diameters(70), fraction=0.06, coupling=5.0, cutoff=CUTOFF,
        langevin=langevin, direction=direction, dynamics="monte_carlo",
    )  # fmt: skip
    state = random_film(system)
    moves = Moves(system, state.positions, state.directions)
    for _ in range(30):
        moves.round(70, 20)
    moves.call(rounds.find_structure)
    held = moves.film
    assert len(set(held.chain)) == held.found[layout.CHAINS] < 60
    expected = by_loops(held.rows, held.chain, system.sides, np.array(system.field[0].first))
    assert 0.8 < expected < CUTOFF
    assert held.found[layout.SPACING] == pytest.approx(expected, rel=1e-12)
