"""Growth exponents, decay times, bond lives and drift of series whose answer is known."""

import math

import numpy as np
import pytest

from analysis.chains.structures import bond_survival, independent_structures
from analysis.response.decay import decay
from analysis.response.equilibration import drift_test
from analysis.response.growth import growth, switch_off
from tests.benchmarks.coverage import autoregressive, coverage


def grown(exponent, count=200, noise=0.0, seed=0):
    """Mean length t^exponent at even times up to 40 t0 with t0 = 1, and its pieces."""
    times = np.linspace(0, 40, count + 1)
    length = np.maximum(1.0, 2.5 * times**exponent)
    length = length * np.exp(noise * np.random.default_rng(seed).standard_normal(count + 1))
    return times, length, np.full(count + 1, noise) * length, np.zeros(count + 1)


@pytest.mark.parametrize("exponent", [0.35, 0.5, 0.75])
def test_exponent_of_a_power_law(exponent):
    found = growth(*grown(exponent), 1.0)
    assert found.exponent.value == pytest.approx(exponent, abs=0.01)
    assert found.reason is None
    assert found.from_s >= 0.4


def test_exponent_error_covers_the_truth():
    hits = 0
    for seed in range(100):
        found = growth(*grown(0.5, noise=0.05, seed=seed), 1.0).exponent
        hits += abs(found.value - 0.5) < 2 * found.error
    # At least the 95 % of two standard errors, less 4 sigma of 100 trials.
    assert hits >= 86


def test_growth_is_withheld_with_a_reason():
    times, length, error, spanning = grown(0.5)
    short = times < 3
    found = growth(times[short], length[short], error[short], spanning[short], 1.0)
    assert found.exponent.value is None
    assert "a decade beyond" in found.reason
    spanning = np.where(times > 2, 0.02, 0.0)
    assert growth(times, length, error, spanning, 1.0).exponent.value is None
    assert "not recorded" in growth(times, length, error, spanning, None).reason
    flat = np.ones_like(times)
    assert "no chains grow" in growth(times, flat, error, 0 * times, 1.0).reason
    assert "fewer than 4" in growth(times[:2], length[:2], error[:2], 0 * times[:2], 1.0).reason


@pytest.mark.parametrize(("tau", "stretch"), [(1.0, 1.0), (2.0, 0.6), (1.5, 1.4)])
def test_decay_of_a_stretched_exponential(tau, stretch):
    times = np.linspace(0, 12, 240)
    rng = np.random.default_rng(4)
    values = 0.8 * np.exp(-((times / tau) ** stretch)) + 0.004 * rng.standard_normal(240)
    found = decay(times, values, floor=0.0)
    # exp(-(t/tau)^beta) falls to 1/e at tau for every beta.
    assert abs(found.time.value - tau) < 4 * found.time.error
    assert abs(found.stretched_time.value - tau) < 4 * found.stretched_time.error
    assert abs(found.stretch.value - stretch) < 4 * found.stretch.error
    assert found.stretch.error < 0.1


@pytest.mark.parametrize(
    ("stretch", "noise", "remembered", "floor"),
    [(1.0, 0.02, 0.5, 0.0), (0.6, 0.02, 3.0, 0.0), (1.0, 0.02, 3.0, None), (1.0, 0.02, 8.0, 0.0)],
)
def test_decay_errors_cover_the_truth(stretch, noise, remembered, floor):
    # Noise of a known integrated time, in frames. A stretched exponential is 1/e at tau.
    times, trials = np.linspace(0, 8, 200), 150
    law = (0.0 if floor == 0.0 else 2.0) + 0.8 * np.exp(-(times**stretch))
    rows = noise * autoregressive(np.random.default_rng(5), trials, 200, remembered)
    found = [decay(times, law + row, floor) for row in rows]
    for name, truth in (("time", 1.0), ("stretched_time", 1.0), ("stretch", stretch)):
        short, long = coverage([getattr(one, name) for one in found], truth)
        # 4 sigma of the trials; a fit of three or four numbers to a remembering series may fall
        # short by 6 points.
        assert 0.62 - 4 * math.sqrt(0.62 * 0.38 / trials) < short < 0.90
        assert long > 0.89 - 4 * math.sqrt(0.89 * 0.11 / trials)


def test_decay_to_an_unknown_floor():
    times = np.linspace(0, 10, 200)
    found = decay(times, 2.0 + 5.0 * np.exp(-times / 0.8))
    assert found.time.value == pytest.approx(0.8, rel=0.03)


def test_decay_is_withheld_with_a_reason():
    times = np.linspace(0, 1, 100)
    rng = np.random.default_rng(1)
    assert "within its noise" in decay(times, rng.standard_normal(100)).reason
    assert "not come to rest" in decay(times, 5 - 3 * times).reason
    assert "not fallen to 1/e" in decay(times, 1 - 0.1 * times, floor=0.0).reason
    assert "fewer than 6" in decay(times[:4], times[:4]).reason
    assert decay(times, np.ones(100)).time.value is None


def test_switch_off_is_the_last_frame_with_a_field():
    field = np.zeros((10, 3))
    assert switch_off(field) is None
    field[2:6, 1] = 0.03
    assert switch_off(field) == 5
    field[9, 1] = 0.03
    assert switch_off(field) is None


@pytest.mark.parametrize("life", [3.0, 30.0])
def test_bonds_that_break_at_a_known_rate(life):
    rng = np.random.default_rng(12)
    times = np.arange(0, 60.0)
    partner = np.arange(2000) + 2000
    bonds = []
    fresh = 4000
    for _ in times:
        bonds.append(np.column_stack([np.arange(2000), partner]))
        broken = rng.random(2000) < 1 - math.exp(-1 / life)
        partner = np.where(broken, fresh + np.arange(2000), partner)
        fresh += 2000
    found = bond_survival(bonds, times, 1_000_000)
    assert found == pytest.approx(life, rel=0.1)
    assert independent_structures(found, 60.0) == pytest.approx(60 / (2 * life), rel=0.1)


def test_bonds_that_never_break_or_never_were():
    bonds = [np.array([[0, 1], [2, 3]])] * 5
    assert bond_survival(bonds, np.arange(5.0), 10) == math.inf
    assert independent_structures(math.inf, 4.0) == 1.0
    assert bond_survival([np.zeros((0, 2), int)] * 5, np.arange(5.0), 10) is None
    assert bond_survival(bonds[:1], np.arange(1.0), 10) is None
    assert independent_structures(None, 1.0) is None


def test_drift_is_found_and_noise_is_not():
    rng = np.random.default_rng(3)
    ramp = 5 + np.linspace(0, 1, 40) + 0.05 * rng.standard_normal(40)
    assert not drift_test("length", ramp)["passed"]
    passed = [drift_test("x", 5 + rng.standard_normal(60))["passed"] for _ in range(200)]
    assert np.mean(passed) > 0.9
    assert drift_test("x", np.ones(7)) is None
    assert drift_test("x", np.full(20, 3.0))["passed"]
    # A change of less than 1 % is at rest, however sharp.
    assert drift_test("x", 5 + np.linspace(0, 0.05, 40))["passed"]


def test_bonds_of_the_last_frame_alone_tell_no_life():
    none = np.zeros((0, 2), np.int64)
    assert bond_survival([none, none, np.array([[0, 1]])], np.arange(3.0), 4) is None
