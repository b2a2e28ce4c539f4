"""Lives of bonds and the exchange of particles, against laws that were put in."""

import math

import numpy as np
import pytest

from analysis.bond_lives import bond_life, exchange_rate, life_numbers, spells, survival
from tests.reference.planted_order import breaking_bonds

LIFE = 3e-5


@pytest.mark.parametrize("interval", [0.1, 0.5, 2.0])
@pytest.mark.parametrize("span", [1.0, 6.0])
def test_life_of_bonds_that_break_at_random(interval, span):
    # The frame interval and the end of the run leave no bias: the exponential law is memoryless.
    times = np.arange(0, max(span, 3 * interval) + 1e-9, interval) * LIFE
    bonds, count = breaking_bonds(np.random.default_rng(5), 2000, LIFE, times)
    found = bond_life(bonds, times, count)
    assert abs(found.value - LIFE) < 4 * found.error
    assert found.error < 0.1 * LIFE


def test_error_of_the_life_covers_the_truth():
    times = np.linspace(0, 4, 9) * LIFE
    deviations = []
    for seed in range(60):
        bonds, count = breaking_bonds(np.random.default_rng(seed), 100, LIFE, times)
        found = bond_life(bonds, times, count)
        deviations.append((found.value - LIFE) / found.error)
    # 60 fair deviations: root mean square 1 with an error of 0.09.
    assert abs(math.sqrt(np.mean(np.square(deviations))) - 1) < 4 * 0.09
    assert abs(np.mean(deviations)) < 4 / math.sqrt(60)


def test_uneven_frames_change_nothing():
    rng = np.random.default_rng(2)
    times = np.sort(rng.random(25)) * 5 * LIFE
    bonds, count = breaking_bonds(rng, 1500, LIFE, times)
    found = bond_life(bonds, times, count)
    assert abs(found.value - LIFE) < 4 * found.error


@pytest.mark.parametrize("span", [1.5, 6.0])
def test_survival_is_the_exponential_law_whatever_is_cut_off(span):
    # Kaplan, Meier 1958: most bonds outlive the short run and still leave no bias.
    times = np.arange(0, span + 1e-9, 0.25) * LIFE
    bonds, count = breaking_bonds(np.random.default_rng(8), 3000, LIFE, times)
    law = survival(*spells(bonds, times, count))
    assert law.start == "birth"
    assert (np.abs(law.share - np.exp(-law.time_s / LIFE)) < 4 * law.error).all()
    if span > 2:
        # On a grid of frames the median is the first frame time beyond it.
        assert math.log(2) * LIFE <= law.median_s <= (math.log(2) + 0.3) * LIFE


def test_survival_against_a_plain_count():
    # Six bonds by hand: breaks after 1, 1, 2; ends at 2, 3, 3 (Kaplan-Meier by hand).
    length = np.array([1.0, 1.0, 2.0, 2.0, 3.0, 3.0])
    broke = np.array([True, True, True, False, False, False])
    law = survival(length, broke, np.zeros(6, bool))
    assert law.start == "first frame"
    assert law.time_s.tolist() == [1.0, 2.0]
    assert law.share == pytest.approx([4 / 6, 4 / 6 * 3 / 4])
    greenwood = np.sqrt([2 / (6 * 4), 2 / (6 * 4) + 1 / (4 * 3)])
    assert law.error == pytest.approx(law.share * greenwood)
    assert law.median_s == 2.0


def test_spells_are_those_of_a_plain_walk_through_the_frames():
    rng = np.random.default_rng(11)
    times = np.cumsum(rng.random(12))
    present = rng.random((12, 40)) < 0.6
    bonds = [np.stack([2 * np.flatnonzero(p), 2 * np.flatnonzero(p) + 1], axis=1) for p in present]
    expected = []
    for column in present.T:
        first = None
        for frame, there in enumerate([*column, False]):
            if there and first is None:
                first = frame
            if not there and first is not None:
                ended = frame < 12
                expected.append((times[min(frame, 11)] - times[first], ended, first > 0))
                first = None
    found = sorted(zip(*(x.tolist() for x in spells(bonds, times, 80)), strict=True))
    assert len(found) == len(expected)
    for one, other in zip(found, sorted(expected), strict=True):
        assert one == pytest.approx(other, abs=1e-7)


def test_exchange_counts_particles_with_wholly_new_companions():
    # Two chains of four; then one particle changes sides, and a single joins.
    before = np.array([0, 0, 0, 0, 1, 1, 1, 1, 2])
    after = np.array([0, 0, 0, 1, 1, 1, 1, 1, 0])
    times = np.array([0.0, 2.0])
    # Particle 3 of the eight chained ones is exchanged; the single had no companions to leave.
    assert exchange_rate([before, after], times).value == pytest.approx(1 / 8 / 2)
    # A chain that splits exchanges nobody, as long as somebody stays together.
    split = np.array([0, 0, 3, 3, 1, 1, 1, 1, 2])
    assert exchange_rate([before, split], times).value == 0
    assert exchange_rate([before], times[:1]).value is None


def test_exchange_at_a_known_rate():
    # Everybody leaves for a random one of many chains at the rate r: share 1 - exp(-r dt) moved,
    # less the chance of about 1/1000 to meet a companion again.
    rng = np.random.default_rng(3)
    rate, times = 0.2, np.linspace(0, 40, 41)
    group = rng.integers(0, 300, 3000)
    groups = [group]
    for _ in times[1:]:
        moves = rng.random(3000) < 1 - math.exp(-rate)
        group = np.where(moves, rng.integers(0, 300, 3000), group)
        groups.append(group)
    found = exchange_rate(groups, times)
    stays_alone = (1 - math.exp(-rate)) ** 9  # all nine companions leave one who stays
    assert abs(found.value - (1 - math.exp(-rate))) < 4 * found.error + 0.012 + stays_alone


def test_frozen_bonds_and_single_frames_say_why():
    bonds = [np.array([[0, 1], [1, 2]])] * 5
    groups = [np.array([0, 0, 0, 1])] * 5
    warnings = []
    numbers, curve = life_numbers(bonds, groups, np.arange(5.0), warnings)
    assert numbers["bond_life_s"]["value"] is None
    assert numbers["exchange_rate_per_s"]["value"] == 0
    assert len(curve["time_s"]) == 0
    assert len(warnings) == 1
    assert "fewer than 5 bonds broke" in warnings[0]
    assert life_numbers(bonds[:1], groups[:1], np.zeros(1), [])[0]["bond_life_s"]["value"] is None


def test_frames_too_far_apart_are_warned_about():
    times = np.arange(4) * 2.0 * LIFE
    bonds, count = breaking_bonds(np.random.default_rng(1), 500, LIFE, times)
    warnings = []
    life_numbers(bonds, [np.arange(count)] * 4, times, warnings)
    assert any("formed again between two frames" in w for w in warnings)
