"""Errors cover the truth at their stated rate; counts of independent samples are right."""

import math

import numpy as np
import pytest

from analysis.common.averages.memory import memory
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.common.averages.time_average import automatic_length, block_error
from analysis.uncertainty.estimate import FEWEST_SAMPLES, NOTHING, Estimate, estimate
from analysis.uncertainty.ratio import ratio
from analysis.uncertainty.replicas import combine_replicas, replica_interval
from tests.benchmarks.coverage import autoregressive, coverage, two_times, weak_tail


@pytest.mark.parametrize("tau", [0.5, 2.0, 8.0])
def test_memory_of_an_autoregressive_series(tau):
    # Sum of rho^k + 1/2 = (1 + rho)/(2(1 - rho)). Error of the estimator: about
    # tau sqrt(2 (2 M + 1)/n) with M = 5 tau (Sokal 1989, from memory); gate of 4 of them.
    count = 20000
    found = memory(autoregressive(np.random.default_rng(3), 1, count, tau)[0])
    wanted = tau * math.sqrt(2 * (10 * tau + 1) / count)
    assert abs(found.time - tau) < 4 * wanted
    assert found.error == pytest.approx(wanted, rel=0.5)


def assert_covered(estimates, truth, *, over=0.04):
    """Check both intervals against their rate: 4 sigma of the trials, and a little too wide."""
    short, long = coverage(estimates, truth)
    for rate, wanted in ((short, 0.6827), (long, 0.95)):
        scatter = 4 * math.sqrt(wanted * (1 - wanted) / len(estimates))
        assert wanted - 0.01 - scatter < rate < wanted + over + scatter


# Frames and exact integrated time: from 200 independent frames down to 10.
@pytest.mark.parametrize(
    ("count", "tau", "over"),
    [(50, 0.5, 0.06), (200, 0.5, 0.04), (100, 5.0, 0.04), (400, 8.0, 0.04)],
)
def test_intervals_cover_the_truth_at_their_rate(count, tau, over):
    rng = np.random.default_rng(11)
    series = autoregressive(rng, 600, count, tau)
    assert_covered([estimate(s) for s in series], 0.0, over=over)


@pytest.mark.parametrize(("fast", "slow"), [(1.0, 5.0), (1.0, 10.0)])
def test_intervals_cover_with_a_fast_and_a_slow_memory(fast, slow):
    series = two_times(np.random.default_rng(12), 600, 400, fast, slow)
    assert_covered([estimate(s) for s in series], 0.0)


def test_a_weak_slow_memory_is_felt_by_the_long_blocks():
    # 5 % of the variance remembers 10 frames, which the noise of 400 frames hides.
    rows = weak_tail(np.random.default_rng(17), 600, 400)
    assert_covered([estimate(row) for row in rows], 0.0)


def test_pieces_of_one_long_series_cover_its_mean():
    series = autoregressive(np.random.default_rng(13), 1, 60_000, 5.0)[0]
    pieces = series.reshape(-1, 150)
    assert_covered([estimate(piece) for piece in pieces], series.mean())


def test_a_run_too_short_still_carries_its_number():
    # 4 integrated times: 2 independent frames. Without Student's factor 95 % would be 69 %.
    series = autoregressive(np.random.default_rng(14), 400, 100, 25.0)
    found = [estimate(s) for s in series]
    assert np.median([e.samples for e in found]) < FEWEST_SAMPLES
    assert all(e.error > 0 for e in found)
    assert coverage(found, 0.0)[1] > 0.84


def test_blocks_give_the_exact_error_of_a_correlated_mean():
    # var of the mean of n frames: 2 tau/n of the variance 1 (closed form for long series).
    count, tau = 20_000, 4.0
    errors = []
    for series in autoregressive(np.random.default_rng(15), 40, count, tau):
        error, blocks = block_error(series, automatic_length(count, tau))
        assert blocks == count // 137  # (2 n (2 tau)^2)^(1/3) = 136.8
        errors.append(error)
    spread = np.std(errors, ddof=1) / math.sqrt(len(errors))
    # Blocks of L frames leave 1/L of the sum of correlations out: tau/L, 3 %.
    assert np.mean(errors) == pytest.approx(math.sqrt(2 * tau / count), abs=4 * spread, rel=0.03)
    assert math.isnan(block_error(np.ones(3), 2)[0])


def test_student_factors_are_those_of_the_tables():
    # Two-sided 95 % points of Student's law in every handbook: 12.706, 2.776, 1.960.
    for freedom, wanted in ((1, 12.706), (4, 2.776), (math.inf, 1.960)):
        assert student_factor(0.95, freedom) == pytest.approx(wanted, abs=5e-4)
    low, high = Estimate(1.0, 0.1 * student_factor(ONE_SIGMA, 4), 5, 4.0).interval()
    assert (low, high) == (pytest.approx(1 - 0.2776, abs=1e-4), pytest.approx(1.2776, abs=1e-4))
    assert NOTHING.interval() is None


def test_samples_are_frames_over_twice_the_time():
    found = estimate(autoregressive(np.random.default_rng(5), 1, 5000, 5.0)[0])
    assert 300 < found.samples < 800  # 500 expected


