"""The map of a cell against closed forms of the point dipole and against Stokes."""

import math

import numpy as np
import pytest

from sim.outlook.cell.map import (
    IN_PLANE,
    NO_CHAINS,
    STANDING,
    axis_angles,
    drift_velocity,
    grid,
    magnetophoretic_force,
    map_cell,
    strength_gradient,
)
from sim.parameters import from_text
from tests.reference.small_film import bead_film, small_film

MU0_OVER_4PI = 1e-7
"""In T m/A."""
MOMENT = 0.5
"""Of the dipole, along z, in A m2."""
DEPTH = 10e-3
"""Of the dipole below the film in m."""


def dipole(places):
    """Field and gradient of a dipole along z below the film.

    J. D. Jackson, Classical Electrodynamics, equation 5.56 and its derivative (from memory).
    """
    r = places - np.array([0.0, 0.0, -DEPTH])
    d = np.linalg.norm(r, axis=1)[:, None]
    n, m = r / d, np.array([0.0, 0.0, MOMENT])
    along = (n @ m)[:, None]
    field = MU0_OVER_4PI * (3.0 * along * n - m) / d**3
    a, b = n[:, :, None], n[:, None, :]
    outer = a * m + m[:, None] * b + along[:, :, None] * np.eye(3)
    slope = 3.0 * MU0_OVER_4PI / d[..., None] ** 4 * (outer - 5.0 * along[:, :, None] * a * b)
    return field, slope


@pytest.fixture(scope="module")
def film():
    """Return parameters, map, places, field and gradient above a dipole."""
    parameters = from_text(small_film())
    x, y, places = grid((60e-3, 40e-3), 31)
    field, slope = dipole(places)
    return parameters, map_cell(parameters, x, y, field, slope), places, field, slope


def test_grid_reaches_the_edges_in_square_meshes():
    x, y, places = grid((30e-3, 20e-3), 31)
    assert (x[0], x[-1], y[0], y[-1]) == (-15e-3, 15e-3, -10e-3, 10e-3)
    assert np.diff(x) == pytest.approx(1e-3)
    assert np.diff(y) == pytest.approx(1e-3)
    assert places.reshape(21, 31, 3)[3, 5] == pytest.approx([x[5], y[3], 0.0])


def test_tilt_above_a_dipole(film):
    """From the axis a dipole's field leans by tan(incl.) = (2 - t^2)/(3 t), t = rho/depth.

    The law of the magnetic inclination tan I = 2 tan(latitude), turned into the film's frame.
    """
    _, found, places, _, _ = film
    t = np.hypot(places[:, 0], places[:, 1]) / DEPTH
    expected = np.degrees(np.arctan2(2.0 - t**2, 3.0 * t))
    assert found.tilt.ravel() == pytest.approx(expected, abs=1e-9)
    middle = found.y.size // 2, found.x.size // 2
    assert found.tilt[middle] == pytest.approx(90.0)
    on_axis = 2.0 * MU0_OVER_4PI * MOMENT / DEPTH**3
    assert found.strength[middle] == pytest.approx(on_axis, rel=1e-12)


def test_field_of_a_level_dipole_lies_in_the_plane_of_its_equator():
    """On the equator of a dipole B = -mu0 m/(4 pi r^3), antiparallel to it."""
    direction, tilt = axis_angles(np.array([[0.0, -1e-3, 0.0], [-2e-3, 0.0, 0.0], [0.0, 0.0, 0.0]]))
    assert direction == pytest.approx([-90.0, 180.0, 0.0])
    assert tilt == pytest.approx([0.0, 0.0, 0.0])


def test_chains_stand_where_the_field_leans_more_than_45_degrees(film):
    """tan(incl.) = 1 at t = (sqrt(17) - 3)/2, and -1 at t = (sqrt(17) + 3)/2 (from the law above).

    The fluid is one that chains in any of these fields.
    """
    strong = small_film().replace('"16 nm"', '"22 nm"')
    _, _, places, field, slope = film
    found = map_cell(from_text(strong), film[1].x, film[1].y, field, slope)
    t = np.hypot(places[:, 0], places[:, 1]) / DEPTH
    inner, outer = (math.sqrt(17.0) - 3.0) / 2.0, (math.sqrt(17.0) + 3.0) / 2.0
    upright = (t < inner) | (t > outer)
    assert 0 < upright.sum() < upright.size
    assert np.array_equal(found.state.ravel() == STANDING, upright)
    assert np.array_equal(found.state.ravel() == IN_PLANE, ~upright)
    room = 0.12e-6 / 26e-9
    assert found.mean_length.ravel()[upright].max() <= room * math.sqrt(2.0)
    assert found.mean_length.ravel()[~upright].min() > room


def test_weak_particles_form_no_chains(film):
    _, _, _, field, slope = film
    weak = from_text(small_film().replace('"16 nm"', '"8 nm"'))
    found = map_cell(weak, film[1].x, film[1].y, field, slope)
    assert np.all(found.state == NO_CHAINS)
    assert found.mean_length.max() < 1.5


