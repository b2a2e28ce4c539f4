"""The flow that particles stir up: noise against mobility, drift, bits, equilibrium.

Gates of drawn values are at 4 standard errors, fixed seeds. The noise of a Brownian step must have
the covariance 2 kT M dt, and kT div M belongs to its mean (D. L. Ermak and J. A. McCammon, J. Chem.
Phys. 69, 1352 (1978)); what it does to structure must be nothing (Boltzmann).
"""

import dataclasses
import functools

import numpy as np
import pytest

from analysis.common.averages.memory import memory
from analysis.common.averages.time_average import time_error
from analysis.common.errors import InputError
from sim.engines.cpu import CpuEngine
from sim.film.memory import FLOW_PARTICLE_BYTES, memory_bytes
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.interactions.flow.krylov import UnsettledFlowError, apply_function
from sim.interactions.flow.plan import LEAST_SIDE, plan_flow
from sim.kernels.flow.layout import LANES
from sim.kernels.laws.hindrance import hindered
from sim.parameters import ParameterError, from_text
from sim.run.setup import RunSetup
from tests.reference.bench_film import BENCH_FILM
from tests.reference.flow import DenseFlow
from tests.reference.small_systems import (
    bits,
    film,
    random_film,
    state_of,
    unit_vectors,
    with_flow,
)

SIDE, THICKNESS = 12.0, 6.0
# Two touching, two that overlap, one near each window.
PLACES = np.array(
    [
        [2.0, 3.0, 2.5], [3.0, 3.0, 2.5], [6.0, 7.0, 4.0], [6.5, 7.2, 4.3], [9.0, 2.0, 0.6],
        [11.7, 11.5, 5.3],
    ]
)  # fmt: skip


@functools.cache
def seen():
    radius = np.full(len(PLACES), 0.5)
    flow = DenseFlow(plan_flow((SIDE, SIDE), THICKNESS, radius), radius)
    flow.see(PLACES)
    return flow


def test_smooth_noise_has_the_smooth_mobility_as_covariance():
    flow = seen()
    matrix = flow.matrix("smooth")
    draws = 1200
    still = np.zeros((3, len(PLACES)))
    found = np.array(
        [
            flow.smooth_velocity(still, amplitude=1.0, step=step, seed=9).ravel()
            for step in range(draws)
        ]
    )
    covariance = found.T @ found / draws
    spread = np.sqrt((np.outer(np.diag(matrix), np.diag(matrix)) + matrix**2) / draws)
    off = np.abs(covariance - matrix) / spread
    # 171 numbers; 4.5 as one of them may be that far off
    assert off.max() < 4.5
    assert np.abs(found.mean(axis=0) / np.sqrt(np.diag(matrix) / draws)).max() < 4.0
    assert np.mean(off**2) == pytest.approx(1.0, abs=0.3)


def test_near_noise_has_the_near_mobility_as_covariance_whichever_its_lane():
    flow = seen()
    near = flow.matrix("near")
    root = np.sqrt(0.5 / np.repeat(flow.radius[:, None], 3, axis=1).ravel())
    by_particle = np.arange(3 * len(PLACES)).reshape(3, -1).T.ravel()  # x, y, z of each in turn
    relative = near[np.ix_(by_particle, by_particle)] / np.outer(root, root)
    values, vectors = np.linalg.eigh(relative)
    assert values.min() > 0.0
    wanted = vectors @ np.diag(np.sqrt(values)) @ vectors.T
    normals = np.random.default_rng(3).standard_normal((LANES, len(root)))
    found = flow.near.noise(normals)
    assert found == pytest.approx(normals @ wanted, abs=1e-4)
    alone = np.zeros_like(normals)
    alone[5] = normals[2]
    assert np.array_equal(flow.near.noise(alone)[5], found[2])


def test_near_and_smooth_part_are_symmetric_and_positive_whatever_overlaps():
    generator = np.random.default_rng(8)
    radius = np.full(24, 0.5)
    flow = DenseFlow(plan_flow((SIDE, SIDE), THICKNESS, radius), radius)
    places = generator.uniform([0.0, 0.0, 0.4], [4.0, 4.0, THICKNESS - 0.4], (24, 3))
    flow.see(places)
    for part in ("near", "smooth"):
        matrix = flow.matrix(part)
        assert np.abs(matrix - matrix.T).max() < 2e-6
        assert np.linalg.eigvalsh(0.5 * (matrix + matrix.T)).min() > -2e-6


