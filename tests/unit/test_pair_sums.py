"""The compiled pair sums against slow loops, the error of single precision, force = -grad U."""

import dataclasses

import numpy as np
import pytest

from sim.engines.cpu import CpuEngine
from sim.kernels.laws import pairs as pair_laws
from sim.kernels.steps.motion import move
from sim.kernels.steps.noise import AXES, BLOCK
from tests.reference import naive
from tests.reference.small_systems import (
    compiled_sums,
    film,
    moments_of,
    parts_of,
    random_film,
    slot_of,
    spread_diameters,
    state_of,
    sums_of_parts,
    unit_vectors,
)

# Kind of repulsion; sizes; sides and thickness by their effect on the cells of the list.
CASES = {
    "soft core, equal": {"steric": "soft_core"},
    "soft core, sizes": {"steric": "soft_core", "diameter": spread_diameters(120)},
    "surfactant, equal": {"steric": "surfactant"},
    "surfactant, sizes": {"steric": "surfactant", "diameter": spread_diameters(120)},
    "thin film": {"thickness": 1.6, "fraction": 0.15},
    "one cell a side": {"fraction": 0.25, "thickness": 7.0, "cutoff": 2.5},
}


def crowded(system, squeeze=0.97):
    """Return a state whose nearest pairs overlap a little, so that every law acts."""
    state = random_film(system)
    positions = state.positions.copy()
    rng = np.random.default_rng(2)
    # Bring every third particle into contact with the one before it, head to tail or aside.
    for i in range(0, system.count - 1, 3):
        contact = squeeze * (system.radius[i] + system.radius[i + 1])
        away = rng.normal(size=3) * [1.0, 1.0, 0.2]
        positions[i + 1] = positions[i] + contact * away / np.linalg.norm(away)
    positions[:, :2] %= system.sides
    low, high = 0.97 * system.radius, system.thickness - 0.97 * system.radius
    positions[:, 2] = np.clip(positions[:, 2], low, high)
    keep = well_apart(system, positions)
    part = np.flatnonzero(keep)
    system = dataclasses.replace(
        system,
        **{name: getattr(system, name)[part] for name in ("radius", "moment", "mobility")},
        turning=system.turning[part],
    )
    state = dataclasses.replace(
        state,
        positions=positions[part],
        image=state.image[part],
        directions=state.directions[part],
    )
    return system, state


def well_apart(system, positions, least=0.85):
    """Return which particles to keep so that no pair overlaps deeply."""
    keep = np.ones(len(positions), bool)
    for i in range(len(positions)):
        for j in range(i):
            r = naive.nearest_image(positions[i] - positions[j], system.sides)
            if keep[j] and np.linalg.norm(r) < least * (system.radius[i] + system.radius[j]):
                keep[i] = False
    return keep


def relative(result, reference):
    """Return the RMS error over the RMS of the reference."""
    return np.sqrt(np.sum((result - reference) ** 2) / np.sum(reference**2))


@pytest.mark.parametrize("case", CASES)
def test_sums_match_slow_loops(case):
    system, state = crowded(film(120, **CASES[case]))
    assert system.count > 70
    wanted = naive.film_sums(system, state.positions, moments_of(system, state))
    force, field = compiled_sums(system, state)
    assert abs(force - wanted["force"]).max() < 1e-12 * abs(wanted["force"]).max()
    assert abs(field - wanted["field"]).max() < 1e-12 * abs(wanted["field"]).max()
    seen = total_energy(system, state)
    assert wanted["steric"] > 1.0
    assert wanted["windows"] > 0.1
    for column, name in enumerate(("dipolar", "steric", "windows")):
        assert seen[column] == pytest.approx(wanted[name], rel=1e-11)
    stage = np.array(system.field[0].first)
    assert seen[3] == pytest.approx(-np.sum(moments_of(system, state) @ stage), rel=1e-12)


@pytest.mark.parametrize("steric", ["soft_core", "surfactant"])
def test_error_of_single_precision(steric):
    # In a film of chains at contact, where large forces cancel. Rounding of a float32 is 6e-8;
    # about 40 terms of both signs and the stiff repulsion (dF/F = 14 dr/r) make 1e-6 of it.
    system = film(1000, steric=steric, cutoff=6.0, thickness=20.0)
    engine = CpuEngine(system, random_film(system), 1)
    engine.advance(1500)
    state = engine.snapshot()
    force, field = compiled_sums(system, state)
    single = dataclasses.replace(system, precision="float32")
    coarse_force, coarse_field = compiled_sums(single, state)
    assert 1e-8 < relative(coarse_force, force) < 5e-6
    assert 1e-8 < relative(coarse_field, field) < 1e-6


