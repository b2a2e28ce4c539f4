"""The flow that particles stir up: pairs, rows, a lone sphere, far pairs in a slit.

Sources: J. Rotne and S. Prager, J. Chem. Phys. 50, 4831 (1969), and H. Yamakawa, J. Chem. Phys. 53,
436 (1970), whose tensor is written out here once more; touching doublets after M. Stimson and
G. B. Jeffery, Proc. R. Soc. A 111, 110 (1926), and A. J. Goldman, R. G. Cox and H. Brenner, Chem.
Eng. Sci. 21, 1151 (1966) (values from memory; the series of D. J. Jeffrey and Y. Onishi, J. Fluid
Mech. 139, 261 (1984), comes to the same); one sphere midway in a slit after H. Faxen in J. Happel
and H. Brenner, Low Reynolds Number Hydrodynamics (from memory); the dipole that a force makes of
the flow far away in a slit after N. Liron and S. Mochon, J. Eng. Math. 10, 287 (1976), derived
here. Pairs in a slit: the point force between two windows in closed form
(``tests/reference/flow.py``).
"""

import functools

import numpy as np
import pytest

from sim.interactions.flow.free import FLUIDITY, near_tensor, rotne_prager, smooth_tensor
from sim.interactions.flow.plan import plan_flow
from sim.kernels.laws.hindrance import hindered
from tests.reference.flow import DenseFlow, slit_mobility

THICKNESS = 8.0


@functools.cache
def slit(side=40.0, thickness=THICKNESS, count=2):
    radius = np.full(count, 0.5)
    return DenseFlow(plan_flow((side, side), thickness, radius), radius)


def row_mobility(count, along):
    """Return the mobility of a touching row times its number, of a single sphere, by the tensor."""
    place = np.arange(count)
    a, b = rotne_prager(np.abs(place[:, None] - place).astype(float), 0.5)
    velocity_by_force = a + b if along else a
    np.fill_diagonal(velocity_by_force, 1.0)
    # all move alike: the forces that make them so
    return count / np.linalg.solve(velocity_by_force, np.ones(count)).sum()


def mean_row_mobility(count, along):
    """Return the same where all are pushed alike, and the mean velocity counts."""
    place = np.arange(count)
    a, b = rotne_prager(np.abs(place[:, None] - place).astype(float), 0.5)
    velocity_by_force = a + b if along else a
    np.fill_diagonal(velocity_by_force, 1.0)
    return velocity_by_force.sum() / count


# Computed beforehand from the tensor, from memory for the exact doublet.
ROWS = [(2, 1.625, 1.438), (5, 2.602, 2.030), (10, 3.491, 2.521), (20, 4.461, 3.031)]


@pytest.mark.parametrize(("count", "along", "across"), ROWS)
def test_rows_of_touching_spheres(count, along, across, tell):
    tell(
        f"mobility along a row of {count} over one of a lone sphere, times {count}", along,
        mean_row_mobility(count, along=True), source="Rotne and Prager 1969", when=count == 20,
    )  # fmt: skip
    found = {row_mobility(count, True), mean_row_mobility(count, True)}
    assert any(value == pytest.approx(along, abs=6e-4) for value in found)
    found = {row_mobility(count, False), mean_row_mobility(count, False)}
    assert any(value == pytest.approx(across, abs=6e-4) for value in found)


def test_doublet_moves_5_percent_faster_than_the_exact_one(tell):
    for along, exact in ((True, 1.550), (False, 1.397)):
        found = row_mobility(2, along)
        tell("mobility of a touching doublet, exact", exact, found, source="Stimson and Jeffery")
        assert 1.02 < found / exact < 1.06


def test_near_and_smooth_part_make_the_tensor():
    r = np.linspace(0.2, 8.0, 40)
    for width in (0.7, 1.0):
        near, smooth = near_tensor(r, 0.5, width), smooth_tensor(r, 0.5, width)
        far = r >= 1.0
        a = FLUIDITY / 8.0 / np.pi / r * (1.0 + 2.0 * 0.25 / 3.0 / r**2)
        b = FLUIDITY / 8.0 / np.pi / r * (1.0 - 2.0 * 0.25 / r**2)
        assert (near[0] + smooth[0])[far] == pytest.approx(a[far], rel=1e-12)
        assert (near[1] + smooth[1])[far] == pytest.approx(b[far], rel=1e-12)
        beyond = r > 5.0 * width
        assert np.abs(near[0][beyond]).max() < 4e-4
        # the transform of (1 + c k2) exp(-s2 k2)/(eta k2), along the pair, by quadrature
        k = np.linspace(1e-7, 12.0 / width, 20001)
        spectrum = FLUIDITY * (1.0 + (width**2 - 1.0 / 12.0) * k * k) * np.exp(-((width * k) ** 2))
        for place in (5, 12, 30):
            x = k * r[place]
            bessel = 2.0 * (np.sin(x) - x * np.cos(x)) / x**3
            whole = np.trapezoid(spectrum * bessel, k) / (2.0 * np.pi**2)
            assert smooth[0][place] + smooth[1][place] == pytest.approx(whole, rel=1e-4)


