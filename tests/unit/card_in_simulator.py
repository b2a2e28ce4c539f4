"""Kernels of the card in numba's simulator; run by ``test_card.py`` in a process of its own.

Against slow loops (`tests.reference.naive`) and against the engine of processors, on tiny films.
"""

import dataclasses
import pickle
from pathlib import Path

import h5py
import numpy as np
import pytest

import sim
from sim.engines.card.batch import CardBatch, OtherKindError
from sim.engines.card.engine import CardEngine, Seats, advance_together
from sim.engines.card.film import lists_in_step
from sim.engines.card.helpers import Helpers
from sim.engines.card.kept import KernelStore, Origin, kernel_of, origin_of
from sim.engines.card.memory import card_bytes
from sim.engines.cpu import CpuEngine
from sim.engines.guards import EngineLostError, StepError
from sim.files.selection import count_map
from sim.film.field_programme import FieldStage
from sim.interactions.van_der_waals import VanDerWaalsLaw
from sim.kernels.card import beads as bead_kernels
from sim.kernels.card import steps
from sim.kernels.card.tools import BLOCK, Kernel, Queue
from sim.kernels.laws.motion import missing_field
from sim.run.cost import calibrate
from sim.run.setup import RunSetup
from tests.reference import naive
from tests.reference.small_film import small_film
from tests.reference.small_systems import (
    added_pairs,
    beads,
    bits,
    compiled_sums,
    film,
    moments_of,
    random_film,
    spread_diameters,
)

COUNT = 48
SINGLE = {"precision": "float32"}
CASES = {
    "soft core": SINGLE,
    "double": {},
    "surfactant, sizes": {
        **SINGLE, "steric": "surfactant", "diameter": spread_diameters(COUNT), "fraction": 0.2,
    },
    "one cell a side": {**SINGLE, "fraction": 0.25, "thickness": 4.0, "cutoff": 1.8},
    "thin film": {**SINGLE, "thickness": 1.6, "fraction": 0.15},
}  # fmt: skip


@pytest.fixture(autouse=True)
def _one_thread_a_slot(monkeypatch):
    """Threads are slow here; those that share a slot have checks of their own."""
    monkeypatch.setattr("sim.engines.card.film.shares_of", lambda _: 1)


# Large enough for a mesh.
MESH = {"dipole_sum": "mesh", "tolerance": 1e-3, "fraction": 0.03, "thickness": 10.0}


def engine_of(**changes):
    """Return (system, state, engine) of a random film."""
    system = film(COUNT, **{"fraction": 0.1, "thickness": 6.0, "cutoff": 2.5, **changes})
    state = random_film(system)
    return system, state, CardEngine(system, state)


def relative(result, reference):
    """Return the RMS error over the RMS of the reference."""
    return np.sqrt(np.sum((result - reference) ** 2) / np.sum(reference**2))


@pytest.mark.parametrize("name", CASES)
def test_sums_match_slow_loops(name):
    system, state, engine = engine_of(**CASES[name])
    force, field = engine.sums()
    wanted = naive.film_sums(system, state.positions, moments_of(system, state))
    # places are whole parts of the periods: 2^-32 of the patch
    allowed = 3e-6 if system.precision == "float32" else 1e-9
    assert relative(force, wanted["force"]) < allowed
    assert relative(field, wanted["field"]) < allowed


@pytest.mark.parametrize("large_grid", [2**30, 0])
def test_sums_with_a_mesh_match_the_processor(monkeypatch, large_grid):
    """Single precision leaves 3e-6 where the mesh of both is the same; large grids by themselves.

    A film of a batch has the bits that it has alone.
    """
    monkeypatch.setattr("sim.engines.card.memory.LARGE_GRID", large_grid)
    system, state, engine = engine_of(**SINGLE, **MESH)
    found = engine.sums()
    for mine, theirs in zip(found, compiled_sums(system, state), strict=True):
        assert relative(mine, theirs) < 3e-6
    other = dataclasses.replace(state, positions=np.roll(state.positions, 1, axis=0))
    batch = together([system, system], [other, state])
    for alone, one in zip(found, batch[1].sums(), strict=True):
        assert np.array_equal(alone, one)


