"""Lives of bonds and the exchange of particles, against laws that were put in."""

import math

import numpy as np
import pytest

from analysis.chains.lives import (
    exchange_rate,
    life_numbers,
    rejoining_life,
    sharp,
    spells,
    survival,
)
from analysis.chains.rejoining import Gaps
from analysis.chains.standing_bonds import standing
from tests.benchmarks.coverage import coverage
from tests.reference.planted_order import breaking_bonds
from tests.reference.planted_times import flickering_bonds, rejoining_bonds

LIFE = 3e-5


def bond_life(bonds, times, count):
    """Return the life as it is told: nothing where it is not known well."""
    return sharp(rejoining_life(bonds, times, count))


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
        # Between two frames the curve is an exponential, so the grid leaves no bias.
        assert abs(law.median_s - math.log(2) * LIFE) < 4 * law.median_error_s
        assert law.median_error_s < 0.05 * LIFE


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
    # exp(-r t) from 4/6 at 1 to 1/2 at 2.
    assert law.median_s == pytest.approx(2.0)


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
    assert len(warnings) == 2
    assert "fewer than 5 bonds broke" in warnings[0]
    assert "bond_life_standing_s: too few" in warnings[1]
    assert life_numbers(bonds[:1], groups[:1], np.zeros(1), [])[0]["bond_life_s"]["value"] is None


def test_frames_too_far_apart_are_warned_about():
    times = np.arange(4) * 2.0 * LIFE
    bonds, count = breaking_bonds(np.random.default_rng(1), 500, LIFE, times)
    warnings = []
    life_numbers(bonds, [np.arange(count)] * 4, times, warnings)
    assert any("formed again between two frames" in w for w in warnings)


def assert_covered(estimates, truth):
    """Check both intervals against 60 to 76 % and 92 to 98 %, within 4 sigma of the trials."""
    rates = coverage(estimates, truth)
    for rate, low, high in zip(rates, (0.60, 0.92), (0.76, 0.98), strict=True):
        sigma = [math.sqrt(p * (1 - p) / len(estimates)) for p in (low, high)]
        assert low - 4 * sigma[0] < rate < high + 4 * sigma[1]


@pytest.mark.parametrize("ratio", [0.3, 3.0])
def test_pairs_that_rejoin_do_not_lengthen_the_life(ratio):
    # Telegraph: exact chances of two states (Colquhoun, Hawkes 1981), frames at 0.3 of a life.
    times = 0.3 * LIFE * np.arange(30)
    found = []
    for seed in range(20):
        bonds, count = rejoining_bonds(np.random.default_rng(seed), 150, LIFE, ratio, times)
        found.append(bond_life(bonds, times, count))
    mean = np.mean([f.value for f in found])
    assert abs(mean - LIFE) < 4 * np.std([f.value for f in found]) / math.sqrt(20) + 0.02 * LIFE
    assert_covered(found, LIFE)


def test_a_life_that_frames_cannot_tell_is_withheld_or_right():
    # Rejoining ten times as fast as parting, frames at 0.3 of a life: counted plainly, 3.3 lives.
    times = 0.3 * LIFE * np.arange(12)
    told = 0
    for seed in range(12):
        bonds, count = rejoining_bonds(np.random.default_rng(seed), 40, LIFE, 10.0, times)
        found = bond_life(bonds, times, count)
        told += found.value is not None
        assert found.value is None or abs(found.value - LIFE) < 4 * found.error
        if found.value is None:
            warnings = []
            numbers, _ = life_numbers(bonds, [np.arange(count)] * len(bonds), times, warnings)
            assert numbers["bond_life_median_s"] is None
            assert any("too far apart to tell" in w for w in warnings)
    assert told < 12


