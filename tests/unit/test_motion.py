"""Turning moments, the field beyond a cut-off, and one step against plain formulas."""

import numpy as np
import pytest
from numba import njit
from scipy.spatial.transform import Rotation

from sim.kernels.laws.motion import missing_field, rotate
from sim.kernels.steps.motion import move
from sim.kernels.steps.noise import AXES, BLOCK
from tests.reference import naive
from tests.reference.small_systems import (
    film,
    moments_of,
    parts_of,
    slot_of,
    state_of,
    unit_vectors,
)


@njit
def rotated(u, w):
    """Turn one direction, compiled."""
    return rotate(u[0], u[1], u[2], w[0], w[1], w[2])


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-3, 0.3, 1.0, 2.0, 3.1])
def test_rotation_matches_rotation_vectors(angle):
    axes = angle * unit_vectors(20, seed=1)
    for u, w in zip(unit_vectors(20, seed=2), axes, strict=True):
        wanted = Rotation.from_rotvec(w).apply(u)
        np.testing.assert_allclose(rotated(u, w), wanted, atol=2e-8 if angle > 2.0 else 1e-13)
        np.testing.assert_allclose(naive.turned(u, w), wanted, atol=1e-14)
        assert np.linalg.norm(rotated(u, w)) == pytest.approx(1.0, abs=1e-15)


def test_rotation_about_itself_changes_nothing():
    u = unit_vectors(1)[0]
    np.testing.assert_allclose(rotated(u, 0.7 * u), u, atol=1e-15)


def test_length_stays_over_many_turns():
    u, w = unit_vectors(1)[0], np.array([0.02, -0.3, 0.1])
    for _ in range(20000):
        u = np.array(rotated(u, w))
    assert np.linalg.norm(u) == pytest.approx(1.0, abs=1e-15)
    # Turning about a fixed axis adds up.
    wanted = Rotation.from_rotvec(20000 * w).apply(unit_vectors(1)[0])
    np.testing.assert_allclose(u, wanted, atol=1e-9)


def test_missing_field_deep_inside():
    # Lorentz: a sphere cut out of a uniform body leaves 4 pi/3 M; the windows add -4 pi M_z.
    # From inside: J. D. Jackson, Classical Electrodynamics, section 4.5 (Gaussian units there).
    plane, across = missing_field(50.0, 100.0, 6.0)
    assert plane == pytest.approx(4.0 * np.pi / 3.0, rel=1e-14)
    assert across == pytest.approx(-8.0 * np.pi / 3.0, rel=1e-14)


@pytest.mark.parametrize(("z", "thickness"), [(0.0, 30.0), (2.0, 30.0), (2.5, 4.0), (0.5, 1.0)])
def test_missing_field_layer_by_layer(z, thickness):
    plane, across = missing_field(z, thickness, 6.0)
    wanted = naive.slab_less_sphere(z, thickness, 6.0, (1.0, 0.0, 1.0), 20000)
    # The dipoles outside the sphere are what is missing.
    assert plane == pytest.approx(wanted[0], rel=1e-6)
    assert across == pytest.approx(wanted[2], rel=1e-6)


@pytest.mark.parametrize(("z", "layers"), [(0.5, 4), (2.0, 8), (5.0, 10)])
def test_missing_field_is_the_sum_over_a_magnetised_lattice(z, layers):
    # Dipoles on a cubic lattice, one a unit volume, every one beyond the cut-off and within 150;
    # what lies further off is added as a sheet: +-pi h/R in and across the plane (twice across).
    # The lattice is seen from a site of its own in the layer nearest to z; the ragged surface of
    # the sphere of radius 6 makes the error, found to be below 1 %.
    cutoff, far = 6.0, 150
    height = np.arange(layers) + 0.5
    start = height[np.argmin(abs(height - z))]
    n = np.arange(-far, far + 1.0)
    across = plane = 0.0
    r2 = n[:, None] ** 2 + n[None, :] ** 2
    for level in height:
        d2 = r2 + (level - start) ** 2
        kept = (d2 >= cutoff**2) & (r2 <= far**2)
        d2, x2 = d2[kept], np.broadcast_to(n[:, None] ** 2, r2.shape)[kept]
        across += np.sum((3.0 * (level - start) ** 2 / d2 - 1.0) / d2**1.5)
        plane += np.sum((3.0 * x2 / d2 - 1.0) / d2**1.5)
    across -= 2.0 * np.pi * layers / far
    plane += np.pi * layers / far
    wanted_plane, wanted_across = missing_field(start, float(layers), cutoff)
    assert plane == pytest.approx(wanted_plane, rel=0.015)
    assert across == pytest.approx(wanted_across, rel=0.015)


