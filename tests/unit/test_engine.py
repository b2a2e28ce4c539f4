"""The engine: the same bits whatever the threads, pieces and stops; guards that stop a bad run."""

import dataclasses

import numpy as np
import pytest

from sim.engines import cpu_arrays
from sim.engines.cpu import CpuEngine, StepError
from sim.film.field_programme import FieldStage
from sim.film.reduce import with_mesh
from sim.kernels.steps import step
from tests.reference import naive
from tests.reference.dipole_sum import dipole_sum
from tests.reference.induced_moments import induce, induced_energy
from tests.reference.small_systems import (
    beads,
    bits,
    compiled_sums,
    film,
    moments_of,
    random_film,
    spread_diameters,
    state_of,
    unit_vectors,
)

STEPS = 240
# Systems that take different paths through the step.
KINDS = {
    "soft core": {},
    "single precision": {"precision": "float32"},
    "surfactant, sizes": {"steric": "surfactant", "diameter": spread_diameters(300)},
    "narrow and thin": {"sides": (6.1, 40.0), "thickness": 1.8},
    "exact": {"dipole_sum": "exact", "tolerance": 1e-3, "count": 48},
    "mesh": {"dipole_sum": "mesh", "tolerance": 1e-3},
    "mesh, fine": {"dipole_sum": "mesh", "tolerance": 1e-6, "precision": "float32"},
    "beads": {"count": 120, "tolerance": 1e-3, "dt": 2e-4},
    "mesh, sizes, inertia": {
        "dipole_sum": "mesh",
        "tolerance": 1e-3,
        "diameter": spread_diameters(300),
        "dynamics": "langevin",
        "momentum_time": np.full(300, 1e-3),
        "spin_time": np.full(300, 1e-4),
    },
}


def engine_of(kind="soft core", threads=1, **changes):
    """Return a fresh engine on a random film; steps long enough that lists are rebuilt."""
    make = beads if kind == "beads" else film
    system = make(**{"count": 300, "dt": 3e-4, "list_margin": 0.25, **KINDS[kind], **changes})
    return CpuEngine(system, random_film(system), threads)


@pytest.fixture(scope="module")
def plain():
    """Return the final bits of undisturbed runs on one thread, by kind."""
    known = {}

    def run(kind):
        if kind not in known:
            engine = engine_of(kind)
            engine.advance(STEPS)
            assert kind == "exact" or engine.timing["lists_built"] >= 4
            known[kind] = bits(engine)
        return known[kind]

    return run


@pytest.mark.parametrize("kind", KINDS)
def test_threads_change_no_bit(kind, plain):
    engine = engine_of(kind, threads=2)
    engine.advance(STEPS)
    assert bits(engine) == plain(kind)


@pytest.mark.parametrize("kind", KINDS)
def test_pieces_and_looks_change_no_bit(kind, plain):
    engine = engine_of(kind)
    for piece in (1, 2, 50, 0, 37, 100, STEPS - 190):
        engine.advance(piece)
        engine.observe()
        engine.snapshot()
        engine.checkpoint()
    assert engine.step == STEPS
    assert bits(engine) == plain(kind)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("stop", [0, 1, 97])
def test_restored_run_goes_on_with_the_same_bits(kind, stop, plain):
    first = engine_of(kind)
    first.advance(stop)
    saved = first.checkpoint()
    first.advance(5)  # what follows the checkpoint leaves it alone
    system = first.system
    # A fresh engine on another start, as a resumed run would make it.
    second = CpuEngine(system, random_film(system, seed=99), 1)
    second.restore(saved)
    assert second.step == stop
    second.advance(STEPS - stop)
    assert bits(second) == plain(kind)
    # The engine that went on may go back, too.
    first.restore(saved)
    first.advance(STEPS - stop)
    assert bits(first) == plain(kind)