@pytest.mark.parametrize("precision", ["float32", "float64"])
def test_forces_of_pairs_cancel(precision):
    system = film(300, steric="surfactant", diameter=spread_diameters(300), precision=precision)
    system, state = crowded(system)
    force, _ = compiled_sums(system, state)
    limit = 1e-4 if precision == "float32" else 1e-12
    assert abs(force.sum(axis=0)).max() < limit * abs(force).max()


def total_energy(system, state, magnetisation=(0.0, 0.0, 0.0)):
    """Return the engine's total energies: dipolar, steric, windows, field."""
    parts = parts_of(system, state)
    parts.film.content.magnetisation[:] = magnetisation
    return parts.film.energies()


def one_quiet_step(system, state):
    """Return the generalised forces that a step uses: displacement and turn without noise.

    All mobilities are 1 and the step is 1e-6, so the displacement is the force times 1e-6.
    """
    one = 1e-6
    system = dataclasses.replace(system, dt=one, mobility=np.ones(system.count))
    parts = parts_of(system, state)
    laws = parts.laws._replace(drift_cap=1e9)
    size = parts.slots.x.size
    assert size <= BLOCK
    table = sums_of_parts(parts.film, parts.film.pair_part)
    if system.dipole_sum != "cutoff":
        table[:, :3] += parts.long_range.force
        table[:, 4:7] += parts.long_range.field
    before = parts.slots.reals[:6].copy()
    parts.slots.last_noise[:] = 0.0
    drift2, travel2 = np.zeros(BLOCK), np.zeros(BLOCK)
    quiet = np.zeros((AXES, BLOCK), np.float32)
    move(
        0, size, parts.slots, table.ravel(), quiet, np.array(system.field[0].first),
        np.zeros(3), parts.patch, laws, drift2, travel2,
    )  # fmt: skip
    order = slot_of(parts, system.count)
    change = ((parts.slots.reals[:6] - before) / one)[:, order].T
    return change[:, :3], change[:, 3:] / system.turning[:, None]


INTERACTIONS = {
    "dipoles": {"strength": 1e-12},
    "dipoles, exact sum": {"strength": 1e-12, "dipole_sum": "exact", "tolerance": 1e-9},
    "dipoles, mesh": {"strength": 1e-12, "dipole_sum": "mesh", "tolerance": 1e-7},
    "soft core": {"coupling": 1e-8, "langevin": 0.0},
    "surfactant": {"coupling": 1e-8, "langevin": 0.0, "steric": "surfactant", "strength": 1e-12},
    "windows": {"coupling": 1e-8, "langevin": 0.0, "thickness": 1.6, "fraction": 0.05},
    "field": {"coupling": 1e-8, "langevin": 10.0, "strength": 1e-12},
    "all": {"steric": "surfactant", "diameter": spread_diameters(60)},
}


@pytest.mark.parametrize("name", INTERACTIONS)
def test_force_is_minus_the_gradient(name):
    system, state = crowded(film(60, **{"cutoff": 2.7, **INTERACTIONS[name]}))
    force, _ = one_quiet_step(system, state)
    scale = max(abs(force).max(), 1.0)
    step = 1e-5
    for particle in (0, 1, 7, 20):
        for axis in range(3):
            values = []
            for way in (step, -step):
                positions = state.positions.copy()
                positions[particle, axis] += way
                moved = dataclasses.replace(state, positions=positions)
                values.append(total_energy(system, moved).sum())
            slope = (values[0] - values[1]) / (2.0 * step)
            assert force[particle, axis] == pytest.approx(-slope, abs=2e-6 * scale)


@pytest.mark.parametrize("name", ["dipoles", "dipoles, exact sum", "dipoles, mesh", "field", "all"])
def test_torque_is_minus_the_gradient(name):
    # du/dt of the quiet step is (m x B) x u, the torque turned by a quarter about u: its
    # component along a tangent t is -dU/d(angle towards t).
    system, state = crowded(film(60, **{"cutoff": 2.7, **INTERACTIONS[name]}))
    _, turn = one_quiet_step(system, state)
    scale = max(abs(turn).max(), 1.0)
    angle = 1e-5
    for particle in (0, 1, 7, 20):
        u = state.directions[particle]
        for other in np.eye(3):
            tangent = np.cross(u, other)
            tangent /= np.linalg.norm(tangent)
            values = []
            for way in (angle, -angle):
                directions = state.directions.copy()
                directions[particle] = np.cos(way) * u + np.sin(way) * tangent
                moved = dataclasses.replace(state, directions=directions)
                values.append(total_energy(system, moved).sum())
            slope = (values[0] - values[1]) / (2.0 * angle)
            assert np.dot(turn[particle], tangent) == pytest.approx(-slope, abs=2e-5 * scale)