def test_every_second_frame_shows_bonds_of_two_kinds():
    # Half of the pairs part slowly and rejoin slowly, half flicker within a frame.
    rng = np.random.default_rng(4)
    times = 0.5 * LIFE * np.arange(60)
    slow, count = rejoining_bonds(rng, 300, 10 * LIFE, 0.3, times)
    fast, _ = rejoining_bonds(rng, 300, 0.5 * LIFE, 1.0, times)
    bonds = [np.concatenate([a, b + count]) for a, b in zip(slow, fast, strict=True)]
    warnings = []
    numbers, _ = life_numbers(bonds, [np.arange(2 * count)] * len(bonds), times, warnings)
    assert numbers["bond_life_s"]["value"] is None
    assert any("every second frame gives" in w for w in warnings)


@pytest.mark.parametrize("span", [2.0, 6.0])
def test_standing_bonds_outlive_those_that_are_born_to_flicker(span):
    # Strong bonds of mean life L, and one in twenty-one of a frame that is gone in the next: the
    # share of the standing that stand again is 20/21 exp(-t/L).
    times = np.linspace(0, span, 41) * LIFE
    found = []
    for seed in range(24):
        bonds, count = flickering_bonds(np.random.default_rng(seed), 400, LIFE, times)
        seen = standing(bonds, times, count)
        share = 400 / 420  # twenty of all that stand flicker, and are gone by the next frame
        assert seen.share[-1] == pytest.approx(
            share * math.exp(-seen.time_s[-1] / LIFE), abs=4 * seen.error[-1]
        )
        found.append(seen.life.value)
        assert abs(seen.life.value - LIFE) < 4 * seen.life.error + 0.12 * LIFE
    born = bond_life(bonds, times, count)
    assert born.value < 0.8 * LIFE < np.mean(found)


def test_error_of_the_standing_life_covers_the_truth():
    times = np.linspace(0, 4, 17) * LIFE
    found = []
    for seed in range(60):
        bonds, count = breaking_bonds(np.random.default_rng(seed), 200, LIFE, times)
        found.append(standing(bonds, times, count).life)
    assert_covered(found, LIFE)


def telegraph(seed, draws, ratio, step, frames=100, pairs=200):
    """Return the lives, by way of measures.json, of drawn telegraphs with frames in lives."""
    rng = np.random.default_rng(seed)
    times = step * LIFE * np.arange(frames)
    drawn = (rejoining_bonds(rng, pairs, LIFE, ratio, times) for _ in range(draws))
    return [bond_life(bonds, times, count) for bonds, count in drawn]


def test_frames_that_remember_nothing_tell_no_life():
    # exp(-11) of a pair's state is left at the next frame: any fast pair of rates fits. By the
    # likelihood alone a third of these showed a life, twice too long.
    assert sum(one.value is not None for one in telegraph(71, 24, 10.0, 1.0)) <= 1


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [0.3, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("step", [0.1, 0.3, 1.0])
def test_lives_of_telegraphs_hold_or_are_withheld(ratio, step):
    draws = 80
    shown = [one for one in telegraph(72, draws, ratio, step) if one.value is not None]
    if len(shown) < 0.25 * draws:
        # What remembers hardly anything is rarely shown, and then by a lucky draw.
        assert (1 + ratio) * step > 3.0
        return
    for rate, low, high in zip(coverage(shown, LIFE), (0.60, 0.92), (0.76, 0.98), strict=True):
        assert low - 4 * math.sqrt(low * (1 - low) / len(shown)) < rate
        assert rate < high + 4 * math.sqrt(high * (1 - high) / len(shown))


def test_even_frames_have_the_likelihood_of_any_frames():
    times = 0.3 * LIFE * np.arange(40)
    bonds, count = rejoining_bonds(np.random.default_rng(73), 60, LIFE, 3.0, times)
    even = Gaps.of(bonds, times, count)
    nothing = np.zeros_like(even.seen)
    twice = Gaps(
        np.repeat(even.steps, 2, axis=0),
        np.concatenate([even.seen, nothing]),
        np.concatenate([even.lost, nothing]),
    )
    for rates in ((1.0, 2.0, 0.1), (0.3, 8.0, 0.0), (1.0, 0.0, 0.0)):
        scaled = [rate / LIFE for rate in rates]
        assert even.log_likelihood(*scaled) == pytest.approx(twice.log_likelihood(*scaled))
