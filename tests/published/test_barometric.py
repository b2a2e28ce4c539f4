"""Heights of particles under their weight against the barometric law.

n(z) ~ exp(-U(z)/kT) with U = w z plus the energy of the two windows: J. Perrin, Ann. Chim. Phys.
18, 5 (1909), who counted suspended spheres by height; the weight w is that of the particle less
that of the liquid it displaces (Archimedes). Moments are tiny and particles far apart, so that each
is alone: at the bottom, where the volume fraction is 7e-4, neighbours cost 8 phi kT = 0.006 kT.

The engine makes the heights; the law is integrated here with the windows' published soft-core form.
Gates are at 4 standard errors of independent particles and moments of time, with fixed seeds.
"""

import dataclasses
import math
from itertools import pairwise

import numpy as np
import pytest

from sim.engines.cpu import CpuEngine
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.interactions import gravity
from sim.parameters import from_text
from tests.reference import naive
from tests.reference.small_systems import film, random_film

THICKNESS = 6.0
FALL = 1.2
"""Weight of a particle in kT a diameter: seven kT across the film."""


def heights(system, state, warm_up, apart, times):
    """Return heights of all particles at several moments of time."""
    engine = CpuEngine(system, state, 1)
    engine.advance(warm_up)
    seen = []
    for _ in range(times):
        engine.advance(apart)
        seen.append(engine.snapshot().positions[:, 2])
    return np.array(seen)


def law(weight, diameter, thickness, strength, z):
    """Return the probability density of heights on an even grid."""
    energy = np.array([naive.window_pair(h, diameter, thickness, strength)[0] for h in z])
    density = np.exp(-energy - weight * z)
    return density / (density.sum() * (z[1] - z[0]))


@pytest.fixture(scope="module")
def seen():
    # The slowest mode of the profile decays in 4/w^2 = 2.8 or faster (w^2/4 + (pi/h)^2 = 0.63 a
    # unit of time: in 1.6); moments of time are 4 units apart, correlated by 8 %.
    system = film(
        1500, coupling=1e-8, langevin=0.0, thickness=THICKNESS, fraction=1e-4, cutoff=2.0,
        list_margin=2.0, dt=2.5e-4, shell=0.1, core_weight=FALL / 0.4**3, shell_weight=0.0,
        down=(0.0, 0.0, -1.0),
    )  # fmt: skip
    return heights(system, random_film(system), 20_000, 16_000, 4)


def test_profile(seen):
    edges = np.linspace(0.0, THICKNESS, 4001)
    z = 0.5 * (edges[1:] + edges[:-1])
    density = law(FALL, 1.0, THICKNESS, 1.0, z)
    bins = np.array([0.3, 0.7, 1.0, 1.4, 1.8, 2.3, 3.0, 4.0, 5.7])
    inside = np.array(
        [density[(z > a) & (z <= b)].sum() * (z[1] - z[0]) for a, b in pairwise(bins)]
    )
    assert inside.sum() == pytest.approx(1.0, abs=1e-4)
    counts = np.array([np.histogram(one, bins)[0] for one in seen]).sum(axis=0)
    total = seen.size
    assert counts.sum() == total
    # 1.08: moments of time share 8 % of their noise. The bins at the windows hold what a bias of
    # the step would move (k D dt = 0.4 there in collisions of 5 kT).
    error = 1.08 * np.sqrt(inside * (1.0 - inside) / total)
    assert np.all(np.abs(counts / total - inside) < 4.0 * error)


def test_mean_height(seen, tell):
    z = (np.arange(4000) + 0.5) * THICKNESS / 4000
    density = law(FALL, 1.0, THICKNESS, 1.0, z) * THICKNESS / 4000
    mean = float(density @ z)
    spread = math.sqrt(float(density @ z**2) - mean**2)
    error = 1.08 * spread / math.sqrt(seen.size)
    tell(
        f"mean height, weight {FALL} kT/d", mean, seen.mean(), error, unit="d",
        source="Perrin 1909",
    )  # fmt: skip
    assert seen.mean() == pytest.approx(mean, abs=4.0 * error)
    # and it is not the height of a film without weight, by far
    assert abs(mean - 0.5 * THICKNESS) > 100.0 * spread / math.sqrt(seen.size)