def test_the_drift_is_the_divergence_of_the_mobility():
    """Of both parts, by differences, as random finite differences would find it."""
    flow = seen()
    step = 0.02
    found = {"smooth": np.zeros(3 * len(PLACES)), "near": np.zeros(3 * len(PLACES))}
    for axis in range(3):
        for j in range(len(PLACES)):
            force = np.zeros((3, len(PLACES)))
            force[axis, j] = 1.0
            for sign in (1.0, -1.0):
                shifted = PLACES.copy()
                shifted[j, axis] += sign * step
                flow.see(shifted)
                for part, velocity in (
                    ("smooth", flow.smooth_velocity(force)), ("near", flow.near_velocity(force)),
                ):  # fmt: skip
                    found[part] += sign * velocity.ravel() / (2.0 * step)
    flow.see(PLACES)
    own = flow.smooth.own
    wanted = np.zeros((3, len(PLACES)))
    wanted[2] = np.interp(PLACES[:, 2], own.height, own.slope)
    assert np.abs(wanted).max() > 0.05
    assert found["smooth"] == pytest.approx(wanted.ravel(), abs=2e-3)
    assert np.abs(flow.near.drift[:2]).max() > 0.01
    assert found["near"] == pytest.approx(flow.near.drift.ravel(), abs=4e-3)


def test_a_function_of_a_matrix_by_its_products():
    generator = np.random.default_rng(4)
    basis = np.linalg.qr(generator.standard_normal((40, 40)))[0]
    values = np.linspace(0.05, 3.0, 40)
    matrix = basis @ np.diag(values) @ basis.T
    vectors = generator.standard_normal((3, 40))
    vectors[2] = 0.0

    def multiply(rows):
        return rows @ matrix

    found, made = apply_function(multiply, vectors, np.sqrt, 1e-10)
    assert found == pytest.approx(((vectors @ basis) * np.sqrt(values)) @ basis.T, abs=1e-7)
    assert made <= 41
    coarse, fewer = apply_function(multiply, vectors, np.sqrt, 1e-2)
    assert fewer < made
    assert np.linalg.norm(coarse - found) < 0.03 * np.linalg.norm(found)
    nothing, _ = apply_function(multiply, 0.0 * vectors, np.sqrt, 1e-3)
    assert not nothing.any()
    # an eigenvector is done after one product, beside one that is not
    mixed = np.stack([basis[:, 0], vectors[1]])
    same, _ = apply_function(multiply, mixed, np.sqrt, 1e-10)
    assert same[0] == pytest.approx(np.sqrt(values[0]) * basis[:, 0], abs=1e-9)
    with pytest.raises(UnsettledFlowError, match="still changes"):
        apply_function(multiply, vectors, np.sqrt, -1.0)


def test_narrow_patches_and_uneven_sizes_are_refused():
    radius = np.full(10, 0.5)
    with pytest.raises(ValueError, match=f"at least {LEAST_SIDE:g} mean diameters wide"):
        plan_flow((5.0, 20.0), 10.0, radius)
    with pytest.raises(ValueError, match="similar size"):
        plan_flow((9.0, 20.0), 10.0, np.append(radius, 2.0))


KEY = '\n[motion]\nflow = "hydrodynamic"\n'


def test_the_key_makes_plain_steps_with_a_plan():
    parameters = from_text(BENCH_FILM + KEY)
    system = reduce(parameters, draw(parameters))
    assert system.flow is not None
    assert system.inner_steps == 1
    assert system.flow.reach >= 5.0 * system.flow.width
    assert 1 <= system.flow_every <= 8
    assert any("flow" in text for text in cautions_of(parameters))
    plain = from_text(BENCH_FILM)
    without = reduce(plain, draw(plain))
    assert without.flow is None
    assert memory_bytes(system) > memory_bytes(without) + FLOW_PARTICLE_BYTES * system.count


def cautions_of(parameters):
    return RunSetup(parameters).expectations.cautions


def test_a_film_that_cannot_have_flow_is_refused_with_a_sentence():
    with pytest.raises(ParameterError, match=r'\[motion\] flow must be "none" with \[run\]'):
        from_text(BENCH_FILM.replace("[run]\n", '[run]\ndynamics = "langevin"\n') + KEY)
    with pytest.raises(ParameterError, match=r"\[motion\] flow"):
        from_text(BENCH_FILM + '\n[motion]\nflow = "fast"\n')
    narrow = BENCH_FILM.replace(
        'width = ["2.0 um", "0.6 um"]', 'width = ["2.0 um", "0.14 um"]'
    ).replace('"cutoff"', '"mesh"')
    parameters = from_text(narrow + KEY)
    with pytest.raises(InputError, match=r'\[motion\] flow must be "none" for this film'):
        reduce(parameters, draw(parameters))


def small(count=96, **changes):
    given = {"thickness": 12.5, "dipole_sum": "mesh", "tolerance": 1e-3, "precision": "float32"}
    return film(count, **{**given, "dt": 1e-4, "fraction": 0.04, **changes})


