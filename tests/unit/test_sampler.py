"""The reference sampler: its energies, and the law of a lone dipole that it leaves."""

import math

import numpy as np
import pytest

from tests.reference.dipole_sum import dipole_sum
from tests.reference.sampler import Sampler
from tests.reference.small_systems import film, random_film, state_of

pytestmark = pytest.mark.slow  # tables of the exact sum


def test_energy_is_that_of_the_exact_sum():
    system = film(30, coupling=3.0, fraction=0.05, thickness=6.0)
    state = random_film(system)
    dipolar, _, along = Sampler(system, state, 1).observe()
    moments = math.sqrt(3.0) * state.directions
    field, _ = dipole_sum(state.positions, moments, system.sides, method="exact")
    assert dipolar == pytest.approx(-0.5 * np.mean(np.sum(moments * field, axis=1)), abs=1e-5)
    assert along == pytest.approx(state.directions[:, 0].mean())


def test_one_particle_obeys_the_langevin_law():
    # P. Langevin 1905: coth(x) - 1/x, here x = 3; images of a lone dipole in a wide patch are
    # next to nothing.
    system = film(1, coupling=1e-4, langevin=3.0, sides=(6.0, 6.0), thickness=3.0)
    sampler = Sampler(system, state_of([[3.0, 3.0, 1.5]], [[1.0, 0.0, 0.0]]), 3)
    sampler.sweep(100)
    found = []
    for _ in range(4000):
        sampler.sweep(20)
        found.append(sampler.observe()[2])
    blocks = np.mean(np.reshape(found, (40, -1)), axis=1)
    error = blocks.std(ddof=1) / math.sqrt(40)
    assert error < 0.01
    assert np.mean(found) == pytest.approx(1.0 / math.tanh(3.0) - 1.0 / 3.0, abs=4.0 * error)