PULSE = (
    FieldStage("ramp", 2e-3, (0.0, 0.0, 0.0), (4.0, 0.0, 1.0)),
    FieldStage("rotate", np.inf, (4.0, 0.0, 0.0), (0.0, 4.0, 0.0), 900.0),
)
STEPS = {
    "plain": {**SINGLE, "dt": 1e-3},
    "sizes, surfactant, turning field": {
        **SINGLE, "steric": "surfactant", "diameter": spread_diameters(COUNT), "dt": 1e-3,
        "field": PULSE,
    },
    "gradient and gravity, double": {
        "dt": 1e-3, "gradient": (3.0, 0.0, -3.0, 0.0, 5.0, 0.0), "core_weight": 4.0,
        "shell_weight": 1.0,
    },
    "added laws": {
        **SINGLE, "dt": 5e-4, "added_reach": 2.0,
        "added": added_pairs(VanDerWaalsLaw(4.0, 0.05)),
    },
    "inner steps, mesh": {
        **SINGLE, "dt": 2e-3, "inner_steps": 3, **MESH, "mesh_every": 2,
    },
    "momenta": {
        **SINGLE, "dt": 1e-3, "dynamics": "langevin", "momentum_time": np.full(COUNT, 2e-3),
        "spin_time": np.full(COUNT, 1e-3), "noise": 1.0,
    },
    "slowed by the windows, sizes": {
        **SINGLE, "dt": 1e-3, "hindered": True, "diameter": spread_diameters(COUNT),
    },
}  # fmt: skip


@pytest.mark.parametrize("name", STEPS)
def test_steps_are_those_of_the_processor(name):
    """The same noise and the same laws: only last digits differ after a few steps."""
    system, state, engine = engine_of(**{"list_margin": 0.1, **STEPS[name]})
    other = CpuEngine(system, state)
    for one in (engine, other):
        one.advance(3)
    mine, theirs = engine.snapshot(), other.snapshot()
    assert np.abs(mine.positions - theirs.positions).max() < 1e-5
    assert np.abs(mine.directions - theirs.directions).max() < 1e-5
    assert (mine.image == theirs.image).all()
    assert np.abs(mine.positions - state.positions).max() > 1e-2  # they did move
    seen, wanted = engine.observe(), other.observe()
    assert seen.keys() == wanted.keys()
    for key, value in wanted.items():
        assert np.allclose(seen[key], value, rtol=2e-4, atol=2e-5), key


def few_beads(count=24, **changes):
    """Return (system, state) of beads of several sizes that magnetise each other."""
    given = {"dipole_sum": "cutoff", "cutoff": 2.0, "tolerance": 1e-3, "dt": 1e-4, **SINGLE}
    system = beads(count, **{"list_margin": 0.1, "langevin": 60.0, **given, **changes})
    state = random_film(system)
    share = np.random.default_rng(4).uniform(0.5, 1.0, count)
    return dataclasses.replace(system, moment=system.moment * share), state


def test_beads_have_the_moments_of_the_field_that_they_make():
    """Slow loops for the field, coth x - 1/x for the response; settled to 1e-4 of themselves."""
    system, state = few_beads()
    engine = CardEngine(system, state)
    moments = moments_of(system, engine.snapshot())
    wanted = naive.film_sums(system, state.positions, moments)
    for mine, name in zip(engine.sums(), ("force", "field"), strict=True):
        assert relative(mine, wanted[name]) < 3e-6
    plane, across = missing_field(state.positions[:, 2], system.thickness, system.cutoff)
    mean = moments.sum(axis=0) / (np.prod(system.sides) * system.thickness)
    field = wanted["field"] + system.field[0].first + np.outer(plane, mean * [1, 1, 0])
    field += np.outer(across, mean * [0, 0, 1])
    size = np.linalg.norm(field, axis=1)
    x = system.core_langevin * size
    induced = (system.moment * (1.0 / np.tanh(x) - 1.0 / x) / size)[:, None] * field
    assert relative(moments, induced) < 1.01e-4
    alone = system.moment * system.core_langevin / 3.0 * np.linalg.norm(system.field[0].first)
    assert np.linalg.norm(moments, axis=1).max() > 1.1 * alone.max()  # neighbours raise moments


