"""Drawn particles: sizes by quantiles, count or patch from the volume fraction, moments."""

import math

import numpy as np
import pytest
from scipy import stats

from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.parameters import from_text
from sim.physics.sizes import LARGEST_DEVIATION

FILM = """\
[particles]
moment = "{moment}"
core_diameter = "18 nm"
size_spread = {spread}
shell_thickness = "2 nm"
dead_layer = "{dead}"
volume_fraction = 0.04
[film]
thickness = "0.3 um"
{patch}
[repulsion]
kind = "surfactant"
[field]
strength = "20 mT"
[dipoles]
sum = "cutoff"
cutoff_diameters = 5.0
[run]
duration = "1 us"
seed = {seed}
"""


def parameters(spread=0.15, patch="count = 1500", seed=7, dead="0 nm", moment="blocked"):
    """Return checked parameters."""
    text = FILM.format(spread=spread, patch=patch, seed=seed, dead=dead, moment=moment)
    return from_text(text, "film.toml")


def test_sizes_follow_the_cut_log_normal_law():
    particles = draw(parameters())
    logs = np.log(particles.core_diameter / 18e-9) / 0.15
    law = stats.truncnorm(-LARGEST_DEVIATION, LARGEST_DEVIATION)
    # Quantiles of the law itself: the largest distance is half a step, 1/(2 N).
    assert stats.kstest(logs, law.cdf).statistic < 0.51 / 1500
    assert np.median(particles.core_diameter) == pytest.approx(18e-9, rel=1e-4)
    assert particles.core_diameter.max() < 18e-9 * math.exp(0.45)


def test_equal_sizes():
    particles = draw(parameters(spread=0.0))
    assert (particles.core_diameter == 18e-9).all()
    np.testing.assert_allclose(particles.diameter, 22e-9, rtol=1e-15)


def test_seed_permutes_the_same_sizes():
    first, second = draw(parameters(seed=7)), draw(parameters(seed=8))
    assert (np.sort(first.core_diameter) == np.sort(second.core_diameter)).all()
    assert (first.core_diameter != second.core_diameter).any()
    again = draw(parameters(seed=7))
    np.testing.assert_array_equal(first.core_diameter, again.core_diameter)
    # No trend of the size along the numbers.
    slope = stats.spearmanr(np.arange(1500), first.core_diameter).statistic
    assert abs(slope) < 4.0 / math.sqrt(1500)


def test_patch_follows_from_the_count():
    particles = draw(parameters())
    assert particles.count == 1500
    assert particles.sides[0] == particles.sides[1]
    # The quantiles of 1500 particles miss the mean cube of the law by little.
    assert particles.volume_fraction == pytest.approx(0.04, rel=2e-3)


def test_count_follows_from_the_patch():
    particles = draw(parameters(patch='width = ["1.5 um", "0.7 um"]'))
    assert particles.sides == pytest.approx((1.5e-6, 0.7e-6))
    assert particles.thickness == pytest.approx(0.3e-6)
    assert particles.volume_fraction == pytest.approx(0.04, rel=3e-3)
    mean = np.pi / 6.0 * np.mean(particles.diameter**3)
    assert particles.count == pytest.approx(0.04 * 1.5e-6 * 0.7e-6 * 0.3e-6 / mean, rel=3e-3)


def test_moment_is_magnetisation_times_magnetic_volume():
    particles = draw(parameters(dead="0.8 nm"))
    np.testing.assert_allclose(particles.magnetic_diameter, particles.core_diameter - 1.6e-9)
    volume = np.pi / 6.0 * particles.magnetic_diameter**3
    np.testing.assert_allclose(particles.moment, 446e3 * volume, rtol=1e-12)


def test_largest_tenth():
    particles = draw(parameters())
    tenth = particles.largest_tenth()
    assert len(tenth) == 150
    assert np.array_equal(np.sort(tenth), np.sort(particles.core_diameter)[-150:])


def test_reduced_system_is_in_units_of_the_median_particle():
    checked = parameters(spread=0.0)
    system = reduce(checked, draw(checked))
    assert system.count == 1500
    np.testing.assert_allclose(system.radius, 0.5, rtol=1e-12)
    np.testing.assert_allclose(system.mobility, 1.0, rtol=1e-12)
    np.testing.assert_allclose(system.turning, 3.0, rtol=1e-12)
    # coupling mu0 m^2/(4 pi d^3 kT), all in SI.
    moment = 446e3 * np.pi / 6.0 * 18e-9**3
    heat = 1.380649e-23 * (checked.carrier.temperature)
    coupling = 1e-7 * moment**2 / (22e-9) ** 3 / heat
    np.testing.assert_allclose(system.moment**2, coupling, rtol=1e-12)
    field = np.linalg.norm(system.field[0].last)
    np.testing.assert_allclose(system.moment[0] * field, moment * 20e-3 / heat, rtol=1e-12)
    assert system.thickness == pytest.approx(300.0 / 22.0)
    assert system.dt_s == pytest.approx(system.dt * system.units.time_s)


def test_superparamagnetic_moments_turn_faster_and_the_cap_is_said():
    blocked = reduce(parameters(), draw(parameters()))
    free_parameters = parameters(moment="superparamagnetic")
    free = reduce(free_parameters, draw(free_parameters))
    assert not blocked.turning_capped
    np.testing.assert_allclose(blocked.turning, 3.0 / (2.0 * blocked.radius) ** 3)
    assert (free.turning >= blocked.turning).all()
    assert (free.turning > 1.01 * blocked.turning).any()
    # Neel: 1/(2 tau_N) on top of the body's, tau_N = tau0 exp(K V/kT), unless the step caps it.
    particles = draw(free_parameters)
    energy = 11e3 * np.pi / 6.0 * particles.magnetic_diameter**3
    heat = 1.380649e-23 * free_parameters.carrier.temperature
    steepness = np.maximum(
        1.0,
        free.moment * np.linalg.norm(free.field[0].last)
        + 4.8 * free.moment**2 / (2.0 * free.radius) ** 3,
    )
    # Steps that fill the time between frames are shorter than the longest, whose cap it is.
    cap = 0.2 / (free.dt * steepness)
    assert free.turning_capped
    assert (free.turning <= np.maximum(cap, blocked.turning) * (1.0 + 1e-12)).all()
    # The slowest (largest) moments are free of the cap for either prefactor in use.
    slow = np.argmax(energy)
    extra = (free.turning[slow] - blocked.turning[slow]) / free.units.time_s
    ideal = 0.5 / (1e-9 * math.exp(energy[slow] / heat))
    assert 0.2 * ideal < extra < 5.0 * ideal
