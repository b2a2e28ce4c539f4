"""The flow that particles stir up: noise against mobility, drift, friction, bits, equilibrium.

Gates of drawn values are at 4 standard errors, fixed seeds. The noise of a Brownian step must have
the covariance 2 kT M dt, and kT div M belongs to its mean (D. L. Ermak and J. A. McCammon, J. Chem.
Phys. 69, 1352 (1978)); what it does to structure must be nothing (Boltzmann).
"""

import dataclasses
import functools

import numpy as np
import pytest

from analysis.common.errors import InputError
from sim.engines.cpu import CpuEngine
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.interactions.flow.krylov import apply_function
from sim.interactions.flow.plan import LEAST_SIDE, plan_flow
from sim.parameters import ParameterError, from_text
from sim.run.setup import RunSetup
from tests.reference.bench_film import BENCH_FILM
from tests.reference.flow import DenseFlow
from tests.reference.small_systems import bits, film, random_film

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


def test_near_friction_keeps_normal_momenta_and_has_the_near_mobility():
    flow = seen()
    near = flow.matrix("near")
    root = np.sqrt(0.5 / np.repeat(flow.radius[None, :], 3, axis=0).ravel())
    relative = near / np.outer(root, root)
    values, vectors = np.linalg.eigh(relative)
    assert values.min() > 0.0
    kept = vectors @ np.diag((values - 1.0) / (values + 1.0)) @ vectors.T
    still = np.zeros((3, len(PLACES)))
    generator = np.random.default_rng(3)
    draws = 1500
    fresh = np.array(
        [
            flow.near.friction(still, generator.standard_normal(still.shape)).ravel()
            for _ in range(draws)
        ]
    )
    wanted = np.eye(len(kept)) - kept @ kept
    covariance = fresh.T @ fresh / draws
    diagonal = np.diag(wanted)
    spread = np.sqrt((np.outer(diagonal, diagonal) + wanted**2) / draws)
    assert np.abs((covariance - wanted) / spread).max() < 4.5
    for _ in range(3):
        momentum = generator.standard_normal(still.shape)
        found = flow.near.friction(momentum, still).ravel()
        assert found == pytest.approx(kept @ momentum.ravel(), abs=1e-4)


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


def test_the_drift_is_the_slope_of_the_own_mobility():
    """div of the smooth part by differences, as random finite differences would find it."""
    flow = seen()
    step = 0.02
    found = np.zeros(3 * len(PLACES))
    for axis in range(3):
        for j in range(len(PLACES)):
            column = axis * len(PLACES) + j
            force = np.zeros((3, len(PLACES)))
            force[axis, j] = 1.0
            for sign in (1.0, -1.0):
                shifted = PLACES.copy()
                shifted[j, axis] += sign * step
                flow.see(shifted)
                velocity = flow.smooth_velocity(force).ravel()
                found += sign * velocity / (2.0 * step)
            assert column < found.size
    flow.see(PLACES)
    own = flow.smooth.own
    wanted = np.zeros((3, len(PLACES)))
    wanted[2] = np.interp(PLACES[:, 2], own.height, own.slope)
    assert np.abs(wanted).max() > 0.05
    assert found == pytest.approx(wanted.ravel(), abs=2e-3)


def test_functions_of_a_matrix_by_its_products():
    generator = np.random.default_rng(4)
    basis = np.linalg.qr(generator.standard_normal((40, 40)))[0]
    values = np.linspace(0.05, 3.0, 40)
    matrix = basis @ np.diag(values) @ basis.T
    vector = generator.standard_normal(40)
    found, made = apply_function(lambda v: matrix @ v, vector, np.sqrt, 1e-10)
    assert found == pytest.approx(basis @ (np.sqrt(values) * (basis.T @ vector)), abs=1e-7)
    assert made <= 40
    coarse, fewer = apply_function(lambda v: matrix @ v, vector, np.sqrt, 1e-2)
    assert fewer < made
    assert np.linalg.norm(coarse - found) < 0.05 * np.linalg.norm(found)
    assert not apply_function(lambda v: matrix @ v, np.zeros(40), np.sqrt, 1e-3)[0].any()


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
    assert reduce(plain, draw(plain)).flow is None


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


def stirred(system, every=None, width=None):
    plan = plan_flow(system.sides, system.thickness, system.radius, width)
    return dataclasses.replace(system, flow=plan, flow_every=every or plan.most_steps())


def small(count=96, **changes):
    given = {"thickness": 12.5, "dipole_sum": "mesh", "tolerance": 1e-3, "precision": "float32"}
    return film(count, **{**given, "dt": 1e-4, "fraction": 0.04, **changes})


def test_threads_pieces_looks_and_restarts_change_no_bit():
    system = stirred(small())
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


LENGTHS = 3000


@pytest.mark.slow
def test_energies_and_density_are_those_without_flow():
    """The same film with and without flow: energies, magnetisation, density across the film."""
    seen_values = []
    for flow in (False, True):
        system = small(200, thickness=6.0, dt=2e-4, coupling=3.0)
        system = stirred(system) if flow else system
        engine = CpuEngine(system, random_film(system), 1)
        engine.advance(4000)
        rows = []
        for _ in range(LENGTHS // 10):
            engine.advance(40)
            energy = engine.observe()
            heights = engine.snapshot().positions[:, 2]
            rows.append(
                [
                    energy["dipolar"], energy["steric"], energy["windows"],
                    energy["magnetisation"][0], np.mean(np.abs(heights - 3.0) > 1.5),
                ]
            )  # fmt: skip
        rows = np.array(rows)
        blocks = rows[: len(rows) // 10 * 10].reshape(10, -1, rows.shape[1]).mean(axis=1)
        seen_values.append((blocks.mean(axis=0), blocks.std(axis=0, ddof=1) / np.sqrt(10)))
    (one, error), (other, also) = seen_values
    assert np.all(np.abs(one - other) < 4.0 * np.hypot(error, also))
