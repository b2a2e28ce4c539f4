"""Magnetisation and order of drawn moments against their laws; directors of planted axes."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.chains.magnetisation import (
    director,
    magnetisation_law,
    relative_magnetisation,
    second_rank_order,
)
from analysis.common.constants import BOLTZMANN
from analysis.common.laws import langevin
from analysis.response.magnetisation import magnetisation_curve
from analysis.uncertainty.estimate import Estimate
from tests.reference.free_dipoles import mean_second_legendre
from tests.reference.planted import langevin_directions, unit


@pytest.mark.parametrize("parameter", [0.1, 1.0, 5.0, 20.0])
def test_moments_drawn_from_the_boltzmann_law_follow_langevin(parameter):
    rng = np.random.default_rng(17)
    axis = unit((1, 2, -1))
    moments = 3e-18 * langevin_directions(rng, 40000, parameter, axis)
    value, error = relative_magnetisation(moments, axis)
    assert abs(value - float(langevin(parameter))) < 4 * error
    # The error is that of the mean of cos: sqrt((<cos^2> - L^2)/N).
    second = (2 * float(mean_second_legendre(parameter)) + 1) / 3
    exact = math.sqrt((second - float(langevin(parameter)) ** 2) / 40000)
    assert error == pytest.approx(exact, rel=0.05)
    order, spread = second_rank_order(moments / 3e-18, axis, np.ones(40000))
    assert abs(order - float(mean_second_legendre(parameter))) < 4 * spread


def test_large_moments_weigh_more():
    moments = np.array([[3.0, 0, 0], [0, 1.0, 0]])
    assert relative_magnetisation(moments, np.array([1.0, 0, 0]))[0] == pytest.approx(0.75)


def test_moments_that_are_not_saturated_count_by_their_saturation():
    """Beads: 1 of 4 and 2 of 4 along the axis are 3/8 of saturation."""
    moments = np.array([[1.0, 0, 0], [2.0, 0, 0]])
    found, _ = relative_magnetisation(moments, np.array([1.0, 0, 0]), np.array([4.0, 4.0]))
    assert found == pytest.approx(0.375)


def test_the_law_of_beads_is_that_of_their_cores():
    """Langevin 1905 with the moment of a core, however large the bead."""
    run = SimpleNamespace(
        moment_magnitudes=np.full(5, 4e-17),
        has_moments=True,
        derived={"core_moment_am2": 2e-19, "temperature_k": 300.0, "largest_field_t": 0.05},
        observables={},
    )
    stage = SimpleNamespace(field=np.array([0.0, 0.03, 0.04]))
    curve = magnetisation_curve(run, stage, Estimate(0.5, 0.1, 9))
    xi = 2e-19 * 0.05 / (BOLTZMANN * 300.0)
    assert curve["measured_langevin_parameter"] == pytest.approx(xi)
    assert curve["law"] == pytest.approx(1 / math.tanh(xi) - 1 / xi)


def test_order_of_planted_tilt():
    angle = math.radians(25)
    axes = np.array([[math.cos(angle), math.sin(angle), 0], [-math.cos(angle), math.sin(angle), 0]])
    order, _ = second_rank_order(axes, np.array([1.0, 0, 0]), np.ones(2))
    assert order == pytest.approx(1.5 * math.cos(angle) ** 2 - 0.5)


def test_director_ignores_signs_and_is_missing_without_axes():
    rng = np.random.default_rng(2)
    truth = unit((1, 1, 0.2))
    axes = truth + 0.2 * rng.standard_normal((500, 3))
    axes /= np.linalg.norm(axes, axis=1)[:, None]
    axes *= rng.choice([-1.0, 1.0], 500)[:, None]
    assert abs(director(axes, np.ones(500)) @ truth) > 0.999
    assert director(np.zeros((0, 3)), np.zeros(0)) is None


def test_law_of_sizes_passes_through_the_run():
    sizes = 2e-18 * np.exp(0.3 * np.random.default_rng(1).standard_normal(200))
    parameter, law, own, at_field = magnetisation_law(sizes, 0.004, 300.0)
    x = sizes * 0.004 / (BOLTZMANN * 300.0)
    exact = (sizes * (1 / np.tanh(x) - 1 / x)).sum() / sizes.sum()
    assert at_field == pytest.approx(exact, rel=1e-12)
    assert np.interp(own, parameter, law) == pytest.approx(exact, rel=2e-3)
    assert (np.diff(law) > 0).all()
    _, nothing, _, none = magnetisation_law(np.zeros(3), 0.01, 300.0)
    assert none == 0.0
    assert np.isfinite(nothing).all()
