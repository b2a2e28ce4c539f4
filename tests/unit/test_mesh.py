"""The mesh sum against the exact one: tolerances, plans, laws, bits, and what must not happen."""

import math
from functools import cache

import numba
import numpy as np
import pytest
from numba import njit
from scipy import fft
from scipy.integrate import quad

from sim.interactions.mesh import tables
from sim.interactions.mesh.kaiser_bessel import bell, bell_area, bell_spectrum, cloud_factors
from sim.interactions.mesh.plan import SAFETY, plan_mesh
from sim.interactions.mesh.sum import SlabMesh
from sim.interactions.mesh.tables import screening_table
from sim.kernels.laws.screened import screened_radial
from sim.kernels.vectors import calls
from sim.kernels.vectors.types import load, store
from tests.reference.dipole_sum import dipole_energy, dipole_sum, mesh_sum
from tests.reference.mesh_states import DENSITY, FILMS, STATES, relative_errors, rms, state

# Sides and range of z: square, monolayer, elongated both ways, thick (h = 10 W).
CELLS = [
    ((1.0, 1.0), 0.4),
    ((1.0, 1.0), 0.0),
    ((0.4, 8.0), 0.3),
    ((8.0, 0.4), 0.0),
    ((1.0, 1.0), 10.0),
]


def drawn(count, sides, thickness, kind, seed):
    """Dipoles at random places; random moments of various sizes, or all along x or z."""
    rng = np.random.default_rng(seed)
    positions = rng.random((count, 3)) * [*sides, thickness]
    if kind == "random":
        return positions, rng.normal(size=(count, 3))
    axis = [1.0, 0.0, 0.0] if kind == "along" else [0.0, 0.0, 1.0]
    return positions, np.tile(axis, (count, 1))


def smooth(mesh, positions, moments, workers=1):
    """Smooth field and force of a mesh."""
    count = len(positions)
    field, force = np.full((count, 3), np.nan), np.full((count, 3), np.nan)
    arrays = [np.ascontiguousarray(column) for column in (*positions.T, *moments.T)]
    mesh.smooth_field_force(*arrays, count, field, force, workers)
    return field, force


@pytest.mark.parametrize("shape", [4.0, 11.0, 36.0])
def test_bells_have_their_spectrum_and_area(shape):
    def g(u, order):
        return float(bell(order, shape, np.array(u)))

    for order in (0, 1, 2):
        assert bell_area(order, shape) == pytest.approx(quad(g, -1, 1, order)[0], rel=1e-9)
        for k in (0.5, 3.0, 0.99 * shape):
            wave = quad(lambda u: g(u, order) * math.cos(k * u), -1, 1, epsabs=1e-13)[0]  # noqa: B023
            spectrum = bell_area(order, shape) * bell_spectrum(order, shape, np.array(k * k))
            assert spectrum == pytest.approx(wave, abs=1e-11)
        grown = quad(lambda u: g(u, order) * math.cosh(2.0 * u), -1, 1)[0]  # noqa: B023
        spectrum = bell_area(order, shape) * bell_spectrum(order, shape, np.array(-4.0))
        assert spectrum == pytest.approx(grown, rel=1e-9)


@pytest.mark.parametrize("shape", [6.0, 20.0])
def test_cloud_factors_are_derivatives_of_the_clouds_potential(shape):
    radius = 3.0

    def charge(s):
        return float(bell(2, shape, np.array(s / radius))) / (0.5 * radius * bell_area(2, shape))

    def potential(r):
        return quad(charge, 0.0, r, epsabs=1e-14, epsrel=1e-13)[0] / r

    r, step = 1.7, 2e-3
    slope = (8 * (potential(r + step) - potential(r - step))) / (12 * step)
    slope -= (potential(r + 2 * step) - potential(r - 2 * step)) / (12 * step)
    b, c, d = (float(f) for f in cloud_factors(shape, radius, np.array(r * r)))
    assert b == pytest.approx(-slope / r, rel=1e-7)
    for value, lower, n in ((c, 0, 1), (d, 1, 2)):
        ends = [cloud_factors(shape, radius, np.array((r + s) ** 2))[lower] for s in (-1e-4, 1e-4)]
        assert value == pytest.approx(float(ends[0] - ends[1]) / 2e-4 / r, rel=1e-5), n
    edge = cloud_factors(shape, radius, np.array(radius**2))
    assert edge[0] == pytest.approx(radius**-3, rel=1e-12)
    assert edge[1] == pytest.approx(3 * radius**-5, rel=1e-12)


@njit
def _law_of_scalars(r2, cutoff2, table, out):
    for k in range(r2.size):
        out[0, k], out[1, k], out[2, k] = screened_radial(r2[k], cutoff2, table)


