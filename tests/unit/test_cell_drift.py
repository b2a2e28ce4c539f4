"""Drift over the cell of a parameter file, against closed forms of the sphere and of packing."""

import math
import re

import numpy as np
import pytest

from analysis.common.constants import BOLTZMANN
from analysis.common.conventions import NO_CHAINS
from sim.outlook.cell import drift as cell_drift
from sim.outlook.cell.drift import cell_centres, drift_cell, line_spacing
from sim.outlook.cell.map import predicted_lengths
from sim.outlook.look_ahead import predict_lengths
from sim.outlook.text.cell import cell_sentences
from sim.parameters import from_text
from tests.reference.small_film import bead_film, over_magnets, small_film

pytest.importorskip("magpylib")

REMANENCE, DIAMETER, DEPTH = 1.2, 8e-3, 8e-3
MAGNET = f"""
[[magnets]]
kind = "sphere"
diameter = "8 mm"
remanence = "{REMANENCE} T"
position = ["0 mm", "0 mm", "-8 mm"]
direction = [0, 0, 1]
[cell]
width = ["12 mm", "8 mm"]
"""
YEARS = 3e9


def film(core="16 nm", fraction="0.03"):
    """Return the parameters of a film over a sphere."""
    text = over_magnets(MAGNET).replace('"16 nm"', f'"{core}"')
    return from_text(text.replace("volume_fraction = 0.03", f"volume_fraction = {fraction}"))


@pytest.fixture(autouse=True)
def coarse(monkeypatch):
    """Make the grid coarse, so that a drift takes a second."""
    monkeypatch.setattr(cell_drift, "CELLS", 18)


def sphere(found):
    """Strength in T above a magnetised sphere (a dipole: Jackson, section 5.10; from memory)."""
    x, y = np.meshgrid(found.x, found.y)
    rho, z = np.hypot(x, y), DEPTH
    axis = 2.0 / 3.0 * REMANENCE * (0.5 * DIAMETER) ** 3
    distance = np.hypot(rho, z)
    return 0.5 * axis / distance**3 * np.sqrt(1.0 + 3.0 * (z / distance) ** 2)


def test_cells_are_square_and_about_the_centre():
    x, y = cell_centres((12e-3, 8e-3), 18)
    assert (x.size, y.size) == (18, 12)
    assert x.mean() == pytest.approx(0.0, abs=1e-18)
    assert np.diff(x) == pytest.approx(12e-3 / 18)
    assert np.diff(y) == pytest.approx(8e-3 / 12)
    assert x[0] == pytest.approx(-6e-3 + 6e-3 / 18)


def test_spacing_of_packed_chains_is_a_diameter():
    """Touching straight chains side by side are a simple cubic packing, pi/6 full (handbooks)."""
    assert line_spacing(20e-9, np.array([math.pi / 6.0])) == pytest.approx(20e-9)
    assert line_spacing(20e-9, np.array([math.pi / 24.0])) == pytest.approx(40e-9)
    assert np.isinf(line_spacing(20e-9, np.array([0.0])))


def test_few_particles_end_in_the_boltzmann_profile_of_the_sphere():
    """phi ~ sinh x/x, x = m B/kT (Langevin; Boltzmann), with B of the closed form."""
    parameters = film(fraction="1e-6")
    found = drift_cell(parameters, YEARS)
    strength = sphere(found)
    assert found.strength == pytest.approx(strength, rel=1e-9)
    moment = parameters.particles.magnetisation * math.pi / 6.0 * (16e-9) ** 3
    x = moment * strength / (BOLTZMANN * parameters.carrier.temperature)
    profile = np.sinh(x) / x
    profile *= found.fractions[0].mean() / profile.mean()
    # Packing shifts it by about phi/0.64.
    assert found.fractions[-1] == pytest.approx(profile, rel=1e-4)
    assert found.fractions[-2] == pytest.approx(profile, rel=1e-3)
    assert found.times[-1] == math.inf
    assert found.change[-1] == 1.0


def test_chains_are_lost_where_the_particles_leave():
    parameters = film(core="17 nm", fraction="0.01")
    found = drift_cell(parameters, YEARS)
    share = found.share_with_chains
    assert share[0] == 1.0
    assert np.all(np.diff(share) <= 0.0)
    assert 0.0 < share[-1] < 1.0
    bare = found.state[-1] == NO_CHAINS
    assert found.fractions[-1][bare].max() < found.fractions[-1][~bare].min()
    assert found.spacing[-1][bare].min() > found.spacing[-1][~bare].max()
    middle = found.y.size // 2, found.x.size // 2
    assert found.fractions[-1][middle] > found.fractions[0][middle]
    assert found.spacing[-1][middle] < found.spacing[0][middle]


def test_lengths_between_knots_are_those_of_the_prediction():
    """Mean lengths grow about as the root of the amount (de Gennes, Pincus 1970; Cates)."""
    parameters = film(core="18 nm")
    strength = np.array([0.003, 0.02, 0.07])[:, None]
    fraction = np.array([1e-5, 4e-4, 0.02, 0.3])
    found = predicted_lengths(parameters, strength, fraction)
    assert found.shape == (3, 4)
    for row, field in zip(found, strength.ravel(), strict=True):
        there = film_in(field)
        exact = [predict_lengths(there, share).central for share in fraction]
        assert row == pytest.approx(exact, rel=0.03)


def test_check_tells_how_far_particles_come_in_a_week():
    """On a sphere's equator B = (Br/3)(R/r)^3 and |dB/dr| = 3 B/r; Stokes-Einstein for the rest."""
    level = MAGNET.replace('["0 mm", "0 mm", "-8 mm"]', '["-12 mm", "0 mm", "0 mm"]')
    parameters = from_text(over_magnets(level))
    carrier, sizes = parameters.carrier, parameters.particles
    strength = REMANENCE / 3.0 * (0.5 * DIAMETER / 12e-3) ** 3
    thermal = BOLTZMANN * carrier.temperature
    moment = sizes.magnetisation * math.pi / 6.0 * (16e-9) ** 3
    x = moment * strength / thermal
    mobility = 1.0 / (3.0 * math.pi * carrier.viscosity * 20e-9)
    pull = moment * (1.0 / math.tanh(x) - 1.0 / x) * 3.0 * strength / 12e-3
    (sentence,) = cell_sentences(parameters)
    told = [float(number) for number in re.findall(r"([\d.]+) mm", sentence)]
    week = 604_800.0
    expected = [mobility * pull * week, math.sqrt(2.0 * thermal * mobility * week)]
    assert told == pytest.approx([1e3 * way for way in expected], rel=0.06)  # two digits are told
    assert '--drift "1 week"' in sentence
    assert cell_sentences(from_text(small_film())) == []


def film_in(field):
    """Return the same film in a uniform field along x."""
    text = small_film().replace('"16 nm"', '"18 nm"').replace('"20 mT"', f'"{field} T"')
    return from_text(text)


def test_cores_of_a_bead_turn_each_for_itself():
    """U/kT = -n ln(sinh x/x) of n cores, x of one core (Langevin)."""
    parameters = from_text(over_magnets(MAGNET, bead_film()))
    found = drift_cell(parameters, YEARS)
    sizes = parameters.particles
    count = 0.2 * (100e-9 / 10e-9) ** 3  # volume of the cores over that of one
    moment = sizes.magnetisation * math.pi / 6.0 * (10e-9) ** 3
    x = moment * found.strength / (BOLTZMANN * parameters.carrier.temperature)
    assert found.drift.energy_kt == pytest.approx(-count * np.log(np.sinh(x) / x), rel=1e-6)
