"""What hands and implants meet beside magnets, against closed forms on axes."""

import math

import pytest

from sim.constants import MU0
from sim.magnet_safety import HAND, look_around, magnet_cautions
from sim.magnets import Block, CurrentLoop, Disc, Ring, Sphere, UniformField
from sim.parameters import from_text
from tests.reference.small_film import small_film

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
    both = look_around([ring, block, UniformField(strength=(0.0, 0.0, 0.1))])
    assert 0.2 < both.at_hand < REMANENCE
    assert both.pull == pytest.approx(REMANENCE**2 / (2.0 * MU0) * math.pi * (0.01**2 - 0.005**2))


def test_cautions_name_numbers_and_limits():
    magnet = '\n[[magnets]]\nkind = "sphere"\ndiameter = "10 mm"\nremanence = "1.2 T"\n'
    magnet += 'position = ["0 mm", "0 mm", "-15 mm"]\n[cell]\nwidth = ["10 mm", "10 mm"]\n'
    field = '[field]\nstrength = "20 mT"\ndirection = [1, 0, 0]\n'
    told = " ".join(magnet_cautions(from_text(small_film().replace(field, "") + magnet)))
    for words in ("up to 460 mT", "400 mT", "1.3 mm away", "0.5 mT", "53 mm", "40 N", "5 kg",
                  "ICNIRP 2009", "shatter", "0.11 %"):  # fmt: skip
        assert words in told, words
    assert magnet_cautions(from_text(small_film())) == []