@pytest.mark.parametrize("height", [0.6, 1.0, 2.0, 3.7])
def test_a_lone_particle_has_the_mobility_of_the_windows(height):
    flow = slit()
    flow.see([[3.21, 8.9, height], [23.4, 28.85, height]])
    along, across = hindered(height, THICKNESS, 0.5)
    matrix = flow.matrix()
    for at in (0, 1, 2, 3):
        assert matrix[at, at] == pytest.approx(along, rel=2e-3)
    for at in (4, 5):
        assert matrix[at, at] == pytest.approx(across, rel=5e-3)


def test_sizes_have_mobilities_of_their_own():
    radius = np.array([0.4, 0.65])
    flow = DenseFlow(plan_flow((30.0, 30.0), THICKNESS, radius), radius)
    flow.see([[3.0, 8.0, 2.0], [18.0, 20.0, 1.5]])
    matrix = flow.matrix()
    for which, (size, height) in enumerate(((0.4, 2.0), (0.65, 1.5))):
        along, across = hindered(height, THICKNESS, size)
        assert matrix[which, which] == pytest.approx(along * 0.5 / size, rel=3e-3)
        assert matrix[4 + which, 4 + which] == pytest.approx(across * 0.5 / size, rel=5e-3)


def test_a_sphere_midway_in_a_slit(tell):
    for ratio, faxen in ((5.0, 0.80283), (10.0, 0.90004)):
        thickness = ratio  # half the slit is ratio radii of 0.5
        exact = slit_mobility(0.0, 0.5 * thickness, 0.5 * thickness, thickness)[0]
        tell(
            f"mobility midway in a slit of {ratio:g} diameters", faxen,
            hindered(0.5 * thickness, thickness, 0.5)[0], source="Faxen", when=ratio == 5.0,
        )  # fmt: skip
        assert exact == pytest.approx(faxen, rel=4e-3)
        # the drags of both windows added, as the law of a lone particle has it
        assert hindered(0.5 * thickness, thickness, 0.5)[0] == pytest.approx(faxen, rel=0.03)


# Largest errors in units of a lone sphere's mobility: midway, and where windows are near.
@pytest.mark.parametrize(("height", "error"), [(4.0, 0.014), (2.0, 0.014), (1.0, 0.026)])
def test_pairs_in_a_slit(height, error):
    flow = slit()
    for distance in (1.0, 1.5, 2.0, 4.0, 8.0):
        flow.see([[10.0, 10.0, height], [10.0 + distance, 10.0, height]])
        matrix = flow.matrix()
        wanted = slit_mobility(distance, height, height, THICKNESS)
        assert [matrix[0, 1], matrix[2, 3], matrix[4, 5]] == pytest.approx(wanted, abs=error)


def test_pairs_above_each_other():
    flow = slit()
    flow.see([[10.0, 10.0, 3.5], [10.0, 10.0, 5.0]])
    matrix = flow.matrix()
    wanted = slit_mobility(0.0, 3.5, 5.0, THICKNESS)
    assert [matrix[0, 1], matrix[2, 3], matrix[4, 5]] == pytest.approx(wanted, abs=0.014)


def flat_dipole(place, side, thickness):
    """Return (xx, yy) of a point force midway far away in a slit, with its periodic images.

    The force drives the flow that a pressure of two dimensions makes divergence-free:
    (12/(eta h^3)) w w' (1 - kk/k2) with w = z (h - z)/2, less a^2/6 by Faxen's law for spheres; a
    Gauss function in place of the point changes nothing where it has fallen off.
    """
    waves = 2.0 * np.pi / side * np.arange(-80, 81)
    kx, ky = np.meshgrid(waves, waves, indexing="ij")
    k2 = np.where(kx**2 + ky**2 > 0.0, kx**2 + ky**2, np.inf)
    share = np.exp(-0.5 * np.minimum(k2, 1e3)) * np.cos(kx * place[0] + ky * place[1])
    share = np.where(np.isinf(k2), 0.0, share)
    factor = FLUIDITY * 12.0 / thickness**3 * (thickness**2 / 8.0 - 0.25 / 6.0) ** 2 / side**2
    return factor * np.sum(share * ky**2 / k2), factor * np.sum(share * kx**2 / k2)


def test_far_pairs_in_a_slit_push_along_and_drag_aside(tell):
    side, thickness = 40.0, 3.0
    flow = slit(side, thickness)
    for distance in (6.0, 9.0):
        flow.see([[10.0, 10.0, 1.5], [10.0 + distance, 10.0, 1.5]])
        matrix = flow.matrix()
        along, aside = flat_dipole((distance, 0.0), side, thickness)
        tell(
            "flow aside of a far pair in a slit, of a lone sphere's", aside, matrix[2, 3],
            source="Liron and Mochon 1976", when=distance == 9.0,
        )  # fmt: skip
        assert along > 0.0 > aside
        assert matrix[0, 1] == pytest.approx(along, rel=0.03)
        assert matrix[2, 3] == pytest.approx(aside, rel=0.03)


