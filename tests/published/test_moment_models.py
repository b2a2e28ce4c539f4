"""Moments that turn with the particle and moments that turn inside it: one structure, two rates.

With isotropic repulsion the Boltzmann law holds no word on how moments turn (textbook), so that all
averages agree whatever the rotational diffusion is. Gates at 4 standard errors, fixed seeds.
"""

import math

import numpy as np
import pytest

from analysis.chains.groups import find_chains
from sim.engines.cpu import CpuEngine
from tests.reference.small_systems import film, moments_of, random_film

COUNT = 500


def averages(faster, seed):
    """Return the means of a chaining film whose moments turn ``faster`` times as fast."""
    system = film(
        COUNT, coupling=3.0, langevin=4.0, dt=1.2e-4, cutoff=4.0, fraction=0.03, seed=seed,
        turning=np.full(COUNT, 3.0 * faster), precision="float32",
    )  # fmt: skip
    engine = CpuEngine(system, random_film(system, seed), 1)
    engine.advance(12000)
    rows = []
    for _ in range(70):
        engine.advance(600)
        look, state = engine.observe(), engine.snapshot()
        chains = find_chains(
            state.positions, moments_of(system, state), 2.0 * system.radius, system.sides,
            bond_distance=1.3, bond_alignment=0.5,
        )  # fmt: skip
        mean_length = float(np.mean(chains.lengths))
        rows.append((look["dipolar"], look["steric"], look["magnetisation"][0], mean_length))
    return np.array(rows)


@pytest.fixture(scope="module")
def both():
    """Return (mean, error) of four averages for blocked and for fast moments."""
    found = []
    for faster in (1.0, 6.0):
        runs = [averages(faster, seed) for seed in (3, 4)]
        blocks = np.concatenate([run.reshape(7, 10, -1).mean(axis=1) for run in runs])
        error = blocks.std(axis=0, ddof=1) / math.sqrt(len(blocks))
        found.append((blocks.mean(axis=0), error))
    return found


@pytest.mark.parametrize(
    ("place", "what"), list(enumerate(["dipolar", "steric", "aligned", "length"]))
)
def test_structure_does_not_depend_on_how_moments_turn(both, place, what, tell):
    (one, spread), (other, scatter) = both
    error = math.hypot(spread[place], scatter[place])
    name = {"dipolar": "dipolar energy", "length": "mean length"}.get(what, what)
    tell(
        f"{name}, turning 6 times as fast (error of the difference)", one[place], other[place],
        error, unit="kT" if what == "dipolar" else "", source="the slow film; Boltzmann",
        when=what in ("dipolar", "length"),
    )  # fmt: skip
    assert error < 0.05 * abs(one[place]), what
    assert one[place] == pytest.approx(other[place], abs=4.0 * error), what


def test_chains_are_there_to_compare(both):
    assert both[0][0][3] > 1.2