BEADS = {
    "gradient": {"gradient": (3.0, 0.0, -3.0, 0.0, 5.0, 0.0)},
    "momenta": {"dynamics": "langevin", "momentum_time": np.full(24, 2e-3), "noise": 1.0},
    "mesh": {"count": 48, "dipole_sum": "mesh", "tolerance": 1e-2, "fraction": 0.03},
}  # fmt: skip


@pytest.mark.parametrize("name", BEADS)
def test_beads_step_as_on_the_processor(name):
    system, state = few_beads(**BEADS[name])
    assert (system.mesh is not None) == (name == "mesh")
    engine, other = CardEngine(system, state), CpuEngine(system, state)
    for one in (engine, other):
        one.advance(1 if name == "mesh" else 2)
    mine, theirs = engine.snapshot(), other.snapshot()
    assert np.abs(mine.positions - theirs.positions).max() < 1e-5
    assert np.abs(mine.directions - theirs.directions).max() < 1e-6
    seen, wanted = engine.observe(), other.observe()
    assert seen.keys() == wanted.keys()
    for key, value in wanted.items():
        assert np.allclose(seen[key], value, rtol=2e-4, atol=2e-5), key
    assert engine.timing["induction_sums"] == other.timing["induction_sums"] > 1.0


def test_beads_keep_their_bits_in_pieces_and_in_a_batch():
    """In fields of their own: looks, pieces and restarts change nothing, nor do other films."""
    given = {"list_margin": 0.04, "count": 16}
    pairs = [few_beads(**given, langevin=langevin) for langevin in (30.0, 90.0)]
    alone = [CardEngine(*pair) for pair in pairs]
    for one in alone:
        one.advance(3)
    assert alone[0].timing["lists_built"] > 1
    pieces = together(*zip(*pairs, strict=True))
    pieces[0].observe()
    assert asked(pieces, 2, 1) == {}
    pieces[1].snapshot()
    batch = together(*zip(*pairs, strict=True))
    for one, other in zip(batch, pieces, strict=True):
        one.restore(other.checkpoint())
    assert asked(batch, 1, 2) == {}
    for one, other in zip(alone, batch, strict=True):
        assert bits(one) == bits(other)


def test_beads_without_stable_moments_stop_the_run(monkeypatch):
    monkeypatch.setattr(bead_kernels, "MOST_SUMS", 2)
    system, state = few_beads()
    engine = CardEngine(system, state)
    before = engine.checkpoint()
    with pytest.raises(StepError, match=r"did not settle in \d+ sums of step 0: .* check sizes"):
        engine.advance(1)
    after = engine.checkpoint()
    assert engine.step == 0
    assert np.array_equal(after["card"]["directions"], before["card"]["directions"])
    with pytest.raises(StepError, match="did not settle"):
        engine.snapshot()


PIECES = {
    "inner steps": {
        **SINGLE, "dt": 2e-3, "inner_steps": 3, "list_margin": 0.1, "field": PULSE,
    },
    "momenta": {
        **SINGLE, "dt": 1e-3, "hindered": True, "list_margin": 0.05, "dynamics": "langevin",
        "momentum_time": np.full(COUNT, 2e-3),
    },
}  # fmt: skip


@pytest.mark.parametrize("name", PIECES)
def test_pieces_looks_and_restarts_change_no_bit(name):
    system, state, engine = engine_of(**PIECES[name])
    engine.advance(5)
    assert engine.timing["lists_built"] > 1
    pieces = CardEngine(system, state)
    pieces.advance(1)
    pieces.observe()
    pieces.advance(1)
    fresh = CardEngine(system, state)
    fresh.restore(pieces.checkpoint())
    for one in (pieces, fresh):
        one.advance(3)
    assert bits(pieces) == bits(engine)
    assert bits(fresh) == bits(engine)
    assert fresh.timing["lists_built"] == engine.timing["lists_built"]


def together(systems, states):
    """Return the engines of films that step in one batch."""
    seats = Seats()
    return [seats()(system, state, 1) for system, state in zip(systems, states, strict=True)]


def asked(engines, *steps):
    """Advance engines together; return those that failed."""
    return advance_together(dict(enumerate(zip(engines, steps, strict=True))))