def test_checkpoint_holds_plain_arrays_and_numbers():
    engine = engine_of()
    engine.advance(10)
    saved = engine.checkpoint()
    assert all(isinstance(value, np.ndarray | int | float) for value in saved.values())
    before = {key: np.copy(value) for key, value in saved.items()}
    engine.advance(10)
    for key, value in saved.items():
        np.testing.assert_array_equal(value, before[key])


def test_list_that_has_to_grow_changes_no_bit(plain, monkeypatch):
    monkeypatch.setattr(cpu_arrays, "first_room", lambda *_: 8)
    engine = engine_of()
    assert engine._content.neighbours.entries.size < 64 * 10
    engine.advance(STEPS)
    assert engine._content.neighbours.entries.size > 64 * 100
    assert bits(engine) == plain("soft core")


def test_other_seed_is_another_run(plain):
    system = engine_of().system
    engine = CpuEngine(system, dataclasses.replace(random_film(system), seed=8), 1)
    engine.advance(STEPS)
    assert bits(engine) != plain("soft core")


def test_snapshot_is_wrapped_and_counts_periods():
    engine = engine_of(
        count=10, coupling=0.01, strength=0.1, dt=2e-3, sides=(9.0, 7.0), langevin=0.0
    )
    before = engine.snapshot()
    path = before.positions.copy()
    for _ in range(60):
        engine.advance(20)
        after = engine.snapshot()
        sides = engine.system.sides
        for axis in range(2):
            assert (after.positions[:, axis] >= 0.0).all()
            assert (after.positions[:, axis] < sides[axis]).all()
            unwrapped = after.positions[:, axis] + after.image[:, axis] * sides[axis]
            # In 20 steps of sqrt(2 D dt) = 0.063 none gets a side further, so the path is whole.
            assert abs(unwrapped - path[:, axis]).max() < 2.0
            path[:, axis] = unwrapped
    assert abs(after.image).max() >= 1
    assert after.step == 1200
    assert after.time == pytest.approx(2.4)
    np.testing.assert_allclose(np.linalg.norm(after.directions, axis=1), 1.0, atol=1e-14)
    assert after.positions is not engine.snapshot().positions


def test_particles_keep_their_rows():
    # Sizes differ, so a wrong row would move with the wrong mobility: one hop from the known start.
    count = 50
    diameter = np.linspace(0.8, 1.2, count)
    system = film(count, diameter=diameter, coupling=1e-8, fraction=1e-4, dt=1e-6, langevin=0.0)
    start = random_film(system)
    engine = CpuEngine(system, start, 1)
    engine.advance(3)
    gap = engine.snapshot().positions - start.positions
    gap[:, :2] -= system.sides * np.rint(gap[:, :2] / system.sides)
    assert abs(gap).max() < 0.02


def test_observed_energies_match_slow_loops():
    system = film(60, cutoff=2.7, diameter=spread_diameters(60), steric="surfactant", dt=2e-5)
    engine = CpuEngine(system, random_film(system), 1)
    engine.advance(600)
    state = engine.snapshot()
    seen = engine.observe()
    moments = moments_of(system, state)
    wanted = naive.film_sums(system, state.positions, moments)
    volume = system.sides[0] * system.sides[1] * system.thickness
    mean = moments.sum(axis=0) / volume
    far = 0.0
    for i in range(60):
        z = state.positions[i, 2]
        field = naive.slab_less_sphere(z, system.thickness, system.cutoff, mean, 2000)
        far -= 0.5 * moments[i] @ field
    assert seen["steric"] == pytest.approx(wanted["steric"] / 60, rel=1e-9)
    assert seen["windows"] == pytest.approx(wanted["windows"] / 60, rel=1e-9)
    assert seen["dipolar"] == pytest.approx((wanted["dipolar"] + far) / 60, rel=1e-4)
    applied = np.array(system.field[0].first)
    assert seen["field"] == pytest.approx(-np.sum(moments @ applied) / 60, rel=1e-12)
    relative = moments.sum(axis=0) / system.moment.sum()
    np.testing.assert_allclose(seen["magnetisation"], relative, rtol=1e-12)


