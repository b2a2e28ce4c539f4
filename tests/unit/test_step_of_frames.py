"""Moments are slowed down by the step that a run has, not by one that its frames do not leave."""

import numpy as np
import pytest

from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.film.time_step import TURNING_SHARE, local_langevin
from sim.parameters import from_text
from tests.reference.small_film import small_film


def system_of(frames, duration="4 us"):
    """Return the reduced system of small cores whose moments turn inside them."""
    text = small_film(duration=duration, frames=frames).replace(
        'core_diameter = "16 nm"', 'core_diameter = "12 nm"\nmoment = "superparamagnetic"'
    )
    parameters = from_text(text)
    return reduce(parameters, draw(parameters))


def pace(system):
    """Return the largest turn of a moment in the local field in one inner step."""
    field = max(float(np.linalg.norm(stage.last)) for stage in system.field)
    steepness = local_langevin(system.radius, system.moment, field)
    return float(np.max(system.turning * steepness * system.inner_dt))


@pytest.mark.parametrize("frames", [20, 300, 700, 1300, 20_000])
def test_capped_moments_turn_as_fast_as_the_step_can_follow(frames):
    system = system_of(frames)
    assert pace(system) <= TURNING_SHARE * (1.0 + 1e-9)
    if system.turning_capped and system.inner_steps == 1:
        assert pace(system) == pytest.approx(TURNING_SHARE)


def test_frames_so_dense_that_every_moment_is_followed_slow_none_down():
    assert system_of(20).turning_capped
    assert not system_of(100_000, "0.1 us").turning_capped
