"""What hands and implants meet beside magnets, against closed forms on axes."""

import math
import re

import numpy as np
import pytest

from analysis.common.constants import MU0
from sim.magnets.safety import HAND, look_around, magnet_cautions
from sim.magnets.shapes import Block, CurrentLoop, Disc, Ring, Sphere, UniformField
from sim.parameters import from_text
from tests.reference.small_film import over_magnets, small_film

pytest.importorskip("magpylib")

REMANENCE = 1.2


def test_beside_a_sphere():
    """On its axis B = (2/3) Br (R/r)^3, the largest at that distance (Jackson, section 5.10)."""
    radius = 5e-3
    found = look_around([Sphere((1e-3, 2e-3, -8e-3), polarisation=(0.0, REMANENCE, 0.0),
                                diameter=2.0 * radius)])  # fmt: skip
    pole = 2.0 / 3.0 * REMANENCE
    assert found.at_hand == pytest.approx(pole * (radius / (radius + HAND)) ** 3, rel=1e-6)
    for limit, distance in ((0.4, found.public_distance), (0.5e-3, found.implant_distance)):
        assert distance == pytest.approx(radius * ((pole / limit) ** (1.0 / 3.0) - 1.0), rel=1e-6)
    # Maxwell's stress B^2/(2 mu0) on the largest section of a touching magnet: its order
    assert found.pull == pytest.approx(REMANENCE**2 / (2.0 * MU0) * math.pi * radius**2)


def test_far_from_a_disc():
    """On its axis B = (Br/2) [z/sqrt(z^2 + R^2)], the difference over both faces (handbooks)."""
    radius, height = 10e-3, 4e-3
    found = look_around([Disc(polarisation=(0.0, 0.0, REMANENCE), diameter=2.0 * radius,
                              height=height)])  # fmt: skip

    def on_axis(gap):
        ends = (gap + height, gap)
        parts = [z / math.hypot(z, radius) for z in ends]
        return 0.5 * REMANENCE * (parts[0] - parts[1])

    assert on_axis(found.implant_distance) == pytest.approx(0.5e-3, rel=1e-6)
    assert found.at_hand > on_axis(HAND)  # edges are stronger than the middle of a face


def test_beside_the_wire_of_a_coil():
    """Close to a thin wire B = mu0 I/(2 pi r), here within r/R of it (handbooks)."""
    found = look_around([CurrentLoop(rotation=(0.5, 0.0, 0.0), diameter=0.2, current=500.0)])
    assert found.at_hand == pytest.approx(MU0 * 500.0 / (2.0 * math.pi * HAND), rel=0.05)
    assert found.public_distance == 0.0
    assert found.pull == 0.0


def test_bodies_with_holes_and_corners_are_met_outside():
    ring = Ring(polarisation=(0.0, 0.0, REMANENCE), diameter=20e-3, inner_diameter=10e-3,
                height=5e-3)  # fmt: skip
    block = Block((0.0, 0.0, 30e-3), polarisation=(0.0, 0.0, REMANENCE), sides=(8e-3, 5e-3, 3e-3))
    assert look_around([UniformField(strength=(0.0, 0.0, 0.1))]) is None
    both = look_around([ring, block, UniformField(strength=(0.0, 0.0, 0.1))])
    assert 0.2 < both.at_hand < REMANENCE
    assert both.pull == pytest.approx(REMANENCE**2 / (2.0 * MU0) * math.pi * (0.01**2 - 0.005**2))


def test_of_many_magnets_some_are_looked_at():
    """A row of spheres: dipoles, whose fields add on their common axis (Jackson, section 5.10)."""
    row = [Sphere((0.0, 0.0, 20e-3 * k), polarisation=(0.0, 0.0, REMANENCE)) for k in range(60)]
    found = look_around(row)
    places = np.concatenate([20.0 * np.arange(30) + 6.0, 20.0 * np.arange(1, 30) - 6.0])
    assert found.at_hand == pytest.approx(
        2.0 / 3.0 * REMANENCE * np.sum((5.0 / places) ** 3), rel=1e-4
    )


def told_field(sentences):
    """Give the field in T that a hand is said to meet."""
    return 1e-3 * float(re.search(r"up to (\d+) mT", " ".join(sentences))[1])


def test_cautions_take_the_worst_of_a_programme():
    """A coil whose current doubles; a sphere that is driven up to another one."""
    coil = '\n[[magnets]]\nkind = "loop"\ndiameter = "200 mm"\ncurrent = "500 A"\n'
    coil += '[[magnets.steps]]\nmotion = "ramp"\nshare = 2.0\nduration = "1 us"\n'
    told = magnet_cautions(from_text(over_magnets(coil)))
    near = 2.0 * MU0 * 500.0 / (2.0 * math.pi * HAND)  # mu0 I/(2 pi r), twice the current
    assert told_field(told) == pytest.approx(near, rel=0.06)  # two digits, rounded up

    sphere = '\n[[magnets]]\nkind = "sphere"\ndiameter = "10 mm"\nremanence = "1.2 T"\n'
    place = 'position = ["{} mm", "0 mm", "-15 mm"]\ndirection = [1, 0, 0]\n'
    step = '[[magnets.steps]]\nmotion = "slide"\nduration = "1 us"\n' + place.split("direction")[0]
    two = sphere + place.format(60) + step.format(22) + sphere + place.format(0)
    met = told_field(magnet_cautions(from_text(over_magnets(two))))
    # Between them, 1 mm from one and 11 mm from the other, their poles add: 487 mT, not 463.
    poles = 2.0 / 3.0 * REMANENCE * ((5.0 / 6.0) ** 3 + (5.0 / 16.0) ** 3)
    assert met == pytest.approx(1e-2 * math.ceil(1e2 * poles))


def test_cautions_name_numbers_and_limits():
    magnet = '\n[[magnets]]\nkind = "sphere"\ndiameter = "10 mm"\nremanence = "1.2 T"\n'
    magnet += 'position = ["0 mm", "0 mm", "-15 mm"]\n[cell]\nwidth = ["10 mm", "10 mm"]\n'
    told = " ".join(magnet_cautions(from_text(over_magnets(magnet))))
    for words in ("up to 470 mT", "400 mT", "1.3 mm away", "0.5 mT", "54 mm", "40 N", "5 kg",
                  "ICNIRP 2009", "shatter", "0.11 %", "0.2 %"):  # fmt: skip
        assert words in told, words
    assert magnet_cautions(from_text(small_film())) == []