def test_gradient_of_the_strength_on_the_axis():
    """On the axis |B| = 2 c/z^3, so d|B|/dz = -6 c/z^4, with c = mu0 m/(4 pi)."""
    places = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 5e-3]])
    found = strength_gradient(*dipole(places))
    z = DEPTH + places[:, 2]
    assert found[:, 2] == pytest.approx(-6.0 * MU0_OVER_4PI * MOMENT / z**4, rel=1e-12)
    assert found[:, :2] == pytest.approx(0.0, abs=1e-12)


def test_gradient_of_the_strength_off_the_axis_by_differences(film):
    _, _, places, field, slope = film
    step = 1e-6
    for axis in range(3):
        shift = step * np.eye(3)[axis]
        ahead, behind = (np.linalg.norm(dipole(places + s)[0], axis=1) for s in (shift, -shift))
        found = strength_gradient(field, slope)[:, axis]
        scale = np.abs(found).max()
        assert found == pytest.approx((ahead - behind) / (2.0 * step), abs=1e-6 * scale)


def test_no_field_gives_no_force_and_no_nan():
    nothing = magnetophoretic_force(np.zeros(1), np.zeros((1, 3)), np.ones((1, 3, 3)))
    assert np.array_equal(nothing, np.zeros((1, 3)))


def test_saturated_force_is_the_moment_times_the_gradient(film):
    """m L(xi) grad|B| = (m . grad)B for a moment along a curl-free field (vector identity)."""
    _, found, _, field, slope = film
    moment = found.moment.ravel()
    unit = field / np.linalg.norm(field, axis=1)[:, None]
    body_force = moment[:, None] * np.einsum("nb,nab->na", unit, slope)
    scale = np.abs(body_force).max()
    assert found.force.reshape(-1, 3) == pytest.approx(body_force, abs=1e-12 * scale)


def test_moment_follows_langevin(film):
    """L(x) = coth x - 1/x (P. Langevin 1905) with m = M_s pi d^3/6 of the 16 nm core."""
    parameters, found, _, _, _ = film
    moment = parameters.particles.magnetisation * math.pi / 6.0 * (16e-9) ** 3
    x = moment * found.strength / (1.380649e-23 * parameters.carrier.temperature)
    assert found.langevin == pytest.approx(x, rel=1e-9)
    assert found.moment == pytest.approx(moment * (1.0 / np.tanh(x) - 1.0 / x), rel=1e-7)


def test_beads_are_magnetised_by_their_cores(film):
    """n cores of a bead each follow Langevin's law; the bead's energy is that of its moment.

    With n = share (bead/core)^3 cores the mean moment is n m L(x), x = m B/kT of one core.
    """
    _, above, _, field, slope = film
    parameters = from_text(bead_film())
    found = map_cell(parameters, above.x, above.y, field, slope)
    count, core = 0.2 * 10.0**3, parameters.particles.magnetisation * math.pi / 6.0 * (10e-9) ** 3
    thermal = 1.380649e-23 * parameters.carrier.temperature
    x = core * found.strength / thermal
    moment = count * core * (1.0 / np.tanh(x) - 1.0 / x)
    assert found.langevin == pytest.approx(x, rel=1e-9)
    assert found.moment == pytest.approx(moment, rel=1e-6)
    # Coupling mu0 m^2/(4 pi d^3 kT) of two such moments in beads of 104 nm, and the pull of one.
    coupling = MU0_OVER_4PI * moment**2 / ((104e-9) ** 3 * thermal)
    assert found.coupling == pytest.approx(coupling, rel=1e-6)
    pull = moment.ravel()[:, None] * strength_gradient(field, slope)
    assert found.force.reshape(-1, 3) == pytest.approx(pull, rel=1e-6, abs=1e-25)
    bare = (found.mean_length < 1.5) | (found.mean_length * moment * found.strength < thermal)
    assert np.array_equal(found.state == NO_CHAINS, bare)


def test_drift_is_the_terminal_velocity(film):
    """Force over Stokes's drag 3 pi eta d (textbook)."""
    parameters, found, _, _, _ = film
    drag = 3.0 * math.pi * parameters.carrier.viscosity * 20e-9
    assert found.drift == pytest.approx(found.force / drag, rel=1e-12)
    # 1 fN on a sphere of 1 um in water of 1 mPa s: 0.106 um/s
    assert drift_velocity(np.array([1e-15]), 1e-3, 1e-6) == pytest.approx([1.061e-7], rel=1e-3)
    outside = np.hypot(*np.meshgrid(found.x, found.y)) > 1e-6
    inward = found.drift[..., 0] * found.x + found.drift[..., 1] * found.y[:, None]
    assert np.all(inward[outside] < 0.0)  # a magnet attracts; |B| of a dipole falls outwards


def test_the_dipole_of_these_tests_has_no_sources(film):
    """div B = 0 and curl B = 0 (Maxwell): the gradient has no trace and is symmetric."""
    _, _, _, _, slope = film
    scale = np.abs(slope).max()
    assert np.trace(slope, axis1=1, axis2=2) == pytest.approx(0.0, abs=1e-12 * scale)
    assert slope == pytest.approx(slope.transpose(0, 2, 1), abs=1e-12 * scale)
