"""Growth of two powers of time: found where they are, with errors that hold, and nowhere else."""

import math

import numpy as np
import pytest

from analysis.response.growth import growth, growth_stages
from analysis.response.growth_laws import crossover
from tests.benchmarks.coverage import autoregressive, coverage

TIMES = np.linspace(0.5, 200.0, 200)
EARLY, LATE, TURN = 0.7, 0.3, 12.0


def curve(early, late, *, width=0.0):
    """Return ln of a length that grows with one power and then with another."""
    away = np.log(TIMES / TURN)
    bent = np.maximum(away, 0.0) if width == 0 else width * np.logaddexp(0.0, away / width)
    return 1.0 + early * away + (late - early) * bent


def weights():
    """Return weights by which equal steps of ln t count alike."""
    steps = np.floor(8 * np.log10(TIMES / TIMES[0])).astype(int)
    return 1.0 / np.bincount(steps)[steps]


def found(law, noise, remembered, trials, seed):
    """Return what is found in noisy copies of a curve."""
    rows = noise * autoregressive(np.random.default_rng(seed), trials, len(TIMES), remembered)
    return [crossover(TIMES, np.exp(law + row), weights()) for row in rows]


@pytest.mark.parametrize(("remembered", "noise"), [(0.5, 0.02), (4.0, 0.02)])
def test_a_broken_law_is_found_with_errors_that_cover(remembered, noise):
    trials = 60
    seen = found(curve(EARLY, LATE), noise, remembered, trials, 3)
    assert sum(c.law == "broken" for c in seen) >= 0.9 * trials
    seen = [c for c in seen if c.law != "single"]
    for name, truth in (("early", EARLY), ("late", LATE), ("time", TURN)):
        short, long = coverage([getattr(c, name) for c in seen], truth)
        # 4 sigma of 60 trials, and 8 points that the place of a sharp kink is short of.
        assert short > 0.60 - 4 * math.sqrt(0.6 * 0.4 / trials)
        assert long > 0.87 - 4 * math.sqrt(0.87 * 0.13 / trials)


def test_a_smooth_crossover_is_told_from_a_sharp_one():
    seen = found(curve(EARLY, LATE, width=0.5), 0.005, 0.5, 20, 4)
    assert sum(c.law == "smooth" for c in seen) >= 18
    assert np.mean([c.time.value for c in seen]) == pytest.approx(TURN, rel=0.1)


@pytest.mark.parametrize("remembered", [0.5, 10.0])
def test_a_single_power_is_left_single(remembered):
    seen = found(curve(0.5, 0.5), 0.03, remembered, 100, 5)
    # A gain of 10 beside 2 ln n belongs to 4 sigma and more: under 1 in 100.
    assert sum(c.law != "single" for c in seen) <= 3


def test_few_remembering_frames_do_not_make_two_powers_of_one():
    # 60 frames even in ln t with a memory of 4: a fit follows a good part of such noise, so its
    # residuals forget too fast. Taken as they were, 6 of 60 came out as two powers.
    times = np.geomspace(0.5, 200.0, 60)
    rows = 0.02 * autoregressive(np.random.default_rng(5), 60, 60, 4.0)
    laws = [crossover(times, np.exp(0.5 * np.log(times) + row), np.ones(60)).law for row in rows]
    # 3 % wanted; 4 sigma of 60 trials would let 7 pass and prove nothing, so 2 sigma.
    assert sum(law != "single" for law in laws) <= 4


def test_two_stages_reach_the_entries():
    length = 2.0 * np.exp(curve(EARLY, LATE) - curve(EARLY, LATE)[0])
    small = 1e-3 * length
    grown = growth(TIMES, length, small, np.zeros(len(TIMES)), 1.0)
    entries = growth_stages(grown)
    assert entries["growth_law"] == "broken"
    assert entries["growth_early_exponent"]["value"] == pytest.approx(EARLY, abs=0.01)
    assert entries["growth_late_exponent"]["value"] == pytest.approx(LATE, abs=0.01)
    assert entries["growth_crossover_s"]["value"] == pytest.approx(TURN, rel=0.03)
    one = growth(TIMES, 3.0 * TIMES**0.5, small, np.zeros(len(TIMES)), 1.0)
    assert growth_stages(one) == {"growth_law": "single"}
    none = growth(TIMES[:3], length[:3], small[:3], np.zeros(3), 1.0)
    assert growth_stages(none) == {"growth_law": None}


def test_the_memory_of_residuals_is_that_of_the_whole_matrices():
    """M C M' written out, for each memory that is tried."""
    from analysis.uncertainty.least_squares import residual_memory

    rng = np.random.default_rng(8)
    n = 60
    slopes = np.stack([np.ones(n), np.linspace(0.0, 1.0, n)], axis=1)
    weights = rng.uniform(0.5, 1.5, n)
    noise = np.convolve(rng.normal(size=n + 20), 0.8 ** np.arange(21), mode="valid")
    rest = np.eye(n) - slopes @ np.linalg.solve(
        slopes.T @ (weights[:, None] * slopes), (weights[:, None] * slopes).T
    )
    left = rest @ noise
    tau, variance = residual_memory(slopes, left, weights)
    assert tau > 0.6
    seen = []
    for each in (tau, 1.2 * tau):
        keep = (2 * each - 1) / (2 * each + 1)
        spread = rest @ keep ** np.abs(np.subtract.outer(np.arange(n), np.arange(n))) @ rest.T
        seen.append(np.trace(spread, 1) / np.trace(spread))
        if each == tau:
            assert variance == pytest.approx(left @ left / np.trace(spread), rel=1e-12)
    # the last that forgets as fast as what was found: the next one is slower
    assert seen[0] <= left[1:] @ left[:-1] / (left @ left) < seen[1]
