"""Steps under weight and gradients: how far particles are carried, and what piles press with."""

import numpy as np
import pytest
from scipy.optimize import brentq

from sim.film.body_push import DRIFT_SHARE, STRETCH, body_push, pressed_curvature, pushed_step
from sim.kernels.laws import pairs as pair_laws


def test_no_gradient_pulls_with_more_than_its_bound():
    rng = np.random.default_rng(1)
    most = 0.0
    for _ in range(3000):
        tensor = rng.choice([-1.0, -0.5, 0.5, 1.0], (3, 3))
        tensor = 0.5 * (np.triu(tensor) + np.triu(tensor).T)
        tensor = tensor - np.eye(3) * np.trace(tensor) / 3.0
        tensor /= np.abs(tensor).max()
        most = max(most, np.linalg.norm(tensor, 2))
    assert 2.0 <= most <= STRETCH


@pytest.mark.parametrize("strength", [0.01, 1.0, 1000.0])
def test_soft_core_under_a_load_is_no_stiffer_than_is_said(strength):
    for load in np.geomspace(30.0 * strength, 1e8, 12):

        def rest(r, load=load):
            return float(pair_laws.soft_core_push(r * r, 1.3, strength)) * r - load

        place = brentq(rest, 0.05, 1.3 * 2.0 ** (1.0 / 6.0))
        shift = 1e-5 * place
        slope = (rest(place - shift) - rest(place + shift)) / (2.0 * shift)
        bound = float(pressed_curvature(strength, np.array(1.3), np.array(load)))
        assert slope <= bound * (1.0 + 1e-6) <= 3.0 * slope


def test_a_step_under_a_push_goes_no_further_than_a_part_of_a_diameter():
    radius = np.array([0.5, 1.0])
    push = body_push(radius, np.array([2.0, 3.0]), 0.1, (5.0, 1.0), 4.0)
    weight = np.array([0.4**3 * 5.0 + (0.5**3 - 0.4**3), 0.9**3 * 5.0 + (1.0 - 0.9**3)])
    np.testing.assert_allclose(push, weight + STRETCH * 4.0 * np.array([2.0, 3.0]))
    step = pushed_step(radius, push, 1000.0, 1.0)
    # Stokes: a particle of mobility 1/(2 R) goes F dt/(2 R); one of them goes all the way
    assert np.max(push * step / (2.0 * radius)) == pytest.approx(DRIFT_SHARE)


def test_no_push_leaves_any_step():
    assert pushed_step(np.full(3, 0.5), np.zeros(3), 1.0, 1.0) > 1e100
