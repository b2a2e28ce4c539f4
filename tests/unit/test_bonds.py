"""Bonds by energy, and what the choice of the rule does to the lengths."""

import math

import numpy as np
import pytest

from analysis.chains.bonds import BondRule, EnergyRule, pair_energies, rule_of
from analysis.chains.groups import find_chains
from analysis.chains.sensitivity import Sensitivity
from tests.reference.planted import (
    BOLTZMANN,
    DIAMETER,
    MOMENT,
    MU0,
    TEMPERATURE,
    Planted,
    straight_chains,
    unit,
)

SIDES = (2e-6, 0.6e-6)
COUPLING = MU0 * MOMENT**2 / (4 * math.pi * DIAMETER**3 * BOLTZMANN * TEMPERATURE)


def pair(distance, first=(1, 0, 0), second=(1, 0, 0), direction=(1, 0, 0)):
    """Two particles that many diameters apart, across the border of the patch."""
    start = np.array([0.01e-6, 0.3e-6, 0.2e-6])
    positions = np.stack([start, start - distance * DIAMETER * unit(direction)])
    positions[:, 0] %= SIDES[0]
    moments = MOMENT * np.stack([unit(first), unit(second)])
    return Planted(positions, moments, np.full(2, DIAMETER), SIDES, 0.4e-6, np.zeros(2, int))


def bonded(film, rule):
    return len(find_chains(*film.frame(), bond_energy=rule).bonds) == 1


@pytest.mark.parametrize(
    ("first", "second", "direction", "factor"),
    [
        # Closed forms of U/[lambda kT (d/r)^3], Rosensweig, Ferrohydrodynamics, section 2.5.
        ((1, 0, 0), (1, 0, 0), (1, 0, 0), -2.0),
        ((1, 0, 0), (-1, 0, 0), (1, 0, 0), 2.0),
        ((0, 1, 0), (0, 1, 0), (1, 0, 0), 1.0),
        ((0, 1, 0), (0, -1, 0), (1, 0, 0), -1.0),
        ((1, 0, 0), (0, 1, 0), (1, 0, 0), 0.0),
    ],
)
def test_energy_of_two_dipoles(first, second, direction, factor):
    film = pair(1.1, first, second, direction)
    pairs = np.array([[0, 1, -1, 0]])
    energy = pair_energies(film.positions, film.moments, np.array(SIDES), pairs)
    expected = factor * COUPLING / 1.1**3 * BOLTZMANN * TEMPERATURE
    assert energy[0] == pytest.approx(expected, rel=1e-9, abs=1e-30)


def test_half_the_contact_energy_reaches_to_the_cube_root_of_two():
    rule = EnergyRule(None, TEMPERATURE)
    edge = 2 ** (1 / 3)  # (d/r)^3 = 1/2 for head to tail
    assert bonded(pair(0.999 * edge), rule)
    assert not bonded(pair(1.001 * edge), rule)
    # Side by side, antiparallel: half of head to tail at contact, so no bond beyond contact.
    assert not bonded(pair(1.001, (0, 1, 0), (0, -1, 0)), rule)


@pytest.mark.parametrize("limit", [-0.7, -4.0, -9.0])
def test_a_limit_in_kt_reaches_as_far_as_the_energy(limit):
    edge = (2 * COUPLING / -limit) ** (1 / 3)
    assert bonded(pair(0.999 * edge), EnergyRule(limit, TEMPERATURE))
    assert not bonded(pair(1.001 * edge), EnergyRule(limit, TEMPERATURE))


def test_weak_moments_are_never_bound_by_half_their_contact_energy():
    film = pair(1.0)
    weak = Planted(
        film.positions, 0.25 * film.moments, *film.frame()[2:3], SIDES, 0.4e-6, film.chain
    )
    assert 2 * COUPLING / 16 < 1.0  # bound by less than kT at contact
    assert not bonded(weak, EnergyRule(None, TEMPERATURE))
    assert bonded(weak, EnergyRule(-0.5, TEMPERATURE))