def test_no_liquid_passes_through_the_film_as_a_whole():
    """A closed cell: forces on all particles of a layer alike make no net flow of the liquid."""
    flow = slit(20.0, 5.0, 400)
    place = np.arange(20) + 0.5
    x, y = (v.ravel() for v in np.meshgrid(place, place))
    found = []
    for height in np.linspace(0.25, 4.75, 10):  # a layer of tracers beside the layer that is pushed
        heights = np.where(np.arange(400) % 2 == 0, 2.5, height)
        flow.see(np.stack([x, y, heights], axis=1))
        force = np.zeros((3, 400))
        force[0, ::2] = 1.0
        found.append(flow.smooth_velocity(force)[0, 1::2].mean())
    assert max(found) > 0.1
    assert abs(np.mean(found)) < 0.03 * max(found)


def row_mobilities(count):
    """Return places and mobilities of a row, of forces across it and torques through it.

    By forces how they move; by torques how they move, and how they turn: those of a torque to the
    flow of others and of torques to turning, as the tensor of Rotne and Prager has them.
    """
    eta, a = 1.0 / FLUIDITY, 0.5
    place = np.arange(count) - 0.5 * (count - 1)
    away = place[:, None] - place
    distance = np.where(away == 0.0, np.inf, np.abs(away))
    moved = 1.0 / (8.0 * np.pi * eta * distance) * (1.0 + 2.0 * a * a / (3.0 * distance**2))
    np.fill_diagonal(moved, 1.0 / (6.0 * np.pi * eta * a))
    turned = -1.0 / (16.0 * np.pi * eta * distance**3)
    np.fill_diagonal(turned, 1.0 / (8.0 * np.pi * eta * a**3))
    coupled = np.where(away == 0.0, 0.0, away) / (8.0 * np.pi * eta * distance**3)
    return place, moved, coupled, turned


def row_resistances(count):
    """Return what a straight row that turns about its middle resists with, times 1/eta = 3 pi.

    With all couplings of forces and torques of spheres, and as the program has it: translation
    alone, each sphere turning by itself.
    """
    eta, a = 1.0 / FLUIDITY, 0.5
    place, moved, coupled, turned = row_mobilities(count)
    whole = np.block([[moved, coupled], [coupled.T, turned]])
    motion = np.concatenate([place, np.ones(count)])
    exact = motion @ np.linalg.solve(whole, motion)
    alone = place @ np.linalg.solve(moved, place) + count * 8.0 * np.pi * eta * a**3
    return exact, alone


# What leaving out the flow of turning spheres costs: computed, see `row_resistances`.
@pytest.mark.parametrize(("count", "more"), [(2, 1.26), (5, 1.08), (10, 1.022), (20, 1.003)])
def test_the_flow_of_turning_spheres_matters_for_short_rows_alone(count, more):
    exact, alone = row_resistances(count)
    assert alone / exact == pytest.approx(more, abs=0.006)


# A row pulled across, stiff and along a field that lets no sphere turn by itself. Computed.
@pytest.mark.parametrize(("count", "slower"), [(2, 0.031), (5, 0.013), (10, 0.007), (20, 0.004)])
def test_a_row_whose_spheres_a_field_holds_is_little_slower(count, slower, tell):
    _, moved, coupled, turned = row_mobilities(count)
    held = moved - coupled @ np.linalg.solve(turned, coupled.T)
    found, free = (count / np.linalg.inv(one).sum() for one in (held, moved))
    if count == 2:  # Goldman, Cox and Brenner 1966, from memory
        tell(
            "mobility of a touching pair across, kept from turning, times 2", 1.381, found,
            source="Goldman, Cox and Brenner 1966",
        )  # fmt: skip
        assert found == pytest.approx(1.381, rel=0.01)
        assert free == pytest.approx(1.4375)  # as the program has it
    assert 1.0 - found / free == pytest.approx(slower, abs=6e-4)


def test_what_slip_at_the_particles_would_change(tell):
    """A sphere along which the liquid slips over a length: A. B. Basset 1888 (from memory).

    Outside, flow is that of a point force and of a source dipole: u_r = (2 A/r + 2 B/r^3) cos and
    u_theta = (-A/r + B/r^3) sin, of a sphere that moves at 1; at its surface u_r = cos, and the
    slip u_theta + sin is the length times the shear r d/dr(u_theta/r) + (1/r) du_r/dtheta.
    """
    for length in (0.0, 0.1, 1e8):
        shear = 2.0 - 2.0, -4.0 - 2.0  # of A and of B, at the radius 1
        rows = np.array([[2.0, 2.0], [-1.0 - length * shear[0], 1.0 - length * shear[1]]])
        force, _ = np.linalg.solve(rows, [1.0, -1.0])  # 3/4 where it sticks
        basset = (1.0 + 3.0 * length) / (1.0 + 2.0 * length)
        assert 0.75 / force == pytest.approx(basset, rel=1e-6)
        tell(
            "diffusion of a sphere with slip over a tenth of its radius, of one without", basset,
            0.75 / force, source="Basset 1888", when=length == 0.1,
        )  # fmt: skip
    assert 0.75 / force == pytest.approx(1.5)  # that of a bubble