def test_films_of_a_batch_have_the_bits_that_they_have_alone():
    """In fields, from seeds and with steps of their own, in ragged pieces and after a restart."""
    given = {
        **SINGLE, "fraction": 0.1, "thickness": 6.0, "cutoff": 2.5, "inner_steps": 2,
        "list_margin": 0.1,
    }  # fmt: skip
    systems = [
        film(32, **given, langevin=langevin, dt=dt) for langevin, dt in ((5, 2e-3), (9, 1e-3))
    ]
    states = [dataclasses.replace(random_film(one), seed=k) for k, one in enumerate(systems)]
    alone = [CardEngine(*pair) for pair in zip(systems, states, strict=True)]
    for one in alone:
        one.advance(4)
    pieces = together(systems, states)
    assert asked(pieces, 3, 1) == {}
    batch = together(systems, states)
    for one, other in zip(batch, pieces, strict=True):
        one.restore(other.checkpoint())
    assert asked(batch, 1, 3) == {}
    for one, other in zip(alone, batch, strict=True):
        assert bits(one) == bits(other)
        mine, theirs = one.observe(), other.observe()
        assert all(np.array_equal(mine[key], theirs[key]) for key in mine)
    assert alone[0].timing["lists_built"] > 1


@pytest.mark.parametrize("most_wide", [10_000_000, 0])
def test_a_thrown_film_leaves_the_others_of_its_batch(monkeypatch, most_wide):
    """Those of large films have their way back on this machine."""
    monkeypatch.setattr("sim.engines.card.memory.MOST_WIDE", most_wide)
    system = film(32, **SINGLE, dt=1e-3)
    state = random_film(system)
    close = state.positions.copy()
    close[7] = close[3] + [0.12, 0.0, 0.0]
    states = [state, dataclasses.replace(state, positions=close)]
    alone = CardEngine(system, state)
    alone.advance(3)
    batch = together([system, system], states)
    before = bits(batch[1])
    (failed,) = asked(batch, 3, 3).items()
    assert failed[0] == 1
    assert isinstance(failed[1], StepError)
    assert [one.step for one in batch] == [3, 0]
    assert [bits(one) for one in batch] == [bits(alone), before]


def test_a_large_film_goes_back_by_making_its_steps_again(monkeypatch):
    """From the copy of before its first step to where a piece began, and on from there."""
    monkeypatch.setattr("sim.engines.card.memory.MOST_WIDE", 0)
    given = {"list_margin": 0.1, **STEPS["inner steps, mesh"]}
    engine, whole = engine_of(**given)[2], engine_of(**given)[2]
    engine.advance(3)
    before, batch = bits(engine), engine.batch
    batch.copies.keep()
    batch.advance_to(np.array([5]))
    assert bits(engine) != before
    batch.copies.go_back(np.array([True]))
    assert engine.step == 3
    assert bits(engine) == before
    for one, more in ((engine, 1), (whole, 4)):
        one.advance(more)
    assert bits(engine) == bits(whole)


def test_films_of_another_kind_or_that_come_late_are_not_taken_in():
    system = film(32, **SINGLE)
    seats = Seats()
    first, other = seats(), seats()
    one = first(system, random_film(system), 1)
    larger = film(33, **SINGLE)
    apart = other(larger, random_film(larger), 1)
    assert apart.batch is not one.batch
    with pytest.raises(OtherKindError):
        CardEngine(larger, random_film(larger), 1, one.batch)
    assert one.step == 0  # now its batch is laid out
    late = seats()(system, random_film(system), 1)
    assert late.batch is not one.batch


def test_another_kind_of_processor_goes_on():
    inertia = {"dynamics": "langevin", "momentum_time": np.full(COUNT, 2e-3)}
    system, state, engine = engine_of(**SINGLE, dt=1e-3, **inertia)
    other = CpuEngine(system, state)
    for one in (engine, other):
        one.advance(2)
    ours, theirs = engine.checkpoint(), other.checkpoint()
    assert ours["processor"] == "gpu"
    for one, saved, seen in (
        (engine, theirs, other.snapshot()),
        (other, ours, engine.snapshot()),
    ):
        one.restore(saved)
        found = one.snapshot()
        assert one.step == 2
        assert np.abs(found.positions - seen.positions).max() < 1e-7
        assert np.abs(found.directions - seen.directions).max() < 1e-7
        assert np.allclose(found.velocities, seen.velocities, rtol=1e-5)
        assert (found.image == seen.image).all()
        one.advance(1)