def test_bonds_by_energy_equal_those_of_a_plain_double_loop():
    rng = np.random.default_rng(3)
    count, sides = 250, np.array([0.4e-6, 0.25e-6])
    size = DIAMETER * np.exp(0.25 * rng.standard_normal(count))
    positions = rng.random((count, 3)) * [*sides, 0.1e-6]
    moments = MOMENT * rng.standard_normal((count, 3)) * (size / DIAMETER)[:, None] ** 3
    limit = -3.0 * BOLTZMANN * TEMPERATURE
    expected = set()
    for i in range(count):
        for j in range(i + 1, count):
            d = positions[j] - positions[i]
            d[:2] -= sides * np.round(d[:2] / sides)
            r = np.linalg.norm(d)
            n = d / r
            energy = moments[i] @ moments[j] - 3 * (moments[i] @ n) * (moments[j] @ n)
            if MU0 / (4 * math.pi) * energy / r**3 < limit:
                expected.add((i, j))
    chains = find_chains(positions, moments, size, sides, bond_energy=EnergyRule(-3.0, TEMPERATURE))
    assert len(expected) > 100
    assert {tuple(bond) for bond in chains.bonds.tolist()} == expected
    plain = find_chains(positions, moments, size, sides)
    assert np.array_equal(chains.cluster, plain.cluster)  # by distance, whatever the rule


def test_planted_lengths_by_energy_at_several_densities_with_noise():
    for seed, gap in ((1, 60e-9), (2, 90e-9), (3, 140e-9)):
        rng = np.random.default_rng(seed)
        lanes = [(y, z) for y in np.arange(0, 0.6e-6, gap) for z in np.arange(2e-8, 0.38e-6, gap)]
        lengths = rng.integers(1, 30, len(lanes))
        starts = [[rng.random() * SIDES[0], *lane] for lane in lanes]
        film = straight_chains(starts, lengths, noise=0.5e-9, bond=1.05, seed=seed)
        chains = find_chains(*film.frame(), bond_energy=EnergyRule(None, TEMPERATURE))
        assert sorted(chains.size) == sorted(lengths)


def test_lengths_follow_the_rule_where_bonds_are_stretched():
    # Bonds of 1.35 diameters: whole by 1.4, single particles by 1.2, 1.3 and by energy (1.26).
    film = straight_chains([[0.1e-6, 0.3e-6, 0.2e-6]], [12], bond=1.35)
    table = Sensitivity(BondRule(), TEMPERATURE)
    table.add(film.positions, film.moments, film.diameters, np.array(SIDES))
    warnings = []
    rows = table.numbers(1.0, warnings)
    found = {(r["bond_kind"], r["bond_distance"], r["bond_alignment"]): r for r in rows}
    assert rows[0]["bond_distance"] == 1.3
    assert len(rows) == len(found) == 6
    for key, row in found.items():
        whole = key[:2] == ("distance", 1.4)
        assert row["mean_length"]["value"] == (12 if whole else 1), key
        assert row["singles_fraction"]["value"] == (0 if whole else 1), key
    assert len(warnings) == 1
    assert "from 1 to 12" in warnings[0]


def test_rule_is_that_of_the_run_unless_asked_for():
    run = {"distance": 1.25, "alignment": 0.4, "kind": "energy", "energy_kt": -5.0}
    assert rule_of(run, 300.0).energy == EnergyRule(-5.0, 300.0)
    assert rule_of(run, 300.0, distance=1.4) == BondRule(1.4, 0.4)
    assert rule_of({}, 300.0) == BondRule(1.3, 0.5)
    assert rule_of(run | {"energy_kt": None}, 300.0).energy.limit_kt is None
    assert rule_of({}, 300.0, energy=-2.0).as_dict()["bond_energy_kt"] == -2.0
    assert rule_of({}, 300.0, energy="auto").as_dict()["bond_energy_kt"] == "auto"


@pytest.mark.parametrize("limit", [0.0, 3.0, math.nan, -1e9])
def test_a_limit_that_binds_everything_is_refused(limit):
    with pytest.raises(ValueError, match=r"bond energy must be from -10000 to -0\.1 kT"):
        EnergyRule(limit)
    with pytest.raises(ValueError, match="temperature must be a positive number"):
        EnergyRule(None, limit if limit <= 0 else -limit)