@njit
def _law_of_vectors(r2, cutoff2, table, b, c, d):
    x, y, z = screened_radial(load(r2, np.uint64(0)), cutoff2, table)
    store(b, np.uint64(0), x)
    store(c, np.uint64(0), y)
    store(d, np.uint64(0), z)


@pytest.mark.parametrize("precision", ["float32", "float64"])
def test_one_law_text_for_arrays_scalars_and_vectors(precision):
    plan = plan_mesh((30.0, 30.0), 20.0, 1e-6, 1000, nearest=1.0)
    lanes = 16 if precision == "float32" else 8
    r = np.linspace(0.9, 1.05 * plan.cutoff, lanes)
    r2 = (r * r).astype(precision)
    cutoff2 = r2.dtype.type(plan.cutoff**2)
    table = screening_table(plan, precision)
    assert table.dtype == precision
    exact = np.array([r**-3, 3 * r**-5, 15 * r**-7])
    inside = r < plan.cutoff
    exact[:, inside] -= cloud_factors(plan.cloud_shape, plan.cutoff, r[inside] ** 2)
    exact[:, ~inside] = 0.0
    assert (~inside).any()
    scalars = np.empty((3, lanes), precision)
    _law_of_scalars(r2, cutoff2, table, scalars)
    vectors = np.empty((3, lanes), precision)
    _law_of_vectors(r2, cutoff2, table, *vectors)
    # Single precision: some roundings of 15/r^7; double: the fit, a share of the tolerance.
    allowed = 16 * 6e-8 * 15 * 0.9**-7 if precision == "float32" else 1e-7
    for values in (np.array(screened_radial(r2, cutoff2, table)), scalars, vectors):
        assert np.abs(values - exact).max() < allowed
        assert not values[:, ~inside].any()


@cache
def drawn_exactly(count, sides, thickness, kind, seed):
    """Return places, moments and their exact sum, summed once for all tolerances."""
    positions, moments = drawn(count, sides, thickness, kind, seed)
    return positions, moments, dipole_sum(positions, moments, sides, "exact")


@pytest.mark.parametrize("tolerance", [1e-2, 1e-4, 1e-8])
@pytest.mark.parametrize(("sides", "thickness"), CELLS)
def test_cells_of_few_dipoles_meet_the_tolerance(sides, thickness, tolerance):
    for count in (1, 2, 10):
        for kind in ("random", "along", "across"):
            for seed in (5, 6):
                positions, moments, reference = drawn_exactly(count, sides, thickness, kind, seed)
                result = dipole_sum(positions, moments, sides, "mesh", tolerance)
                wrong = relative_errors(result, reference, positions, moments, sides)
                assert max(wrong) < tolerance, (count, kind, seed)


@pytest.mark.parametrize("shape", FILMS)
@pytest.mark.parametrize("kind", STATES)
def test_films_meet_the_tolerance(kind, shape):
    """Plans as the engine makes them, which know the distance that the particles keep."""
    for spread in (0.0, 0.5):
        positions, moments, sides, thickness = state(kind, shape, 240, spread=spread)
        count = len(positions)
        reference = dipole_sum(positions, moments, sides, "exact")
        square = (moments**2).sum(axis=1)
        ratio = float(np.sqrt((square**2).mean()) / square.mean())
        for tolerance in (1e-2, 1e-3, 1e-4, 1e-6, 1e-8):
            plan = plan_mesh(sides, thickness, tolerance, count, 1.0, moment_ratio=ratio)
            result = mesh_sum(positions, moments, plan)
            wrong = relative_errors(result, reference, positions, moments, sides)
            assert max(wrong) < tolerance, (spread, tolerance)


@pytest.mark.parametrize("tolerance", [1e-2, 1e-4, 1e-8])
def test_lattices_meet_the_tolerance(tolerance):
    """Errors of a lattice add up, as all its dipoles sit alike between the grid points."""
    places = np.array([[i, j, k] for i in range(4) for j in range(5) for k in range(4)]) + 0.123
    sides = (4.0, 5.0)
    for moment in ([1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.6, 0.0, 0.8]):
        moments = np.tile(moment, (len(places), 1))
        reference = dipole_sum(places, moments, sides, "exact")
        result = dipole_sum(places, moments, sides, tolerance=tolerance)
        assert max(relative_errors(result, reference, places, moments, sides)) < tolerance


def test_a_lone_dipole_feels_nothing_of_itself():
    """Far below the tolerance: in a wide film, its false field and force are those of the mesh."""
    positions, moments, sides, thickness = state("random", "cubic", 240)
    reference = dipole_sum(positions, moments, sides, "exact")
    plan = plan_mesh(sides, thickness, 1e-3, 240, 1.0)
    mesh = SlabMesh(plan, 1)
    for k in range(40):
        lone = positions[k : k + 1], moments[k : k + 1]
        field, force = mesh_sum(*lone, plan, mesh)
        true, _ = dipole_sum(*lone, sides, "exact")
        assert rms(field - true) < 0.3e-3 * rms(reference[0])
        assert rms(force) < 0.3e-3 * rms(reference[1])