def test_laws_on_arrays_match_slow_forms():
    # The same text as the compiled laws, here as plain numpy.
    r = np.linspace(0.8, 1.3, 101)
    sizes = ((1.0, 1.0), (0.8, 1.4))
    for first, second in sizes:
        arguments = (0.5 * first, 0.5 * second, 0.08, 170.0)
        push = pair_laws.brush_push(r**2, *arguments)
        energy = pair_laws.brush_energy(r**2, *arguments)
        for k, distance in enumerate(r):
            vector = np.array([distance, 0.0, 0.0])
            wanted, force = naive.brush_pair(vector, first, second, 0.08, 170.0)
            assert energy[k] == pytest.approx(wanted, rel=1e-9, abs=1e-11)
            assert push[k] * distance == pytest.approx(force[0], rel=1e-9, abs=1e-11)
    push = pair_laws.soft_core_push(r**2, 1.0, 2.0)
    energy = pair_laws.soft_core_energy(r**2, 1.0, 2.0)
    for k, distance in enumerate(r):
        wanted, force = naive.soft_core_pair(np.array([0.0, distance, 0.0]), 1.0, 2.0)
        assert energy[k] == pytest.approx(wanted, rel=1e-12, abs=1e-14)
        assert push[k] * distance == pytest.approx(force[1], rel=1e-12, abs=1e-12)


def test_touching_the_window_costs_the_strength():
    # Design: the windows push at contact, with the energy e there (r = z + d/2 = d).
    system = film(8, fraction=1e-3, thickness=4.0, strength=3.0, coupling=1e-8)
    state = random_film(system)
    positions = state.positions.copy()
    positions[:, 2] = 2.0
    positions[0, 2] = 0.5
    positions[1, 2] = 3.5
    seen = total_energy(system, dataclasses.replace(state, positions=positions))
    assert seen[2] == pytest.approx(6.0, rel=1e-12)


def test_pair_vector_of_the_reference_sheet():
    # Energy, in units of m^2/r^3, of two dipoles head to tail, side by side, and two turned at
    # random: -2, +1, and the naive formula.
    for mine, theirs, wanted in (
        ((1, 0, 0), (1, 0, 0), -2.0),
        ((0, 0, 1), (0, 0, 1), 1.0),
        ((0, 0, 1), (1, 0, 0), 0.0),
    ):
        energy, _, _ = naive.dipole_pair(
            np.array([1.5, 0.0, 0.0]), np.array(mine), np.array(theirs), 9.0
        )
        assert energy == pytest.approx(wanted / 1.5**3, abs=1e-15)
    system = film(2, fraction=1e-3, thickness=6.0, coupling=1.0, strength=1e-12)
    state = dataclasses.replace(
        random_film(system),
        positions=np.array([[1.0, 1.0, 3.0], [2.5, 1.0, 3.0]]),
        directions=unit_vectors(2),
    )
    u, v = state.directions
    wanted = (u @ v - 3.0 * u[0] * v[0]) / 1.5**3
    assert total_energy(system, state)[0] == pytest.approx(wanted, rel=1e-13)


def test_dipoles_cut_off_have_no_energy():
    # Two dipoles at the range: head to tail they have -2 m^2/r^3, side by side m^2/r^3. Within the
    # range the force works as its gradient, beyond it there is none, and the jump has no force: a
    # way in beside, round to the end and out there yields 3 m^2/r^3 each time, so that what is
    # followed in steps samples no energy (Jackson, section 4.1, for the energies).
    system = film(2, coupling=4.0, cutoff=3.0, sides=(20.0, 20.0), thickness=20.0)
    nodes, weights = np.polynomial.legendre.leggauss(6)
    yields = []
    for reach in (0.9999 * system.cutoff, 1.0001 * system.cutoff):
        work = 0.0
        for node, weight in zip(nodes, weights, strict=True):
            angle = 0.25 * np.pi * (1.0 - node)  # from across to along the moments
            gap = reach * np.array([np.cos(angle), np.sin(angle), 0.0])
            state = state_of(10.0 + np.array([np.zeros(3), gap]), np.eye(3)[[0, 0]])
            force, _ = compiled_sums(system, state)
            ahead = np.array([np.sin(angle), -np.cos(angle), 0.0])
            work += 0.25 * np.pi * weight * reach * force[1] @ ahead
        yields.append(work)
    assert yields[0] == pytest.approx(3.0 * 4.0 / system.cutoff**3, rel=1e-3)
    assert yields[1] == 0.0
