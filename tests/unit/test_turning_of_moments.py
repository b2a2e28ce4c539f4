"""Moments in runs shorter than they turn: times, independent structures, and how errors hold."""

import json
import math
from types import SimpleNamespace

import h5py
import numpy as np
import pytest
from scipy.integrate import dblquad

import analysis
from analysis.chains.groups import find_chains
from analysis.chains.magnetisation import relative_magnetisation
from analysis.chains.turning import (
    MAGNETISATION,
    MOMENT_ORDER,
    independent,
    moment_structures,
    turning_time,
)
from analysis.common.averages.student import ONE_SIGMA
from analysis.common.laws import langevin
from analysis.uncertainty.estimate import estimate
from tests.reference.planted import DIAMETER, MOMENT, TEMPERATURE, planted_run
from tests.reference.planted_times import turning_moments

BOLTZMANN = 1.380649e-23
DERIVED = {"brown_time_s": 2.0, "median_diameter_m": DIAMETER, "temperature_k": TEMPERATURE}


def film(count=40, **changes):
    run = {
        "times": np.arange(20.0), "diameters": np.full(count, DIAMETER), "is_sampled": False,
        "moment_magnitudes": np.full(count, MOMENT), "has_moments": True, "derived": DERIVED,
    }  # fmt: skip
    return SimpleNamespace(**(run | changes))


@pytest.mark.parametrize("x", [1e-4, 0.1, 1.0, 7.0])
def test_independent_values_of_an_exponential_memory(x):
    """The variance of a mean is the mean of the autocorrelation over all pairs of times."""
    variance, _ = dblquad(lambda s, t: math.exp(-x * (t - s)), 0, 1, 0, lambda t: t)
    assert independent(x, 1.0) == pytest.approx(1 / (2 * variance), rel=1e-6)


def test_particles_turn_in_browns_time_faster_in_a_field_and_slower_where_they_are_large():
    run = film()
    assert turning_time(run, MAGNETISATION, 0.0) == pytest.approx(2.0, rel=1e-6)
    assert turning_time(run, MOMENT_ORDER, 0.0) == pytest.approx(2.0 / 3.0, rel=1e-6)
    xi, step = 2.5, 1e-5
    pace = np.diff(np.log(langevin(xi * np.exp(np.array([-step, step])))))[0] / (2 * step)
    field = xi * BOLTZMANN * TEMPERATURE / MOMENT
    assert turning_time(run, MAGNETISATION, field) == pytest.approx(2.0 * pace, rel=1e-6)
    large = film(diameters=np.full(40, 2 * DIAMETER))
    assert turning_time(large, MAGNETISATION, 0.0) == pytest.approx(16.0, rel=1e-6)


@pytest.mark.parametrize(
    "changes",
    [
        {"is_sampled": True},
        {"derived": DERIVED | {"core_moment_am2": 1e-19}},
        {"derived": {}},
        {"moment_magnitudes": None, "has_moments": False},
    ],
)
def test_without_turning_particles_nothing_is_known(changes):
    assert moment_structures(film(**changes), MAGNETISATION, np.arange(20), 0.03) is None


def coverage(xi, span, name, known):
    """Return the shares of 150 films of equal free moments whose intervals hold the closed form."""
    rng = np.random.default_rng(31)
    times = np.linspace(0.0, span, 20)
    moved = turning_moments(rng, 150, np.full(40, xi), np.full(40, 2.0), times)[..., 2]
    truth = langevin(xi)
    if name == MOMENT_ORDER:
        moved = 1.5 * moved**2 - 0.5
        truth = 1 - 3 * langevin(xi) / xi if xi else 0.0
    field = xi * BOLTZMANN * TEMPERATURE / MOMENT
    structures = moment_structures(film(times=times), name, np.arange(20), field)
    found = [
        estimate(
            rows.mean(axis=1),
            within=rows.std(axis=1, ddof=1) / math.sqrt(40),
            structures=structures if known else None,
        )
        for rows in moved
    ]
    ends = [[one.interval(level) for one in found] for level in (ONE_SIGMA, 0.95)]
    return [np.mean([low < truth < high for low, high in rows]) for rows in ends]


@pytest.mark.parametrize("name", [MAGNETISATION, MOMENT_ORDER])
@pytest.mark.parametrize("xi", [0.0, 3.0])
@pytest.mark.parametrize("span", [0.2, 2.0])
def test_errors_hold_in_runs_of_a_tenth_of_a_turn_and_of_one(xi, span, name):
    """Four standard errors of a share of 150 films are 15 and 7 of 100."""
    one, two = coverage(xi, span, name, known=True)
    assert 0.53 < one < 0.83
    assert two > 0.88


@pytest.mark.parametrize("name", [MAGNETISATION, MOMENT_ORDER])
@pytest.mark.parametrize("xi", [0.0, 3.0])
def test_after_five_turns_the_series_tells_nearly_all(xi, name):
    """Twenty frames hold their memory roughly; knowing it must not spoil what they tell."""
    alone, known = (coverage(xi, 10.0, name, known) for known in (False, True))
    for before, now in zip(alone, known, strict=True):
        assert before <= now < before + 0.15


@pytest.mark.parametrize("xi", [0.0, 3.0])
def test_the_series_alone_does_not_know_its_memory(xi):
    """Why it must be known: the 68 % interval of a tenth of a turn holds the truth in 1 of 4."""
    one, two = coverage(xi, 0.2, MAGNETISATION, known=False)
    assert one < 0.4
    assert two < 0.8


def test_moments_that_stay_have_the_error_of_one_frame_of_chains(tmp_path):
    """A run of an eighth of the time in which moments turn along their field, measured whole."""
    path = planted_run(tmp_path, duration=1e-7, plateau=3.0, frames=20)
    with h5py.File(path, "r+") as file:
        brown = json.loads(file["/parameters"].attrs["derived"])["brown_time_s"]
        for name in ("position", "moment"):
            rows = file[f"/particles/film/{name}/value"]
            rows[:] = np.broadcast_to(rows[0], rows.shape)
    run = analysis.open_run(path)
    found = analysis.measure(run).numbers
    chains = find_chains(run.positions(0), run.moments(0), run.diameters, run.sides)
    share, error = relative_magnetisation(
        run.moments(0), np.array([1.0, 0.0, 0.0]), group=chains.group
    )
    assert brown > 10 * 1e-7
    assert found["magnetisation"]["relative"]["value"] == pytest.approx(share)
    assert found["magnetisation"]["relative"]["error"] == pytest.approx(error, rel=0.03)
    assert found["magnetisation"]["relative"]["samples"] == 1
    assert found["alignment"]["moment_order"]["error"] > 0
    assert found["stages"][-1]["magnetisation"] == found["magnetisation"]["relative"]