@pytest.mark.parametrize("precision", ["float32", "float64"])
@pytest.mark.parametrize("tolerance", [1e-2, 1e-3, 1e-5])
@pytest.mark.parametrize("thickness", [1.2, 10.0, 60.0])
def test_mesh_of_a_run_meets_its_tolerance(thickness, tolerance, precision):
    # Against the exact sum of the same film, on a state of short chains.
    asked = {"thickness": thickness, "dt": 1e-4, "langevin": 3.0, "tolerance": tolerance}
    plain = film(300, diameter=spread_diameters(300), precision=precision, **asked)
    system = with_mesh(plain)
    engine = CpuEngine(system, random_film(system), 1)
    engine.advance(400)
    state, seen = engine.snapshot(), engine.observe()
    force, field = compiled_sums(system, state)
    bare, empty = compiled_sums(dataclasses.replace(plain, moment=np.zeros(300)), state)
    moments = moments_of(system, state)
    wanted, push = dipole_sum(state.positions, moments, system.sides, "exact")
    size = np.sqrt(np.mean(np.sum(wanted**2, axis=1)))
    pull = max(np.sqrt(np.mean(np.sum(push**2, axis=1))), size * system.moment.mean())
    assert np.sqrt(np.mean(np.sum((field - empty - wanted) ** 2, axis=1))) < tolerance * size
    assert np.sqrt(np.mean(np.sum((force - bare - push) ** 2, axis=1))) < tolerance * pull
    energy = -0.5 * np.sum(moments * wanted)
    spread = size * np.sqrt(np.sum(system.moment**2))
    assert seen["dipolar"] * 300 == pytest.approx(energy, abs=3.0 * tolerance * spread)


def test_kept_field_of_the_mesh_is_that_of_the_step_it_was_summed_at():
    engine = engine_of("mesh")
    every = engine.system.mesh_every
    assert every > 1
    engine.advance(3 * every + 1)
    kept = engine._slots.smooth[:, np.argsort(engine._slots.identity[:300])].copy()
    other = engine_of("mesh")
    other.advance(3 * every)
    other._film.fresh()
    found = other._content.long_range
    other._mesh.sum(other._slots, found)
    order = np.argsort(other._slots.identity[:300])
    np.testing.assert_array_equal(kept[:3].T, found.force[order])
    np.testing.assert_array_equal(kept[3:].T, found.field[order])


@pytest.mark.parametrize("method", ["mesh", "exact"])
def test_beads_of_a_run_have_self_consistent_moments_and_energy(method):
    # Against the exact sum and a search of its own, from other starting values.
    system = beads(dipole_sum=method, tolerance=1e-4)
    engine = CpuEngine(system, random_film(system), 1)
    engine.advance(40)
    state, seen = engine.snapshot(), engine.observe()
    applied = np.array(system.field[0].first)
    film_of = (system.saturation, system.core_langevin, applied, system.sides, "exact")
    moments, _, force, _ = induce(state.positions, *film_of, tolerance=1e-10, moment_tolerance=1e-9)
    wrong = moments_of(system, state) - moments
    assert np.sqrt(np.mean(wrong**2) / np.mean(moments**2)) < 1e-4
    energy = induced_energy(
        state.positions, moments, system.saturation, system.core_langevin, applied, system.sides,
        "exact", 1e-10,
    )  # fmt: skip
    found = (seen["dipolar"] + seen["field"] + seen["induction"]) * system.count
    assert found == pytest.approx(energy, rel=1e-5)
    # The forces of the next step: what the compiled loop sums with these very moments.
    settled = dataclasses.replace(system, moment=np.linalg.norm(moments, axis=1), core_langevin=0.0)
    fixed = dataclasses.replace(state, directions=moments / settled.moment[:, None])
    summed, _ = compiled_sums(settled, fixed)
    bare, _ = compiled_sums(dataclasses.replace(settled, moment=np.zeros(120)), fixed)
    size = np.sqrt(np.mean(force**2))
    assert np.sqrt(np.mean((summed - bare - force) ** 2)) < 3e-4 * size