def test_a_checkpoint_from_lists_of_another_margin_goes_on_from_its_state(monkeypatch):
    """The height of a whole number hangs on the reach of the lists, which inner steps widen."""
    given = {**SINGLE, "dt": 2e-3, "inner_steps": 2, "list_margin": 1.2}
    _, _, engine = engine_of(**given)
    engine.advance(1)
    saved, seen = engine.checkpoint(), engine.snapshot()
    assert saved["card"]["list_margin"] == pytest.approx(1.5 * 1.2)
    monkeypatch.setattr("sim.engines.card.memory.MOST_WIDE", 0)
    _, _, other = engine_of(**given)
    other.restore(saved)
    assert other.batch.films.periods[2] != engine.batch.films.periods[2]
    assert other.step == 1
    assert np.abs(other.snapshot().positions - seen.positions).max() < 1e-7


def test_threads_that_share_a_slot_change_last_digits_alone(monkeypatch):
    """Lists and near pairs in shares hold what one thread has; sums in another order."""
    given = {**SINGLE, "dt": 2e-3, "inner_steps": 2}
    plain = engine_of(**given)[2]
    plain.advance(2)
    monkeypatch.setattr("sim.engines.card.film.shares_of", lambda _: 2)
    system, state, shared = engine_of(**given)
    wanted = compiled_sums(dataclasses.replace(system, inner_steps=1), state)
    for mine, theirs in zip(shared.sums(), wanted, strict=True):
        assert relative(mine, theirs) < 3e-6
    shared.advance(2)
    gap = shared.snapshot().positions - plain.snapshot().positions
    assert 0.0 < np.abs(gap).max() < 1e-5
    assert np.isclose(shared.observe()["dipolar"], plain.observe()["dipolar"], rtol=1e-4)


def test_a_list_that_is_too_short_grows(monkeypatch):
    monkeypatch.setattr("sim.engines.card.film.first_room", lambda _: 2)
    system, state, engine = engine_of(**SINGLE)
    force, _ = engine.sums()
    assert relative(force, compiled_sums(system, state)[0]) < 3e-6


def test_threads_in_step_list_the_same_neighbours(monkeypatch):
    """They look at whole columns: not in high films, where these hold many thousand particles."""
    low = film(COUNT, thickness=20.0, fraction=0.03)
    assert lists_in_step(low, 8)
    assert not lists_in_step(low, 1)
    assert not lists_in_step(dataclasses.replace(low, thickness=400.0), 8)
    monkeypatch.setattr("sim.engines.card.film.lists_in_step", lambda *_: True)
    system, state, engine = engine_of(**SINGLE)
    force, _ = engine.sums()
    assert relative(force, compiled_sums(system, state)[0]) < 3e-6


def test_a_thrown_particle_stops_the_run_where_it_was():
    system = film(COUNT, **SINGLE, dt=1e-3)
    state = random_film(system)
    close = state.positions.copy()
    close[7] = close[3] + [0.12, 0.0, 0.0]
    engine = CardEngine(system, dataclasses.replace(state, positions=close))
    before = bits(engine)
    with pytest.raises(StepError, match="thrown further than it may go") as caught:
        engine.advance(4)
    assert caught.value.particle in (3, 7)
    assert engine.step == 0
    assert bits(engine) == before


def written(tmp_path, duration):
    """Return the parameters of a small film on a card."""
    path = tmp_path / "film.toml"
    path.write_text(small_film(duration, 2).replace("count = 60", "count = 48"))
    return sim.load(path)


def test_a_run_goes_on_from_its_checkpoint_on_either(tmp_path, monkeypatch):
    first = written(tmp_path, "30 ns")
    done = sim.simulate(first, tmp_path / "out", device="gpu")
    assert done.finished
    longer = written(tmp_path, "60 ns")
    again = sim.simulate(longer, tmp_path / "out", device="cpu", resume=True)
    assert again.finished
    assert any("comes from a graphics card" in notice for notice in again.notices)
    with h5py.File(again.path) as file:
        assert len(file["particles/film/position/value"]) > 2


