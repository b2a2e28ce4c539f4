"""The dipole sums of a slab: agreement with slow sums, forces, symmetries, errors."""

import numba
import numpy as np
import pytest

from sim.interactions.ewald_plan import make_work, plan_exact
from tests.reference.dipole_sum import dipole_energy, dipole_sum, exact_sum
from tests.reference.naive_slab import direct_sum, free_sum, pairwise_ewald, pairwise_tensors

# Sides and thickness: square, monolayer, elongated both ways, thick (h = 10 W).
CELLS = [
    ((1.0, 1.0), 0.4),
    ((1.0, 1.0), 0.0),
    ((0.4, 8.0), 0.3),
    ((8.0, 0.4), 0.0),
    ((1.0, 1.5), 10.0),
]


def drawn(count, sides, thickness, state="random", seed=5):
    """Positions and moments (of various sizes) of a random, polarised or layered state."""
    rng = np.random.default_rng(seed)
    positions = rng.random((count, 3)) * [*sides, thickness]
    if state == "random":
        return positions, rng.normal(size=(count, 3))
    axis = {"along": [1.0, 0.0, 0.0], "across": [0.0, 0.0, 1.0]}[state]
    return positions, np.tile(axis, (count, 1))


def rms(rows):
    """Root of the mean squared length of rows."""
    return float(np.sqrt((rows**2).sum(axis=1).mean()))


def errors(result, reference, moments, nearest):
    """Relative RMS errors of field and force; the force against its own or the field's scale."""
    field_scale = rms(reference[0])
    force_scale = max(rms(reference[1]), field_scale * rms(moments) / nearest)
    return (
        rms(result[0] - reference[0]) / field_scale,
        rms(result[1] - reference[1]) / force_scale,
    )


@pytest.mark.parametrize("count", [1, 2, 10])
@pytest.mark.parametrize(("sides", "thickness"), CELLS)
def test_exact_matches_pairwise_ewald(count, sides, thickness):
    positions, _ = drawn(count, sides, thickness)
    tensors = pairwise_tensors(positions, sides, 2.0 / min(sides))
    for state in ("random", "along", "across"):
        same, moments = drawn(count, sides, thickness, state)
        assert (same == positions).all()
        result = dipole_sum(positions, moments, sides, "exact")
        reference = pairwise_ewald(tensors, moments)
        assert max(errors(result, reference, moments, min(sides))) < 1e-10


def test_exact_matches_direct_sum():
    sides = (1.0, 1.3)
    positions, moments = drawn(3, sides, 0.7)
    result = dipole_sum(positions, moments, sides, "exact")
    reference = direct_sum(positions, moments, sides)
    assert max(errors(result, reference, moments, 1.0)) < 1e-9


def planned(positions, moments, plan, count):
    """Sum with a plan made by hand; scratch larger than needed."""
    field, force = np.full((count, 3), np.nan), np.full((count, 3), np.nan)
    exact_sum(positions, moments, plan, make_work(plan, count + 3), field, force)
    return field, force


@pytest.mark.parametrize(("sides", "thickness"), CELLS)
def test_splitting_does_not_matter(sides, thickness):
    positions, moments = drawn(30, sides, thickness)
    reference = dipole_sum(positions, moments, sides, "exact")
    for share in (0.4, 0.9, 2.1):
        plan = plan_exact(sides, thickness, 1e-11, 30, cutoff=share * min(sides))
        result = planned(positions, moments, plan, 30)
        assert max(errors(result, reference, moments, 1.0)) < 2e-10


@pytest.mark.parametrize("tolerance", [1e-2, 1e-4, 1e-8])
@pytest.mark.parametrize("count", [1, 2, 10, 200])
def test_plan_meets_its_tolerance(tolerance, count):
    for sides, thickness in CELLS:
        for state in ("random", "along", "across"):
            positions, moments = drawn(count, sides, thickness, state)
            reference = dipole_sum(positions, moments, sides, "exact")
            plan = plan_exact(sides, thickness, tolerance, count)
            result = planned(positions, moments, plan, count)
            assert max(errors(result, reference, moments, min(sides))) < tolerance


@pytest.mark.parametrize("method", ["exact", "cutoff"])
def test_force_is_minus_energy_gradient(method):
    """Fourth-order central differences, whose error is below 1e-7 of the largest force here."""
    sides, step = (3.0, 2.5), 1e-3
    positions, moments = drawn(6, sides, 1.5, seed=11)
    cutoff = None if method == "exact" else 1.25
    _, force = dipole_sum(positions, moments, sides, method, cutoff=cutoff)

    def energy(i, axis, shift):
        moved = positions.copy()
        moved[i, axis] += shift
        return dipole_energy(moved, moments, sides, method, cutoff=cutoff)

    scale = np.abs(force).max()
    for i in range(6):
        for axis in range(3):
            near = energy(i, axis, step) - energy(i, axis, -step)
            far = energy(i, axis, 2 * step) - energy(i, axis, -2 * step)
            slope = (8.0 * near - far) / (12.0 * step)
            assert -slope == pytest.approx(force[i, axis], abs=1e-7 * scale)


def test_forces_and_torques_balance():
    sides = (2.0, 3.0)
    positions, moments = drawn(40, sides, 1.0)
    field, force = dipole_sum(positions, moments, sides, "exact")
    assert force.sum(axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=1e-9 * np.abs(force).sum())
    # The film is not isotropic, so torques need not add up, but fields are reciprocal.
    others = np.roll(moments, 7, axis=0)
    back, _ = dipole_sum(positions, others, sides, "exact")
    assert np.sum(others * field) == pytest.approx(np.sum(moments * back), rel=1e-9)