def test_beads_lose_their_moments_with_the_field():
    still = (FieldStage("hold", np.inf, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),)
    system = dataclasses.replace(beads(tolerance=1e-3), field=still)
    engine = CpuEngine(system, random_film(system), 1)
    engine.advance(3)
    assert not engine.snapshot().directions.any()
    assert engine.observe()["dipolar"] == 0.0


def test_field_programme():
    stages = (
        FieldStage("ramp", 0.5, (0.0, 0.0, 0.0), (2.0, 0.0, -1.0)),
        FieldStage("hold", 0.25, (0.0, 3.0, 0.0), (0.0, 3.0, 0.0)),
        FieldStage("ramp", 0.25, (0.0, 3.0, 0.0), (0.0, 0.0, 0.0)),
    )
    table = cpu_arrays.field_table(stages)
    out = np.zeros(3)
    for time, wanted in (
        (0.0, (0.0, 0.0, 0.0)),
        (0.25, (1.0, 0.0, -0.5)),
        (0.5, (0.0, 3.0, 0.0)),
        (0.7, (0.0, 3.0, 0.0)),
        (0.875, (0.0, 1.5, 0.0)),
        (1.0, (0.0, 0.0, 0.0)),
        (9.0, (0.0, 0.0, 0.0)),  # after the programme the last value stays
    ):
        step.field_at(time, table, out)
        np.testing.assert_allclose(out, wanted, atol=1e-14)
    engine = engine_of(count=20, field=stages, dt=0.001, coupling=1e-4)
    engine.advance(125)
    np.testing.assert_allclose(engine.applied_field(), (0.5, 0.0, -0.25), rtol=1e-12)


def overlapping(distance):
    """Return a film of which particles 5 and 6 overlap, and its state."""
    system = film(30, fraction=0.002, dt=1e-3)
    state = random_film(system)
    positions = state.positions.copy()
    positions[5] = [8.0, 8.0, 5.0]
    positions[6] = [8.0 + distance, 8.0, 5.0]
    return system, dataclasses.replace(state, positions=positions)


def test_thrown_particle_stops_the_run_and_keeps_the_state():
    # At 0.6 of contact: F = 24 (2/0.6^12 - 1/0.6^6)/0.6 = 3.6e4, a drift of 36 diameters.
    system, state = overlapping(0.6)
    engine = CpuEngine(system, state, 1)
    before = bits(engine)
    with pytest.raises(StepError) as caught:
        engine.advance(100)
    error = caught.value
    assert error.particle in (5, 6)
    assert error.step == 1
    assert "time_step" in error.remedy
    assert f"particle {error.particle}" in str(error)
    assert "step 1 " in str(error)
    assert error.remedy in str(error)
    assert engine.step == 0
    assert bits(engine) == before


def test_thrown_particle_is_the_same_on_any_number_of_threads():
    caught = []
    for threads in (1, 2):
        system, state = overlapping(0.6)
        engine = CpuEngine(system, state, threads)
        with pytest.raises(StepError) as error:
            engine.advance(10)
        caught.append((error.value.particle, error.value.step))
    assert caught[0] == caught[1]


@pytest.mark.parametrize("precision", ["float32", "float64"])
@pytest.mark.parametrize("where", ["direction", "height", "same place"])
def test_what_is_not_a_number_stops_the_run(where, precision):
    system = film(200, precision=precision)
    state = random_film(system)
    positions, directions = state.positions.copy(), state.directions.copy()
    if where == "direction":
        directions[17] = np.nan
    elif where == "height":
        positions[17, 2] = np.nan
    else:
        positions[17] = positions[18]
    bad = dataclasses.replace(state, positions=positions, directions=directions)
    engine = CpuEngine(system, bad, 1)
    with pytest.raises(StepError, match="thrown further than it may go"):
        engine.advance(3)