def test_frames_hold_the_part_that_is_chosen_on_the_card(tmp_path, monkeypatch):
    """Bit for bit what the whole state of the same step holds there, and the map of all of it."""
    monkeypatch.setattr("sim.engines.card.part.PIECE", 20)
    path, text = tmp_path / "film.toml", small_film("30 ns", 2).replace("count = 60", "count = 48")
    path.write_text(text + 'cutout = ["0.1 um", "0.1 um", "0.07 um"]\nmap_step = "40 nm"\n')
    whole_ones, snapshot = [], CardEngine.snapshot

    def seen(engine):
        whole_ones.append(engine.step)
        return snapshot(engine)

    monkeypatch.setattr(CardEngine, "snapshot", seen)
    done = sim.simulate(sim.load(path), tmp_path / "out", device="gpu")
    assert whole_ones == [done.step]  # for the whole state at the end alone
    with h5py.File(done.path) as file:
        film, whole = file["particles/film"], file["particles/whole"]
        assert film["position/step"][-1] == whole["position/step"][-1] > 0
        places, low = whole["position/value"][-1], film["origin"][()]
        edges, sides = film["box/edges/value"][-1], whole["box/edges"][()]
        rows = np.flatnonzero(((places >= low) & (places < low + edges)).all(axis=1))
        assert 0 < len(rows) < 48
        assert film["id/value"][-1][: len(rows)].tolist() == rows.tolist()
        for name in ("position", "image", "moment"):
            held = film[f"{name}/value"][-1][: len(rows)]
            assert np.array_equal(held, whole[f"{name}/value"][-1][rows])
        seen = file["observables/projected_count/value"][-1]
        assert np.array_equal(seen, count_map(places, sides, seen.shape))
        assert seen.sum() == 48


def test_a_look_ahead_times_the_card(tmp_path):
    setup = RunSetup(written(tmp_path, "30 ns"), 1, "gpu")
    cost = calibrate(setup, seconds=0.01)
    assert cost.seconds_per_step > 0.0
    assert cost.memory_bytes == card_bytes(setup.system)
    told = dict(cost.table())
    assert told["stepping"].endswith("on a graphics card")
    assert "memory of the card" in told


def gone(*_):
    raise RuntimeError("CUDA_ERROR_ILLEGAL_ADDRESS")


@pytest.mark.parametrize("asked", ["advance", "snapshot", "observe", "checkpoint"])
def test_a_card_that_is_lost_ends_the_run_as_failed(tmp_path, monkeypatch, asked):
    """In a step, at a frame, at a checkpoint; the file says how it ended."""
    from sim.run.loop import RunFailed

    begun = CardEngine.advance

    def lose(engine, steps):
        name = "ask_for_rounds" if asked == "advance" else "flags"
        if asked != "advance":
            begun(engine, steps)
        for part in (name, "energies"):
            monkeypatch.setattr(f"sim.engines.card.film.CardFilm.{part}", gone)
        monkeypatch.setattr("sim.kernels.card.tools.Queue.get", gone)
        if asked == "advance":
            begun(engine, steps)
        getattr(engine, asked)()

    monkeypatch.setattr(CardEngine, "advance", lose)
    with pytest.raises(RunFailed, match=r"graphics card was lost .*ILLEGAL_ADDRESS") as caught:
        sim.simulate(written(tmp_path, "60 ns"), tmp_path / "out", device="gpu")
    assert isinstance(caught.value.__cause__, EngineLostError)
    assert caught.value.run.ending.name == "FAILED"


def test_kept_kernels_are_read_whole_or_not_at_all(tmp_path, monkeypatch):
    """A changed source or constant finds nothing, nor does what was cut off; a full disk keeps
    nothing and leaves nothing."""
    monkeypatch.setattr("numba.config.CACHE_DIR", str(tmp_path))
    store = KernelStore()
    store.put("a kernel", pickle.dumps(["code"]))
    assert store.get("a kernel") == ["code"]
    assert store.get("another") is None
    with monkeypatch.context() as changed:
        changed.setattr("sim.engines.card.kept.kernel_hash", lambda: "other sources")
        assert store.get("a kernel") is None
    (kept,) = tmp_path.iterdir()
    kept.write_bytes(kept.read_bytes()[:9])
    assert store.get("a kernel") is None
    monkeypatch.setattr(Path, "replace", full)
    store.put("a third", b"")
    assert list(tmp_path.iterdir()) == [kept]


