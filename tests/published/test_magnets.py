"""Fields of magnets and coils against closed forms, our own quadrature, and the laws of a field."""

import dataclasses
import math

import numpy as np
import pytest

pytest.importorskip("magpylib", reason="fields of magnets need magpylib")

from sim.magnets.shapes import (
    Block,
    CurrentLoop,
    Disc,
    MagnetError,
    Ring,
    SoftIronSphere,
    Sphere,
    UniformField,
    field_and_gradient,
)
from tests.reference.surface_charge import block_field, disc_field

MU0 = 4e-7 * math.pi
TILTED = (0.3, -0.4, 1.1)
TURNED = (0.4, -0.2, 0.7)
SOURCES = [
    Sphere(polarisation=TILTED, diameter=10e-3),
    Block(rotation=TURNED, polarisation=TILTED, sides=(10e-3, 6e-3, 4e-3)),
    Disc(rotation=TURNED, polarisation=TILTED, diameter=10e-3, height=4e-3),
    Ring(polarisation=TILTED, diameter=10e-3, inner_diameter=4e-3, height=4e-3),
    CurrentLoop(rotation=TURNED, diameter=10e-3, current=200.0),
]
NAMES = [source.kind for source in SOURCES]
HEIGHTS = np.array([7e-3, 9e-3, 15e-3, 40e-3])


def on_axis(source):
    points = np.stack([0 * HEIGHTS, 0 * HEIGHTS, HEIGHTS], axis=1)
    field, _ = field_and_gradient([source], points)
    assert np.abs(field[:, :2]).max() < 1e-12
    return field[:, 2]


def around(count=12):
    directions = np.random.default_rng(5).normal(size=(count, 3))
    return 11e-3 * directions / np.linalg.norm(directions, axis=1)[:, None]


def test_sphere_on_its_axis():
    """The field of a dipole, B = 2/3 J (R/z)^3 (Jackson, section 5.10; from memory)."""
    found = on_axis(Sphere(polarisation=(0, 0, 1.2), diameter=10e-3))
    assert found == pytest.approx(2.0 / 3.0 * 1.2 * (5e-3 / HEIGHTS) ** 3, rel=1e-12)


def test_block_on_its_axis():
    """Handbook form of makers of magnets (from memory): two arc tangents."""
    a, b, h = 10e-3, 6e-3, 4e-3
    found = on_axis(Block(polarisation=(0, 0, 1.2), sides=(a, b, h)))

    def face(s):
        return np.arctan(a * b / (2.0 * s * np.sqrt(4.0 * s**2 + a**2 + b**2)))

    expected = 1.2 / np.pi * (face(HEIGHTS - h / 2) - face(HEIGHTS + h / 2))
    assert found == pytest.approx(expected, rel=1e-9)


def disc_on_axis(radius, height):
    top, bottom = HEIGHTS + height / 2, HEIGHTS - height / 2
    return 0.6 * (top / np.hypot(top, radius) - bottom / np.hypot(bottom, radius))


def test_disc_and_ring_on_their_axis():
    """The field of a finite solenoid; a ring is a disc less its hole (handbooks, from memory)."""
    disc = Disc(polarisation=(0, 0, 1.2), diameter=10e-3, height=4e-3)
    assert on_axis(disc) == pytest.approx(disc_on_axis(5e-3, 4e-3), rel=1e-9)
    ring = Ring(polarisation=(0, 0, 1.2), diameter=10e-3, inner_diameter=4e-3, height=4e-3)
    expected = disc_on_axis(5e-3, 4e-3) - disc_on_axis(2e-3, 4e-3)
    assert on_axis(ring) == pytest.approx(expected, rel=1e-9)


def test_loop_on_its_axis():
    """B = mu0 I R^2 / 2 (R^2 + z^2)^(3/2), Biot and Savart (handbooks, from memory)."""
    found = on_axis(CurrentLoop(diameter=10e-3, current=200.0))
    expected = MU0 * 200.0 * 5e-3**2 / (2.0 * (5e-3**2 + HEIGHTS**2) ** 1.5)
    assert found == pytest.approx(expected, rel=1e-8)


def test_block_and_disc_off_axis_against_the_surface_charge():
    points = around(5)
    block = Block(polarisation=TILTED, sides=(10e-3, 6e-3, 4e-3))
    disc = Disc(polarisation=TILTED, diameter=10e-3, height=4e-3)
    of_block, _ = field_and_gradient([block], points)
    of_disc, _ = field_and_gradient([disc], points)
    for point, b, d in zip(points, of_block, of_disc, strict=True):
        assert b == pytest.approx(block_field(block.sides, TILTED, point), rel=1e-8, abs=1e-10)
        assert d == pytest.approx(disc_field(10e-3, 4e-3, TILTED, point), rel=1e-8, abs=1e-10)