def test_capped_drifts_are_counted_and_too_many_stop_the_run():
    # At 0.87 of contact: F = 24 (2/0.87^12 - 1/0.87^6)/0.87 = 230, a drift of 0.23 > 0.1.
    system, state = overlapping(0.87)
    engine = CpuEngine(system, state, 1)
    engine.advance(1)
    assert engine.timing["capped_moves"] == 2
    gap = engine.snapshot().positions[6] - engine.snapshot().positions[5]
    # Moved apart by twice the cap and by noise of 0.045 each.
    assert 0.87 < gap[0] < 0.87 + 0.2 + 0.3
    # A step so long that most contacts are capped, but none goes beyond the limit at once.
    system = film(300, dt=2e-3, fraction=0.2, coupling=0.01)
    engine = CpuEngine(system, random_film(system), 1)
    with pytest.raises(StepError, match=r"moves were capped by step \d+; shorten"):
        engine.advance(60)


def test_few_capped_moves_do_not_stop_a_run():
    system, state = overlapping(0.87)
    engine = CpuEngine(system, state, 1)
    engine.advance(50)
    assert 2 <= engine.timing["capped_moves"] <= 20


def test_empty_advance_changes_nothing():
    engine = engine_of(count=40)
    engine.advance(7)
    before = bits(engine)
    engine.advance(0)
    assert engine.step == 7
    assert bits(engine) == before


@pytest.mark.parametrize("count", [1, 2, 15, 16, 17])
def test_films_of_a_few_particles(count):
    system = film(count, fraction=0.001)
    engine = CpuEngine(system, random_film(system), 2)
    engine.advance(20)
    assert np.isfinite(engine.snapshot().positions).all()
    assert len(engine.snapshot().directions) == count


def test_threads_are_limited_to_what_there_is():
    engine = engine_of(count=16, threads=10_000)
    assert 1 <= engine.timing["threads"] < 10_000


def test_timing_tells_compiling_from_stepping():
    engine = engine_of(count=40)
    engine.compile()
    compiled = engine.timing["compile_s"]
    assert compiled > 0.0
    assert engine.timing["stepping_s"] == 0.0
    engine.advance(20)
    assert engine.timing["compile_s"] == compiled
    assert engine.timing["stepping_s"] > 0.0
    assert engine.timing["steps"] == 20


def test_pair_of_aligned_dipoles_approaches_as_computed():
    # Without noise, head to tail: dr/dt = -2 D0 6 lambda d^3/r^4, so the time from r0 to r1 is
    # (r0^5 - r1^5)/(60 lambda) in d^2/D0 (derived by integration; 12 lambda = 2 x 6 lambda).
    system = film(2, fraction=1e-4, coupling=10.0, langevin=1e4, thickness=20.0, cutoff=4.0)
    system = dataclasses.replace(system, dt=1e-5)
    state = state_of([[10.0, 10.0, 10.0], [13.0, 10.0, 10.0]], [[1.0, 0, 0], [1.0, 0, 0]])
    engine = CpuEngine(system, state, 1)
    engine._slots.kick[:] = 0.0
    engine._slots.twist[:] = 0.0
    steps = 0
    while True:
        engine.advance(50)
        steps += 50
        place = engine.snapshot().positions
        distance = place[1, 0] - place[0, 0]
        if distance < 1.3:
            break
    wanted = (3.0**5 - distance**5) / 600.0
    assert steps * 1e-5 == pytest.approx(wanted, rel=1e-3)
    assert abs(place[:, 1:] - 10.0).max() < 1e-3


def test_directions_of_unit_vectors_are_even():
    # The helper of these tests: mean 0 and <u_x^2> = 1/3.
    rows = unit_vectors(4000)
    assert abs(rows.mean(axis=0)).max() < 4.0 / np.sqrt(3.0 * 4000)
    assert abs((rows**2).mean(axis=0) - 1.0 / 3.0).max() < 4.0 * np.sqrt(4.0 / 45.0 / 4000)