def full(*_):
    raise OSError("no space left on device")


@pytest.mark.parametrize("name", ["plain", "inner steps, mesh", "beads"])
def test_all_kernels_of_a_step_are_asked_for_before_any_runs(monkeypatch, name):
    """So that helpers have them all at once; none is met later, compiled by itself."""
    asked, ran, run = set(), [], Queue.run
    monkeypatch.setattr(Helpers, "ask", lambda _, kernel, films: asked.add(kernel))  # noqa: ARG005

    def seen(queue, kernel, threads, films):
        if queue._taker is None:
            assert asked
            ran.append(kernel)
        run(queue, kernel, threads, films)

    monkeypatch.setattr(Queue, "run", seen)
    system, state = few_beads() if name == "beads" else engine_of(**STEPS[name])[:2]
    batch = CardBatch()
    batch.prepare(system)
    engine = CardEngine(system, state, 1, batch)
    engine.advance(1)
    engine.observe()
    assert asked >= set(ran)
    for kernel in asked:
        assert kernel_of(origin_of(kernel)) is kernel


def wanted(monkeypatch, cores):
    """Have all kernels of a film asked of helpers of so many cores; return these."""
    monkeypatch.setattr("sim.engines.card.helpers.usable_cores", lambda: cores)
    monkeypatch.setattr(Kernel, "missing", lambda *_: ("types",))
    found, ask = [], Helpers.ask

    def seen(helpers, kernel, films):
        found.append(helpers)
        ask(helpers, kernel, films)

    monkeypatch.setattr(Helpers, "ask", seen)
    _, _, engine = engine_of(**SINGLE)
    engine.compile()
    engine.advance(1)
    return found[0], set(map(id, found))


def test_helpers_answer_for_each_kernel_and_are_gone_then(monkeypatch):
    broken = Origin("a.module.that.is.nowhere", (), "kernel")
    monkeypatch.setattr(
        "sim.engines.card.helpers.origin_of",
        lambda one: broken if one is steps.conclude_step else origin_of(one),
    )
    helpers, all_of_them = wanted(monkeypatch, 2)
    assert len(all_of_them) == 1
    assert helpers.done == len(helpers._asked) > 3
    assert len(helpers._processes) == 2
    assert all(process.returncode == 0 for process in helpers._processes)


@pytest.mark.parametrize(("cores", "started"), [(1, 0), (2, 2)])
def test_without_helpers_or_with_dead_ones_kernels_are_compiled_here(monkeypatch, cores, started):
    monkeypatch.setattr("sim.engines.card.helpers.SERVE", "import os; os._exit(3)")
    helpers, _ = wanted(monkeypatch, cores)
    assert helpers.done == 0
    assert [process.returncode for process in helpers._processes] == started * [3]


@pytest.mark.parametrize("given", [None, "text", [1], (1.0, None), np.float32])
def test_what_a_card_takes_for_no_argument_is_refused(given):
    """By numba's compiler for CUDA, which raises where a kernel is launched; so must this one."""
    engine = engine_of(**SINGLE)[2]
    engine.snapshot()
    films = engine.batch.films
    films.run(steps.apply_fields, BLOCK)
    with pytest.raises(TypeError, match="a card takes no"):
        films.run(steps.apply_fields, BLOCK, films.content._replace(beads=given))


def test_kernels_say_what_they_do():
    from sim.kernels.card import mesh, sorting

    found = [
        one for module in (mesh, sorting, steps) for one in vars(module).values()
        if isinstance(one, Kernel)
    ]  # fmt: skip
    assert len(found) >= 14
    assert all(one.__doc__ for one in found)


def test_what_fails_while_particles_are_placed_ends_the_run_where_its_engine_is_made(
    tmp_path, monkeypatch
):
    """Kernels are compiled in a thread of their own; what that raises is not lost."""
    monkeypatch.setattr("sim.engines.card.film.CardFilm.compile", gone)
    with pytest.raises(EngineLostError, match="ILLEGAL_ADDRESS"):
        sim.simulate(written(tmp_path, "30 ns"), tmp_path / "out", device="gpu")
    assert not (tmp_path / "out" / "run.h5").exists()