def test_frozen_frames_take_the_scatter_inside_a_frame():
    values = 7.0 + 1e-3 * np.random.default_rng(1).standard_normal(100)
    within = np.full(100, 0.5)
    assert estimate(values, within=within).error < 1e-3
    frozen = estimate(values, within=within, structures=1.0)
    assert frozen.error == pytest.approx(0.5, rel=1e-3)
    assert frozen.samples == 1
    assert estimate(values, within=within, structures=25.0).error == pytest.approx(0.1, rel=1e-3)


@pytest.mark.parametrize(
    ("count", "tau", "frozen", "structures"),
    [
        (12, 0.5, 0.0, 1.0),  # frames that are independent, though their bonds have one name
        (12, 0.5, 0.0, 6.0),
        (20, 0.5, 0.0, 10.0),
        (40, 0.5, 1.0, 1.0),  # frames that are one and the same structure
        (40, 0.5, 0.6, 1.0),
        (40, 10.0, 0.0, 2.0),  # frames that forget in a quarter of the run
        (100, 5.0, 0.0, 10.0),
    ],
)
def test_frames_from_independent_to_frozen_cover(count, tau, frozen, structures):
    # A frame deviates from the truth by 1; a share of that variance is common to all frames.
    rng = np.random.default_rng(21)
    common = math.sqrt(frozen) * rng.standard_normal(600)
    rows = common[:, None] + math.sqrt(1 - frozen) * autoregressive(rng, 600, count, tau)
    within = np.ones(count)
    found = [estimate(row, within=within, structures=structures) for row in rows]
    rates = coverage(found, 0.0)
    for rate, low, high in zip(rates, (0.60, 0.92), (0.76, 0.98), strict=True):
        assert low - 4 * math.sqrt(low * (1 - low) / 600) < rate
        assert rate < high + 4 * math.sqrt(high * (1 - high) / 600)


@pytest.mark.parametrize("count", [8, 12, 20])
def test_few_independent_frames_are_not_too_careful(count):
    rows = autoregressive(np.random.default_rng(22), 600, count, 0.5)
    short, _ = coverage([estimate(row) for row in rows], 0.0)
    assert short < 0.76


def test_few_and_missing_values():
    assert estimate([]) == NOTHING
    assert estimate([np.nan, np.nan]) == NOTHING
    assert estimate([2.0]) == Estimate(2.0, None, 1)
    assert estimate([2.0], within=[0.25]).error == pytest.approx(0.25)
    assert estimate([1.0, np.nan, 3.0]).value == pytest.approx(2.0)
    assert estimate(np.full(50, 4.0)) == Estimate(4.0, 0.0, 50)
    assert memory([]).time == memory([1.0]).time == 0.5


def test_ratio_error_against_many_draws():
    rng = np.random.default_rng(8)
    found, errors = [], []
    for _ in range(2000):
        size = rng.geometric(0.2, 400).astype(float)
        value, error = ratio(size**2, size)
        found.append(value)
        errors.append(error)
    # Linearised error of a skewed ratio: within 10 % of the scatter of 2000 draws.
    assert np.mean(errors) == pytest.approx(np.std(found), rel=0.1)
    assert math.isnan(ratio([], [])[0])
    assert math.isnan(ratio([1.0], [2.0])[1])


def test_replicas():
    entries = [Estimate(1.0, 0.1, 5), Estimate(2.0, 0.1, 5), Estimate(3.0, 0.1, 5), NOTHING]
    found = combine_replicas(entries)
    assert found.value == pytest.approx(2.0)
    # Scatter 1, three replicas; Student's one-sigma factor for 2 degrees of freedom is 1.3213.
    assert found.error == pytest.approx(1.3213 / math.sqrt(3), rel=1e-4)
    assert found.interval()[1] == pytest.approx(2.0 + 4.3027 / math.sqrt(3), rel=1e-4)
    assert found.samples == 3
    alike = combine_replicas([Estimate(2.0, 0.3, 1)] * 9)
    assert alike.error == pytest.approx(0.1)
    assert combine_replicas([]) == NOTHING
    assert combine_replicas([{"value": 1.0, "error": None, "samples": 1}]).error is None


@pytest.mark.parametrize("count", [4, 8, 16])
def test_intervals_over_replicas_cover(count):
    rows = np.random.default_rng(16).standard_normal((600, count))
    found = [combine_replicas([Estimate(v, None, 1) for v in row]) for row in rows]
    assert_covered(found, 0.0)
    ends = np.array([replica_interval(row, e) for row, e in zip(rows, found, strict=True)])
    rate = ((ends[:, 0] < 0) & (ends[:, 1] > 0)).mean()
    assert abs(rate - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 600) + 0.01


def test_bootstrap_leans_where_the_replicas_do():
    row = np.array([1.0, 1.1, 1.2, 1.0, 1.1, 1.3, 1.2, 4.0])
    mean = combine_replicas([Estimate(v, None, 1) for v in row])
    low, high = replica_interval(row, mean)
    assert high - mean.value > 1.5 * (mean.value - low)
    # Errors carried through keep the interval from being narrower than they allow.
    wide = combine_replicas([Estimate(v, 9.0, 1) for v in row])
    assert replica_interval(row, wide)[0] <= wide.interval()[0]
    assert replica_interval(row[:3], combine_replicas([])) is None