def test_the_estimate_of_the_error_is_no_guess():
    """Found against foreseen, without the plan's safety, for dipoles without correlations."""
    count, side = 1000, 10.0
    positions, moments = drawn(count, (side, side), side, "random", 8)
    moments /= np.sqrt((moments**2).sum(axis=1).mean())
    reference = dipole_sum(positions, moments, (side, side), "exact")
    for tolerance in (1e-2, 1e-4, 1e-6):
        plan = plan_mesh((side, side), side, tolerance, count)
        result = mesh_sum(positions, moments, plan)
        # Where no distance is given, plans expect a field of 2 moments over spacing^3, here 1.
        foreseen = 2.0 * plan.error / SAFETY
        found = max(rms(result[0] - reference[0]), rms(result[1] - reference[1]))
        assert 0.25 < found / foreseen < 1.3


def test_force_is_minus_energy_gradient():
    """Of one mesh, whose energy depends on places a little: agreement to the mesh's error."""
    sides = (3.0, 2.5)
    positions, moments = drawn(6, sides, 1.5, "random", 11)
    _, force = dipole_sum(positions, moments, sides, tolerance=1e-8)
    scale, step = np.abs(force).max(), 2e-3

    def energy(i, axis, shift):
        moved = positions.copy()
        moved[i, axis] += shift
        return dipole_energy(moved, moments, sides, tolerance=1e-8)

    for i, axis in ((0, 0), (2, 1), (4, 2)):
        near = energy(i, axis, step) - energy(i, axis, -step)
        far = energy(i, axis, 2 * step) - energy(i, axis, -2 * step)
        slope = (8.0 * near - far) / (12.0 * step)
        assert -slope == pytest.approx(force[i, axis], abs=1e-5 * scale)


@pytest.mark.parametrize("tolerance", [1e-3, 1e-7])
def test_threads_and_transform_workers_do_not_change_bits(tolerance):
    if numba.config.NUMBA_NUM_THREADS < 2:
        pytest.skip("needs two threads")
    positions, moments, sides, thickness = state("chained", "thin", 1600)
    plan = plan_mesh(sides, thickness, tolerance, len(positions), 1.0)
    assert plan.precision == ("float32" if tolerance == 1e-3 else "float64")
    mesh = SlabMesh(plan, len(positions))
    assert mesh.tables.shape.blocks > 3  # slabs do spread side by side
    threads = numba.get_num_threads()
    results = []
    try:
        for number, workers in ((1, 1), (2, 1), (2, 2), (2, 2)):
            numba.set_num_threads(number)
            results.append(smooth(mesh, positions, moments, workers))
    finally:
        numba.set_num_threads(threads)
    for field, force in results[1:]:
        assert field.tobytes() == results[0][0].tobytes()
        assert force.tobytes() == results[0][1].tobytes()


def test_periods_heights_and_order_do_not_matter():
    sides = (4.0, 3.0)
    positions, moments = drawn(60, sides, 2.0, "random", 2)
    field, force = dipole_sum(positions, moments, sides, tolerance=1e-6)
    rng = np.random.default_rng(3)
    moved = positions + np.array([0.0, 0.0, 55.0])
    moved[:, :2] += rng.integers(-3, 4, size=(60, 2)) * sides
    order = rng.permutation(60)
    result = dipole_sum(moved[order], moments[order], sides, tolerance=1e-6)
    assert rms(result[0] - field[order]) < 1e-9 * rms(field)
    assert rms(result[1] - force[order]) < 1e-9 * rms(force)


def test_zero_and_missing_moments():
    positions, moments = drawn(30, (3.0, 3.0), 1.0, "random", 4)
    field, force = dipole_sum(positions, np.zeros_like(moments), (3.0, 3.0))
    assert not field.any()
    assert not force.any()
    moments[3] = 0.0
    reference = dipole_sum(positions, moments, (3.0, 3.0), "exact")
    result = dipole_sum(positions, moments, (3.0, 3.0), tolerance=1e-5)
    assert rms(result[0] - reference[0]) < 1e-5 * rms(reference[0])
    assert not result[1][3].any()


