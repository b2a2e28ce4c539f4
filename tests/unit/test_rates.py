"""Rate equations of chain lengths: conserved, balanced, closed where they can be, as sampled."""

import math

import numpy as np
import pytest

from analysis.response.rest.rates import (
    DRIFT,
    ChainRates,
    Meetings,
    class_lengths,
    closed_mean_length,
    placed,
    rest_length,
)
from tests.reference.living_chains import lengths_in_time

TIMES = np.concatenate([[0.0], np.geomspace(0.05, 400.0, 25)])
FALLS = (0.0, 0.5, 1.0)


def constant_of(length):
    return length * (length - 1.0)


@pytest.mark.parametrize("fall", FALLS)
def test_particles_are_conserved_and_the_number_of_chains_is_shared_out(fall):
    rates = ChainRates.of(20.0, fall)
    found = rates.densities(constant_of(20.0), TIMES)
    # To the rounding of sums over classes; the solver keeps what the equations keep.
    assert rates.lengths @ found == pytest.approx(np.ones(len(TIMES)), abs=1e-10)
    # One pair that joins is one chain less, one bond that breaks one more.
    lost = rates.joining[:, 3, 4].sum() / (0.5 * (4.0**-fall + 5.0**-fall))
    assert lost == pytest.approx(-1.0)
    bonds = rates.lengths - 1.0
    if fall == 0.0:
        assert rates.breaking.sum(axis=0) == pytest.approx(bonds)


def test_what_outgrows_the_grid_keeps_its_particles():
    lengths = class_lengths(30.0)
    chains = np.array([1, 7, 13, 29, 31, 500])
    assert placed(lengths, chains) @ lengths == pytest.approx(chains)
    assert placed(lengths, chains[:4]).sum(axis=1) == pytest.approx(np.ones(4))
    rates = ChainRates.of(2.0, 1.0)
    assert 12.0 * 2.0 <= rates.lengths[-1] < 60
    found = rates.densities(constant_of(40.0), TIMES)  # far beyond what the grid has room for
    assert rates.lengths @ found == pytest.approx(np.ones(len(TIMES)), abs=1e-10)


@pytest.mark.parametrize("length", [1.02, 3.0, 40.0])
@pytest.mark.parametrize("first", [None, [2, 7, 7, 30]])
def test_closed_solution_of_rates_that_do_not_fall(length, first):
    # Blatz and Tobolsky (1945), van Dongen and Ernst (1984): the number of chains is closed.
    rates = ChainRates.of(40.0)
    chains = None if first is None else np.array(first)
    start = 1.0 if first is None else chains.mean()
    shares = rates.shares(chains)
    found = rates.mean_length(constant_of(length), TIMES, shares)
    wanted = closed_mean_length(TIMES, constant_of(length), start)
    assert found == pytest.approx(wanted, rel=1e-4)
    assert wanted[-1] == pytest.approx(length, rel=1e-3)


def test_limits_of_the_closed_solution():
    # Without breaking: 1 + a t (Smoluchowski 1917). Its slope is that of the equation.
    assert closed_mean_length(TIMES, 1e12) == pytest.approx(1.0 + TIMES, rel=1e-6)
    chains = 1.0 / closed_mean_length(np.array([0.5, 0.5 + 1e-6]), 6.0, 5.0)
    slope = (chains[1] - chains[0]) / 1e-6
    assert slope == pytest.approx(-(chains[0] ** 2) + (1.0 - chains[0]) / 6.0, rel=1e-4)
    assert rest_length(6.0) == pytest.approx(3.0)


def test_geometric_lengths_stay_geometric():
    # Van Dongen and Ernst (1984): n_s = n^2 (1 - n)^(s - 1) at all times.
    rates = ChainRates.of(1.5)
    found = rates.densities(constant_of(1.5), TIMES[:15])
    for chains, total in zip(found.T, found.sum(axis=0), strict=True):
        law = total**2 * (1.0 - total) ** (rates.lengths[:6] - 1.0)
        assert chains[:6] == pytest.approx(law, abs=2e-5)


@pytest.mark.parametrize("fall", FALLS)
def test_every_pair_of_lengths_balances_at_rest(fall):
    constant = constant_of(1.6)
    rates = ChainRates.of(1.6, fall)
    rest = rates.densities(constant, np.array([0.0, 1e3]))[:, -1]
    for i in range(1, 4):
        for j in range(1, 4):
            pair = constant * rest[i - 1] * rest[j - 1]
            assert rest[i + j - 1] == pytest.approx(pair, rel=2e-3)


@pytest.mark.parametrize("fall", FALLS)
@pytest.mark.parametrize("length", [3.0, 30.0])
def test_grouped_lengths_come_to_the_right_rest(length, fall):
    rates = ChainRates.of(length, fall)
    end = 20.0 * length ** (1.0 + fall)
    found = rates.mean_length(constant_of(length), np.array([0.0, end]))[-1]
    assert found == pytest.approx(length, rel=0.01)  # classes are a fifth wide


@pytest.mark.parametrize(("fall", "first"), [(0.0, None), (1.0, None), (1.0, [25] * 12)])
def test_equations_are_the_mean_of_single_events(fall, first):
    particles, constant, times = 300, constant_of(4.0), np.array([0.5, 2.0, 8.0, 40.0])
    chains = None if first is None else np.array(first)
    runs = [
        lengths_in_time(particles, 1.0, constant, fall, times, seed, first)[0] for seed in range(24)
    ]
    found = 1.0 / np.array(runs)  # chains to a particle, whose mean the equations give
    rates = ChainRates.of(25.0, fall)
    shares = rates.shares(chains)
    wanted = 1.0 / rates.mean_length(constant, np.concatenate([[0.0], times]), shares)[1:]
    error = found.std(axis=0, ddof=1) / math.sqrt(len(runs))
    # 1/N: pairs of a chain with itself do not join. Half a per cent: classes.
    allowed = 4.0 * error + wanted * (1.0 / particles + 0.005)
    assert np.all(np.abs(found.mean(axis=0) - wanted) < allowed)


def test_meetings_have_smoluchowskis_excess():
    unit, fraction, pace = 2.0, 0.03, np.array(1.1)
    meetings = Meetings(unit, fraction)
    times = np.geomspace(1e-3, 1e4, 40)
    assert meetings.times(meetings.by(times, pace), pace) == pytest.approx(times, rel=1e-6)
    step = 1e-5 * times
    slope = (meetings.by(times + step, pace) - meetings.by(times - step, pace)) / (2.0 * step)
    assert meetings.rate(times, pace) == pytest.approx(slope, rel=1e-5)
    # a = 24 phi (R/d) D/d^2, and the rate is a [1 + R/sqrt(2 pi D t)] long after the drift.
    capture = float(pace) * unit / (24.0 * fraction)  # in d
    late = np.array(1e3 * DRIFT * unit)
    wanted = float(pace) * (1.0 + capture / math.sqrt(2.0 * math.pi * float(late) / unit))
    assert float(meetings.rate(late, pace)) == pytest.approx(wanted, rel=1e-3)
    assert float(Meetings(1.0, math.inf).by(np.array(3.0), pace)) == pytest.approx(3.3)