FILM = """\
[particles]
core_diameter = "80 nm"
magnetisation = "1 kA/m"
shell_thickness = "5 nm"
shell_density = "1100 kg/m^3"
density = "5 g/cm^3"
volume_fraction = 0.004
[carrier]
density = "850 kg/m^3"
[film]
thickness = "1.2 um"
count = 2000
[repulsion]
kind = "soft_core"
[dipoles]
cutoff_diameters = 2.0
[gravity]
acceleration = "{acceleration} m/s^2"
direction = [0, 0, 1]
[run]
duration = "1 s"
seed = 3
"""


def test_weight_of_a_parameter_file():
    # By hand: pi/6 [(5000 - 850) (80 nm)^3 + (1100 - 850) ((90 nm)^3 - (80 nm)^3)] g.
    parameters = from_text(FILM.format(acceleration=2000), "film.toml")
    newton = math.pi / 6.0 * (4150.0 * 512e-24 + 250.0 * (729e-24 - 512e-24)) * 2000.0
    kt = 1.380649e-23 * 298.15
    assert float(gravity.weight(parameters, 80e-9)) * kt == pytest.approx(newton, rel=1e-12)
    # In a centrifuge of 2000 m/s2 this is 0.55 kT a micrometre: settled towards z = h.
    system = reduce(parameters, draw(parameters))
    fall = newton * 90e-9 / kt
    weight = (system.body.core_weight, system.body.shell_weight)
    reduced = weight[0] * (40 / 90) ** 3 + weight[1] * (0.5**3 - (40 / 90) ** 3)
    assert reduced == pytest.approx(fall, rel=1e-12)
    assert system.body.down == (0.0, 0.0, 1.0)


def test_an_upright_cell_falls_at_the_speed_of_stokes(tell):
    # v = w D/kT along the film, exactly, whatever the step; over N particles the noise of the
    # distance averages to sqrt(2 D t/N).
    count = 1000
    system = film(
        count, coupling=1e-8, langevin=0.0, thickness=8.0, fraction=1e-3, cutoff=2.0,
        list_margin=3.0, dt=2.5e-4, shell=0.1, core_weight=3.0 / 0.4**3, down=(0.0, -1.0, 0.0),
    )  # fmt: skip
    state = random_film(system)
    engine = CpuEngine(system, state, 1)
    engine.advance(8000)
    after, time = engine.snapshot(), 2.0
    moved = after.positions[:, 1] - state.positions[:, 1] + system.sides[1] * after.image[:, 1]
    gate = 4.0 * math.sqrt(2.0 * time / count)
    tell(
        "way fallen along an upright cell in 2 t0", -3.0 * time, moved.mean(), 0.25 * gate,
        unit="d", source="Stokes",
    )  # fmt: skip
    assert moved.mean() == pytest.approx(-3.0 * time, abs=gate)
    across = after.positions[:, 0] - state.positions[:, 0] + system.sides[0] * after.image[:, 0]
    assert across.mean() == pytest.approx(0.0, abs=gate)


def test_weightless_where_densities_agree():
    text = FILM.format(acceleration=9.81).replace('"5 g/cm^3"', '"850 kg/m^3"')
    parameters = from_text(text.replace('"1100 kg/m^3"', '"850 kg/m^3"'), "film.toml")
    system = reduce(parameters, draw(parameters))
    assert not system.has_body_forces
    heavier = dataclasses.replace(parameters.gravity, acceleration=0.0)
    parameters = dataclasses.replace(parameters, gravity=heavier)
    assert not reduce(parameters, draw(parameters)).has_body_forces