def test_strays_touch_no_memory_beyond_the_grid():
    """What lies outside the planned film, or is not a number, is put at its edge."""
    positions, moments, sides, thickness = state("random", "thin", 240)
    plan = plan_mesh(sides, thickness, 1e-3, 240, 1.0)
    mesh = SlabMesh(plan, 240)
    strays = positions.copy()
    strays[0, 2], strays[1, 2], strays[2, 2] = -5.0, 1e12, np.nan
    strays[3, 0], strays[4, 1], strays[5, 0] = np.nan, np.inf, 1e300
    field, force = smooth(mesh, strays, moments)
    assert np.isfinite(field).all()
    assert np.isfinite(force).all()
    moved = strays.copy()
    moved[0, 2], moved[1, 2], moved[2, 2] = 0.0, thickness, 0.0
    moved[3, 0], moved[4, 1], moved[5, 0] = 0.0, 0.0, 0.0
    edge = smooth(mesh, moved, moments)
    assert edge[0][6:].tobytes() == field[6:].tobytes()


@pytest.mark.parametrize("tolerance", [1e-2, 1e-5, 1e-8])
@pytest.mark.parametrize("count", [500, 20000, 1000000])
def test_plans(count, tolerance):
    thickness = 20.0
    side = math.sqrt(count / DENSITY / thickness)
    plan = plan_mesh((side, 1.5 * side), thickness, tolerance, count, 1.0)
    assert plan == plan_mesh((side, 1.5 * side), thickness, tolerance, count, 1.0)
    assert plan.error <= tolerance
    assert 0.0 < plan.cutoff <= 0.5 * side
    assert min(plan.points) >= plan.width
    assert plan.points[2] * plan.spacing[2] >= thickness + plan.cutoff
    short = plan_mesh((side, 1.5 * side), thickness, tolerance, count, 1.0, longest=3.0)
    assert short.cutoff <= 3.0
    assert short.error <= tolerance
    assert short.cost >= plan.cost


def test_cost_of_a_particle_hardly_grows():
    costs = []
    for count in (10_000, 1_000_000):
        side = math.sqrt(count / DENSITY / 20.0)
        costs.append(plan_mesh((side, side), 20.0, 1e-3, count, 1.0).cost)
    assert costs[1] < 1.1 * costs[0]


def test_an_impossible_tolerance_is_refused():
    with pytest.raises(ValueError, match=r"tolerance must be at least 1e-8.*received 1e-14"):
        plan_mesh((10.0, 10.0), 5.0, 1e-14, 100)


def test_copies_of_the_film_are_taken_off():
    """A far wider gap gives the same; without the corrections the copies would show."""
    positions, moments, sides, thickness = state("across", "cubic", 240)
    plan = plan_mesh(sides, thickness, 1e-6, 240, 1.0)
    wide = plan._replace(points=(*plan.points[:2], 3 * plan.points[2]))
    field, force = smooth(SlabMesh(plan, 240), positions, moments)
    apart = smooth(SlabMesh(wide, 240), positions, moments)
    assert rms(apart[0] - field) < 1e-6 * rms(field)
    assert rms(apart[1] - force) < 1e-6 * rms(field)  # at a distance of 1
    for change in ({"layer": 0.0}, {"uniform": 0.0}):
        mesh = SlabMesh(plan, 240)
        if "layer" in change:
            mesh.tables.layer[:] = 0.0
        else:
            mesh.tables = mesh.tables._replace(shape=mesh.tables.shape._replace(uniform=0.0))
        assert rms(smooth(mesh, positions, moments)[0] - field) > 1e-4 * rms(field)


def test_slabs_of_the_influence_function_change_no_bit(monkeypatch):
    """Large grids are filled slab by slab on all cores."""
    plan = plan_mesh((30.0, 30.0), 10.0, 1e-3, 400)
    whole = tables.make_tables(plan).influence
    monkeypatch.setattr(tables, "SLAB", 2 * whole[0].size)
    assert len(whole) > 4
    assert (tables.make_tables(plan).influence == whole).all()


@pytest.mark.parametrize(("count", "workers"), [(300, 1), (20000, 2)])
def test_a_small_mesh_wakes_no_threads_and_a_second_sum_packs_nothing(count, workers, monkeypatch):
    """For a few hundred particles both took several times as long as the sum itself."""
    asked, packed = [], []

    def listening(transform):
        def transformed(*of, **how):
            asked.append(how["workers"])
            return transform(*of, **how)

        return transformed

    for name in ("rfft2", "fft", "ifft", "irfft2"):
        monkeypatch.setattr(fft, name, listening(getattr(fft, name)))
    mesh = SlabMesh(plan_mesh((60.0, 60.0), 4.0, 1e-6, count, nearest=1.0), 20)
    arrays = [np.random.default_rng(1).random(20) for _ in range(6)]
    field, force = np.empty((20, 3)), np.empty((20, 3))
    mesh.smooth_field_force(*arrays, 20, field, force, 2)
    monkeypatch.setattr(calls, "Packed", packed.append)
    mesh.smooth_field_force(*arrays, 20, field, force, 2)
    assert asked == 8 * [workers]
    assert not packed
