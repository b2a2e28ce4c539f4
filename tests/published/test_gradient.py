"""Particles in a field that changes across the film, against Boltzmann's law.

A free moment in the field B(z) has the partition function sinh(x)/x, x = m B/kT, so that
n(z) ~ sinh x(z)/x(z) (Boltzmann; P. Langevin, Ann. Chim. Phys. 5, 70 (1905) for the average over
directions), times the factor of the two windows. The gradient is that of a round magnet on its
axis, which is across the film: dBz/dz = g, dBx/dx = dBy/dy = -g/2. Along the film a periodic patch
keeps the field uniform; the pull there moves particles about and leaves heights and directions
alone, because nothing else depends on x and y. Particles are so few that each is alone (8 phi kT
of their repulsion is below 0.003 kT everywhere).

Gates are at 4 standard errors of independent particles and moments of time, with fixed seeds.
"""

import math
from itertools import pairwise

import numpy as np
import pytest

from sim.engines.cpu import CpuEngine
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.interactions.gravity import gradient_components
from sim.parameters import from_text
from sim.physics.uniaxial_gradient import uniaxial_gradient
from tests.reference import naive
from tests.reference.small_systems import film, random_film

THICKNESS = 5.0
MOMENT = 1e-3
MIDDLE = 3.0
"""Langevin parameter in the mid-plane."""
SLOPE = 0.9
"""Change of the Langevin parameter a diameter: from 0.8 to 5.2 between the windows."""


@pytest.fixture(scope="module")
def seen():
    """Return (heights, moments along z), shape (moments of time, particles)."""
    g = SLOPE / MOMENT
    system = film(
        1500, coupling=MOMENT**2, langevin=MIDDLE, direction=(0.0, 0.0, 1.0), fraction=1e-4,
        thickness=THICKNESS, cutoff=2.0, list_margin=2.0, dt=2.5e-4,
        gradient=uniaxial_gradient(g, (0.0, 0.0, 1.0)),
    )  # fmt: skip
    engine = CpuEngine(system, random_film(system), 1)
    engine.advance(20_000)
    heights, along = [], []
    for _ in range(4):
        engine.advance(12_000)
        state = engine.snapshot()
        heights.append(state.positions[:, 2])
        along.append(state.directions[:, 2])
    return np.array(heights), np.array(along)


def profile():
    """Return heights, their probabilities and the local Langevin parameter."""
    z = (np.arange(4000) + 0.5) * THICKNESS / 4000
    x = MIDDLE + SLOPE * (z - 0.5 * THICKNESS)
    energy = np.array([naive.window_pair(h, 1.0, THICKNESS, 1.0)[0] for h in z])
    density = np.exp(-energy) * np.sinh(x) / x
    return z, density / density.sum(), x


def test_heights(seen):
    z, share, _ = profile()
    bins = np.array([0.3, 1.2, 2.0, 2.6, 3.1, 3.5, 3.9, 4.2, 4.7])
    inside = np.array([share[(z > a) & (z <= b)].sum() for a, b in pairwise(bins)])
    assert inside.sum() == pytest.approx(1.0, abs=1e-4)
    counts, _ = np.histogram(seen[0], bins)
    total = seen[0].size
    assert counts.sum() == total
    # The slowest mode decays in (h/pi)^2 = 2.0 at most, w^2/4 on top; 3 units of time apart leave
    # 15 % of correlation.
    error = 1.2 * np.sqrt(inside * (1.0 - inside) / total)
    assert np.all(np.abs(counts / total - inside) < 4.0 * error)


def test_density_ratio_of_the_two_halves(seen, tell):
    # The law in one number: without the gradient it would be 1.
    z, share, _ = profile()
    upper = float(share[z > 0.5 * THICKNESS].sum())
    assert upper / (1.0 - upper) > 2.5
    found = float(np.mean(seen[0] > 0.5 * THICKNESS))
    gate = 4.0 * 1.2 * math.sqrt(upper * (1.0 - upper) / seen[0].size)
    tell(
        "share in the upper half, gradient across", upper, found, 0.25 * gate,
        source="Boltzmann, sinh(x)/x",
    )  # fmt: skip
    assert found == pytest.approx(upper, abs=gate)


def test_moments_feel_the_local_field(seen, tell):
    # <cos> = L(x(z)) in each layer.
    z, share, x = profile()
    heights, along = seen
    for low, high in ((0.3, 2.0), (2.0, 3.0), (3.0, 4.0), (4.0, 4.7)):
        part = (z > low) & (z <= high)
        weights = share[part] / share[part].sum()
        langevin = 1.0 / np.tanh(x[part]) - 1.0 / x[part]
        wanted = float(weights @ langevin)
        inside = (heights > low) & (heights <= high)
        spread = float(np.std(along[inside]))
        gate = 4.0 * 1.2 * spread / math.sqrt(inside.sum())
        found = float(np.mean(along[inside]))
        tell(
            f"⟨cos⟩ between heights {low:g} and {high:g} d", wanted, found, 0.25 * gate,
            source="Langevin 1905", when=low == 3.0,
        )  # fmt: skip
        assert found == pytest.approx(wanted, abs=gate)


FILM = """\
[particles]
core_diameter = "10 nm"
shell_thickness = "2 nm"
volume_fraction = 0.001
[carrier]
viscosity = "0.89 mPa s"
[film]
thickness = "0.5 um"
count = 300
[dipoles]
cutoff_diameters = 2.0
[field]
strength = "1 T"
direction = [1, 0, 0]
gradient = "10 T/m"
gradient_direction = [1, 0, 0]
[run]
duration = "1 us"
"""


def test_speed_of_a_saturated_particle_in_water():
    # 10 nm magnetite with a 2 nm layer at 10 T/m, saturated, in water: 2.34e-18 N and 20 nm/s;
    # v = m g/(3 pi eta d) (evaluated by hand from Stokes' law).
    parameters = from_text(FILM, "film.toml")
    system = reduce(parameters, draw(parameters))
    units = system.units
    pull = system.moment[0] * system.body.gradient[0]
    assert pull * units.energy_j / units.length_m == pytest.approx(2.335e-18, rel=2e-3)
    speed = pull * system.mobility[0] * units.length_m / units.time_s
    assert speed == pytest.approx(19.9e-9, rel=1e-2)
    assert system.body.gradient[1] == pytest.approx(-0.5 * system.body.gradient[0])
    assert gradient_components(parameters, units) == system.body.gradient