@pytest.mark.parametrize("every", [8, 3])
def test_threads_pieces_looks_and_restarts_change_no_bit(every):
    system = with_flow(small(), every)
    state = random_film(system)
    whole = CpuEngine(system, state, 1)
    whole.advance(21)
    parts = CpuEngine(system, state, 2)
    parts.advance(3)
    parts.observe()
    parts.advance(6)
    saved = parts.checkpoint()
    parts.snapshot()
    parts.advance(12)
    assert bits(parts) == bits(whole)
    again = CpuEngine(system, random_film(system, 6), 1)
    again.restore(saved)
    again.advance(12)
    assert bits(again) == bits(whole)
    other = CpuEngine(dataclasses.replace(system, flow=None), state, 1)
    other.advance(21)
    assert bits(other) != bits(whole)


def test_a_pair_without_noise_approaches_by_its_mobility():
    """Two dipoles head to tail: dr/dt = 2 (M_self - M_pair) F, with F = 6 m^2/r^4, in one film."""
    coupling, dt, start = 10.0, 2e-4, 2.5
    system = film(
        2, coupling=coupling, langevin=200.0, sides=(24.0, 24.0), thickness=20.0, dt=dt, noise=0.0,
        dipole_sum="cutoff", cutoff=6.0, strength=1e-9, turning=np.zeros(2),
    )  # fmt: skip
    system = with_flow(system)
    places = np.array([[8.0, 9.0, 10.0], [8.0 + start, 9.0, 10.0]])
    engine = CpuEngine(system, state_of(places, np.tile([1.0, 0.0, 0.0], (2, 1))), 1)
    engine._slots.momentum[:] = 0.0
    flow = DenseFlow(system.flow, system.radius)
    distance = start
    for _ in range(6):
        engine.advance(40)
        for _ in range(8):  # midpoint rule on the mobility at the places
            half = distance
            for _ in range(2):
                flow.see(places + np.array([[0.0, 0.0, 0.0], [half - start, 0.0, 0.0]]))
                pull = np.zeros((3, 2))
                pull[0] = [1.0, -1.0]
                pace = flow.smooth_velocity(pull) + flow.near_velocity(pull)
                speed = 6.0 * coupling / half**4 * (pace[0, 0] - pace[0, 1])
                half = distance - 0.5 * 5.0 * dt * speed
            distance -= 5.0 * dt * speed
        ends = engine.snapshot().positions
        found = float(np.linalg.norm(ends[1] - ends[0]))
        assert found == pytest.approx(distance, abs=4e-3)
    assert distance < start - 0.1


def test_particles_that_do_not_touch_diffuse_as_the_windows_let_them():
    system = film(
        64, coupling=1e-8, langevin=0.0, thickness=12.5, fraction=0.01, strength=1e-9, dt=5e-4,
        dipole_sum="cutoff", cutoff=2.0
    )  # fmt: skip
    system = with_flow(system)
    generator = np.random.default_rng(6)
    places = generator.uniform([0.0, 0.0, 2.5], [*system.sides, 10.0], (64, 3))
    engine = CpuEngine(system, state_of(places, unit_vectors(64)), 1)
    squares, wanted = [], []
    for _ in range(24):
        before = engine.snapshot()
        engine.advance(24)
        after = engine.snapshot()
        away = after.positions - before.positions
        away[:, :2] -= np.array(system.sides) * np.rint(away[:, :2] / np.array(system.sides))
        squares.append((away[:, :2] ** 2).mean())
        along, _ = hindered(before.positions[:, 2], system.thickness, 0.5)
        wanted.append(2.0 * 24 * system.dt * along.mean())
    share = np.mean(squares) / np.mean(wanted)
    assert abs(share - 1.0) < 4.0 * np.sqrt(2.0 / (64 * 2 * 24))


def averages(system, state):
    """Return means and errors of energies, magnetisation and the share near the windows."""
    engine = CpuEngine(system, state_of(state.positions, state.directions), 1)
    rows = []
    for _ in range(300):
        engine.advance(60)
        energy = engine.observe()
        heights = engine.snapshot().positions[:, 2]
        names = ("dipolar", "steric", "windows")
        near = np.mean(np.abs(heights - 0.5 * system.thickness) > 4.75)
        rows.append([*(energy[name] for name in names), energy["magnetisation"][0], near])
    series = np.array(rows)
    errors = [time_error(values, memory(values))[0] for values in series.T]
    return series.mean(axis=0), np.array(errors)


@pytest.mark.slow
def test_energies_and_density_are_those_without_flow():
    system = small(200, dt=1.2e-4, coupling=3.0)
    # Flow slows bonding too: both begin where the film has come to rest, and errors follow from how
    # long each number remembers.
    rest = CpuEngine(system, random_film(system), 1)
    rest.advance(36_000)
    one, error = averages(system, rest.snapshot())
    other, also = averages(with_flow(system), rest.snapshot())
    assert np.all(np.abs(one - other) < 4.0 * np.hypot(error, also))
    sharp = [0, 1, 3]  # what happens at the windows is rare, and so less sharp
    assert np.all(np.hypot(error, also)[sharp] < 0.08 * np.abs(one[sharp]))
