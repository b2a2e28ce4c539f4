"""Errors cover the truth at their stated rate; counts of independent samples are right."""

import math

import numpy as np
import pytest

from analysis.uncertainty import (
    NOTHING,
    Estimate,
    combine_measures,
    combine_replicas,
    estimate,
    integrated_time,
    ratio,
)


def correlated(rng, count, tau):
    """First-order autoregressive series of mean 0, variance 1; tau is its exact integrated time."""
    keep = (2 * tau - 1) / (2 * tau + 1)
    kicks = rng.standard_normal(count)
    out = np.empty(count)
    out[0] = kicks[0]
    for k in range(1, count):
        out[k] = keep * out[k - 1] + math.sqrt(1 - keep**2) * kicks[k]
    return out


@pytest.mark.parametrize("tau", [0.5, 2.0, 8.0])
def test_integrated_time_of_an_autoregressive_series(tau):
    # Sum of rho^k + 1/2 = (1 + rho)/(2(1 - rho)). Error of the estimator: about
    # tau sqrt(2 (2 M + 1)/n) with M = 5 tau (Sokal 1989, from memory); gate of 4 of them.
    count = 20000
    found = integrated_time(correlated(np.random.default_rng(3), count, tau))
    assert abs(found - tau) < 4 * tau * math.sqrt(2 * (10 * tau + 1) / count)


@pytest.mark.parametrize(("count", "tau"), [(50, 0.5), (100, 3.0), (400, 8.0)])
def test_intervals_cover_the_truth_at_their_rate(count, tau):
    rng = np.random.default_rng(11)
    trials = 600
    one = two = 0
    for _ in range(trials):
        found = estimate(correlated(rng, count, tau))
        one += abs(found.value) < found.error
        two += abs(found.value) < 1.96 * found.error
    # Binomial scatter of the rate, 4 sigma; short series may undercover by up to 6 points.
    for rate, wanted in ((one / trials, 0.683), (two / trials, 0.95)):
        scatter = 4 * math.sqrt(wanted * (1 - wanted) / trials)
        assert wanted - 0.06 - scatter < rate < wanted + 0.04 + scatter


def test_samples_are_frames_over_twice_the_time():
    found = estimate(correlated(np.random.default_rng(5), 5000, 5.0))
    assert 300 < found.samples < 800  # 500 expected


def test_frozen_frames_take_the_scatter_inside_a_frame():
    values = 7.0 + 1e-3 * np.random.default_rng(1).standard_normal(100)
    within = np.full(100, 0.5)
    assert estimate(values, within=within).error < 1e-3
    frozen = estimate(values, within=within, structures=1.0)
    assert frozen.error == pytest.approx(0.5)
    assert frozen.samples == 1
    assert estimate(values, within=within, structures=25.0).error == pytest.approx(0.1)


def test_few_and_missing_values():
    assert estimate([]) == NOTHING
    assert estimate([np.nan, np.nan]) == NOTHING
    assert estimate([2.0]) == Estimate(2.0, None, 1)
    assert estimate([2.0], within=[0.25]).error == pytest.approx(0.25)
    assert estimate([1.0, np.nan, 3.0]).value == pytest.approx(2.0)
    assert estimate(np.full(50, 4.0)) == Estimate(4.0, 0.0, 50)
    assert integrated_time([]) == integrated_time([1.0]) == 0.5


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
    assert found.error == pytest.approx(1 / math.sqrt(3))  # scatter 1, three replicas
    assert found.samples == 3
    alike = combine_replicas([Estimate(2.0, 0.3, 1)] * 9)
    assert alike.error == pytest.approx(0.1)
    assert combine_replicas([]) == NOTHING
    assert combine_replicas([{"value": 1.0, "error": None, "samples": 1}]).error is None


def test_replicas_of_whole_measures():
    one = {"chains": {"mean_length": {"value": 2.0, "error": 0.1, "samples": 3}, "text": "x"}}
    two = {"chains": {"mean_length": {"value": 4.0, "error": 0.1, "samples": 3}}}
    found = combine_measures([one, two])
    assert found["chains"]["mean_length"]["value"] == pytest.approx(3.0)
    assert list(found["chains"]) == ["mean_length"]