def test_lone_dipole_feels_no_force():
    field, force = dipole_sum([[0.2, 0.1, 3.0]], [[0.3, -0.5, 0.8]], (1.0, 7.0), "exact")
    assert np.abs(force).max() < 1e-10 * np.abs(field).max()


def test_translation_wrapping_and_mirrors():
    sides = (2.0, 3.0)
    positions, moments = drawn(25, sides, 1.0)
    field, force = dipole_sum(positions, moments, sides, "exact")
    scale = (np.abs(field).max(), np.abs(force).max())
    rng = np.random.default_rng(3)
    images = rng.integers(-3, 4, size=(25, 2)) * sides
    moved = positions + np.array([0.37, -1.21, 55.0])
    moved[:, :2] += images
    result = dipole_sum(moved, moments, sides, "exact")
    assert result[0] == pytest.approx(field, abs=1e-9 * scale[0])
    assert result[1] == pytest.approx(force, abs=1e-9 * scale[1])
    for axis in range(3):
        mirror = np.ones(3)
        mirror[axis] = -1.0
        # Moments are axial vectors, but here only the pair law counts: mirrored as vectors.
        result = dipole_sum(positions * mirror, moments * mirror, sides, "exact")
        assert result[0] == pytest.approx(field * mirror, abs=1e-9 * scale[0])
        assert result[1] == pytest.approx(force * mirror, abs=1e-9 * scale[1])
    swapped = [1, 0, 2]
    result = dipole_sum(positions[:, swapped], moments[:, swapped], sides[::-1], "exact")
    assert result[0] == pytest.approx(field[:, swapped], abs=1e-9 * scale[0])
    assert result[1] == pytest.approx(force[:, swapped], abs=1e-9 * scale[1])


def test_doubled_cell_is_the_same_film():
    sides = (1.0, 1.4)
    positions, moments = drawn(10, sides, 0.8)
    field, force = dipole_sum(positions, moments, sides, "exact")
    double = np.concatenate([positions, positions + np.array([sides[0], 0.0, 0.0])])
    twice = dipole_sum(double, np.tile(moments, (2, 1)), (2.0 * sides[0], sides[1]), "exact")
    assert twice[0] == pytest.approx(np.tile(field, (2, 1)), abs=1e-9 * np.abs(field).max())
    assert twice[1] == pytest.approx(np.tile(force, (2, 1)), abs=1e-9 * np.abs(force).max())


def test_any_units():
    """Lengths in m and moments in A m2 give the same as reduced numbers."""
    sides = (20.0, 15.0)
    positions, moments = drawn(12, sides, 6.0)
    field, force = dipole_sum(positions, moments, sides, "exact")
    length, moment = 24e-9, 1.9e-18
    result = dipole_sum(positions * length, moments * moment, np.array(sides) * length, "exact")
    assert result[0] * length**3 / moment == pytest.approx(field, rel=1e-9, abs=1e-12)
    assert result[1] * length**4 / moment**2 == pytest.approx(force, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("method", ["mesh", "exact"])
def test_threads_do_not_change_bits(method):
    threads = numba.get_num_threads()
    if numba.config.NUMBA_NUM_THREADS < 2:
        pytest.skip("needs two threads")
    sides = (3.0, 2.0)
    positions, moments = drawn(77, sides, 1.0)
    results = []
    try:
        for number in (1, 2, 2):
            numba.set_num_threads(number)
            results.append(dipole_sum(positions, moments, sides, method))
    finally:
        numba.set_num_threads(threads)
    for field, force in results[1:]:
        assert field.tobytes() == results[0][0].tobytes()
        assert force.tobytes() == results[0][1].tobytes()


def test_cutoff_counts_nearest_images_within_its_range():
    """Everything within range in a wide cell is the free sum; a pair beyond it does not count."""
    positions, moments = drawn(8, (2.0, 2.0), 1.0)
    field, force = dipole_sum(positions, moments, (40.0, 40.0), "cutoff", cutoff=10.0)
    assert field == pytest.approx(free_sum(positions, moments)[0], rel=1e-11)
    assert force == pytest.approx(free_sum(positions, moments)[1], rel=1e-10, abs=1e-10)
    pair, up = [[0.1, 0.0, 0.0], [9.8, 0.0, 0.0]], [[0.0, 0.0, 1.0]] * 2
    field, force = dipole_sum(pair, up, (10.0, 10.0), "cutoff", cutoff=1.0)
    assert field[:, 2] == pytest.approx([-1 / 0.3**3] * 2)
    assert force[:, 0] == pytest.approx([3 / 0.3**4, -3 / 0.3**4])
    field, force = dipole_sum(pair, up, (10.0, 10.0), "cutoff", cutoff=0.29)
    assert not field.any()
    assert not force.any()


def test_tolerance_of_exact_is_never_coarse():
    positions, moments = drawn(20, (1.0, 1.0), 0.5)
    coarse = dipole_sum(positions, moments, (1.0, 1.0), "exact", tolerance=0.5)
    fine = dipole_sum(positions, moments, (1.0, 1.0), "exact", tolerance=1e-12)
    assert max(errors(coarse, fine, moments, 1.0)) < 1e-10


def test_input_is_left_alone():
    positions, moments = drawn(5, (1.0, 1.0), 0.5)
    copies = positions.copy(), moments.copy()
    dipole_sum(positions, moments, (1.0, 1.0), "exact")
    assert (positions == copies[0]).all()
    assert (moments == copies[1]).all()