def test_new_normals_count_half_now_and_half_in_the_next_step():
    system = film(16, langevin=0.0)
    state = state_of(np.full((16, 3), 5.0), unit_vectors(16))
    parts = parts_of(system, state)
    rng = np.random.default_rng(1)
    old, new = rng.normal(size=(2, AXES, BLOCK)).astype(np.float32)
    parts.slots.last_noise[:] = old[:, :16]
    move(
        0, 16, parts.slots, np.zeros(128), new, np.zeros(3), np.zeros(3), parts.patch, parts.laws,
        np.zeros(BLOCK), np.zeros(BLOCK),
    )  # fmt: skip
    mean = 0.5 * (old[:3, :16].astype(float) + new[:3, :16])
    kick = np.sqrt(2.0 * system.mobility * system.dt)
    order = slot_of(parts, 16)
    moved = parts.slots.reals[:3, order].T - state.positions
    np.testing.assert_allclose(moved, (kick * mean[:, order]).T, rtol=1e-9, atol=1e-15)
    np.testing.assert_array_equal(parts.slots.last_noise, new[:, :16])


def one_step(system, state, sums, mean, magnetisation, changes):
    """Make one move; return (positions, directions, drift2, travel2) by particle."""
    parts = parts_of(system, state)
    laws = parts.laws._replace(**changes)
    size, order = parts.slots.x.size, slot_of(parts, system.count)
    table, noise = np.zeros((size, 8)), np.zeros((AXES, BLOCK), np.float32)
    table[order] = sums
    noise[:, order] = mean.T
    parts.slots.last_noise[:] = noise[:, :size]  # their average is either
    drift2, travel2 = np.zeros(BLOCK), np.zeros(BLOCK)
    move(
        0, size, parts.slots, table.ravel(), noise, np.array(system.field[0].first),
        np.array(magnetisation), parts.patch, laws, drift2, travel2,
    )  # fmt: skip
    rows = parts.slots.reals[:6, order].T
    return rows[:, :3], rows[:, 3:], drift2[order], travel2[order]


@pytest.mark.parametrize("thickness", [1.3, 9.0])
def test_one_step_matches_the_formulas(thickness):
    rng = np.random.default_rng(12)
    count = 40
    system = film(
        count, diameter=rng.uniform(0.8, 1.2, count), thickness=thickness, fraction=0.05, dt=2e-4
    )
    z = rng.uniform(0.99 * system.radius, thickness - 0.99 * system.radius)
    plane = rng.random((count, 2)) * system.sides
    state = state_of(np.column_stack([plane, z]), unit_vectors(count))
    sums = rng.normal(size=(count, 8)) * 5.0
    mean = rng.normal(size=(count, 6)).astype(np.float32).astype(float)
    magnetisation = np.array([0.3, -0.2, 0.4])
    place, direction, drift2, travel2 = one_step(
        system, state, sums, mean, magnetisation, {"drift_cap": 0.1}
    )
    applied = np.array(system.field[0].first)
    for i in range(count):
        moment = moments_of(system, state)[i]
        force = sums[i, :3] + sums[i, 3] * moment
        force[2] += naive.window_pair(
            z[i], 2.0 * system.radius[i], thickness, system.window_strength
        )[1]
        drift = system.dt * system.mobility[i] * force
        kept = min(1.0, 0.1 / np.linalg.norm(drift))
        kick = np.sqrt(2.0 * system.mobility[i] * system.dt) * mean[i, :3]
        np.testing.assert_allclose(
            place[i], state.positions[i] + kept * drift + kick, rtol=1e-12, atol=1e-13
        )
        field = sums[i, 4:7] + applied
        field = field + naive.slab_less_sphere(z[i], thickness, system.cutoff, magnetisation, 4000)
        turn = system.dt * system.turning[i] * np.cross(moment, field)
        turn = turn + np.sqrt(2.0 * system.turning[i] * system.dt) * mean[i, 3:]
        wanted = naive.turned(state.directions[i], turn)
        np.testing.assert_allclose(direction[i], wanted, atol=1e-7)
        assert drift2[i] == pytest.approx(drift @ drift, rel=1e-11)
        step = place[i] - state.positions[i]
        assert travel2[i] == pytest.approx(step @ step, rel=1e-9)


def test_long_drift_is_capped_and_reported_in_full():
    system = film(8, fraction=1e-3, dt=0.1)
    state = state_of(np.column_stack([np.arange(8) * 3.0, np.full(8, 4.0), np.full(8, 5.0)]),
                     unit_vectors(8))  # fmt: skip
    sums = np.zeros((8, 8))
    sums[3, 0], sums[4, 1] = 30.0, 0.5
    place, _, drift2, _ = one_step(
        system, state, sums, np.zeros((8, 6)), np.zeros(3), {"drift_cap": 0.1}
    )
    assert place[3, 0] - state.positions[3, 0] == pytest.approx(0.1, rel=1e-12)
    assert place[4, 1] - state.positions[4, 1] == pytest.approx(0.05, rel=1e-12)
    assert drift2[3] == pytest.approx(9.0, rel=1e-12)


def test_exact_sum_adds_no_field_beyond_a_cut_off():
    system = film(8, fraction=1e-3, langevin=0.0, dipole_sum="exact", tolerance=1e-3)
    state = state_of(np.column_stack([np.arange(8) * 3.0, np.full(8, 4.0), np.full(8, 5.0)]),
                     unit_vectors(8))  # fmt: skip
    _, direction, _, _ = one_step(
        system, state, np.zeros((8, 8)), np.zeros((8, 6)), np.array([5.0, 5.0, 5.0]), {}
    )
    np.testing.assert_allclose(direction, state.directions, atol=1e-15)