@pytest.mark.parametrize("source", SOURCES, ids=NAMES)
def test_field_without_sources_and_currents_and_its_gradient(source):
    """div B = 0 and curl B = 0 by plain differences of the field along all three axes.

    The gradient, which takes two axes and these laws for the third, is the same.
    """
    points, step = around(), 2e-6
    _, gradient = field_and_gradient([source], points)
    plain = np.empty_like(gradient)
    for axis in range(3):
        shift = step * np.eye(3)[axis]
        ends = (source.field(points + shift), source.field(points - shift))
        plain[:, :, axis] = (ends[0] - ends[1]) / (2.0 * step)
    largest = np.abs(plain).max()
    assert np.abs(np.trace(plain, axis1=1, axis2=2)).max() < 2e-6 * largest
    assert np.abs(plain - plain.transpose(0, 2, 1)).max() < 2e-6 * largest
    assert np.abs(gradient - plain).max() < 2e-6 * largest
    assert np.abs(gradient - gradient.transpose(0, 2, 1)).max() < 1e-7 * largest


def test_gradient_of_a_sphere_is_that_of_a_dipole():
    """dB_a/dx_b = 3 s/r^5 [m_a x_b + m_b x_a + (m.x)(delta_ab - 5 x_a x_b/r^2)]."""
    points = np.vstack([around(), 5.0 * around(), around() * 0.46])
    _, found = field_and_gradient([SOURCES[0]], points)
    m, r = 5e-3**3 / 3.0 * np.array(TILTED), np.linalg.norm(points, axis=1)[:, None, None]
    along = (points @ m)[:, None, None]
    mixed = points[:, :, None] * m[None, None, :] + points[:, None, :] * m[None, :, None]
    outer = points[:, :, None] * points[:, None, :]
    exact = 3.0 / r**5 * (mixed + along * (np.eye(3) - 5.0 * outer / r**2))
    scale = np.abs(exact).max(axis=(1, 2))[:, None, None]
    assert (np.abs(found - exact) / scale).max() < 1e-7


def test_many_magnets_are_the_sum_of_single_ones():
    """In more than one call of the library, turned ones and forms of all kinds among them."""
    places = np.random.default_rng(8).uniform(-50e-3, 50e-3, (40, 3)) * [1.0, 1.0, 0.1]
    many = [
        dataclasses.replace(source, position=tuple(place)) for source in SOURCES for place in places
    ]
    points = np.random.default_rng(9).uniform(-50e-3, 50e-3, (70, 3))
    points[:, 2] += 70e-3
    field, gradient = field_and_gradient(many, points)
    singles = [field_and_gradient([magnet], points) for magnet in many]
    assert field == pytest.approx(sum(one for one, _ in singles), rel=1e-12, abs=1e-15)
    wanted = sum(its for _, its in singles)
    assert np.abs(gradient - wanted).max() < 1e-6 * np.abs(wanted).max()


MOMENTS = {
    "sphere": math.pi / 6.0 * 1e-6,
    "block": 240e-9,
    "disc": math.pi / 4.0 * 1e-4 * 4e-3,
    "ring": math.pi / 4.0 * (1e-4 - 16e-6) * 4e-3,
}


@pytest.mark.parametrize("source", SOURCES, ids=NAMES)
def test_far_field_is_that_of_the_dipole(source):
    """At 100 sizes the next term of the expansion is about 1e-4 of the dipole."""
    from scipy.spatial.transform import Rotation

    if source.kind == "loop":
        moment = MU0 * 200.0 * math.pi * 5e-3**2 * np.array([0.0, 0.0, 1.0])
    else:
        moment = MOMENTS[source.kind] * np.array(TILTED)
    moment = Rotation.from_rotvec(source.rotation).apply(moment)
    points = around() / 11e-3
    expected = (3.0 * (points @ moment)[:, None] * points - moment) / (4.0 * np.pi)
    field, _ = field_and_gradient([source], points)
    assert np.abs(field - expected).max() < 1e-3 * np.abs(expected).max()


def test_soft_iron_sphere_in_a_uniform_field():
    """Dipole of 3 B (mu - 1)/(mu + 2) V on top of B (Jackson, section 5.11; from memory)."""
    iron = SoftIronSphere(diameter=10e-3, permeability=100.0)
    points = np.array([[0.0, 0.0, 10e-3]])
    field, _ = field_and_gradient([UniformField(strength=(0, 0, 0.1)), iron], points)
    assert field[0, 2] == pytest.approx(0.1 * (1.0 + 2.0 * 99.0 / 102.0 / 8.0), rel=1e-12)
    field, _ = field_and_gradient([UniformField(strength=(0, 0, 3.0)), iron], points)
    assert field[0, 2] == pytest.approx(3.0 + 2.0 / 3.0 * 2.1 / 8.0, rel=1e-12)


def test_a_place_inside_a_magnet_is_refused():
    with pytest.raises(MagnetError, match="inside a disc or on its surface"):
        field_and_gradient([SOURCES[2]], np.zeros((1, 3)))
