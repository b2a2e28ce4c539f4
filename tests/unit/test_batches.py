"""Runs that step together: which, with the bits that each has alone, none losing another."""

import dataclasses
from functools import partial

import h5py
import numpy as np
import pytest

from sim.engines.card.kinds import kind_of
from sim.engines.guards import EngineLostError
from sim.film.field_programme import FieldStage
from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.run.simulate import RunFailed, Wishes, simulate, simulation
from sim.run.together import together
from sim.run.watchers import Interruption
from sim.sweeps import sweep as many_runs
from sim.sweeps.batches import ENOUGH_PARTICLES, CardRoom, Kind, batches_of, perform_batch
from sim.sweeps.run import Job, simulate_point
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.small_film import small_film
from tests.reference.small_systems import film

TABLE = '[sweep]\n"field.strength" = ["5 mT", "10 mT", "20 mT"]\n'


@pytest.fixture(autouse=True)
def fakes(monkeypatch):
    """Put a fake engine in the place of all, and no card."""
    monkeypatch.setattr(one_run, "RunSetup", fake_setup(40))
    monkeypatch.setattr(one_run, "make_cpu_engine", FakeEngine)
    monkeypatch.setattr("sim.engines.card.ready.require_card", lambda _: None)


def parameters(seed, frames=20):
    return from_text(small_film(frames=frames).replace("seed = 7", f"seed = {seed}"), "film.toml")


def advance(asked, lost_at=None):
    """Advance engines one after the other, as a batch does at once."""
    assert len({steps for _, steps in asked.values()}) <= 1
    failed = {}
    for name, (engine, steps) in asked.items():
        if lost_at is not None and engine.step >= lost_at:
            raise EngineLostError("the graphics card was lost")
        try:
            engine.advance(steps)
        except RuntimeError as error:
            failed[name] = error
    return failed


def content(path):
    """Return the frames of a run file as bytes."""
    with h5py.File(path) as file:
        film = file["particles/film"]
        return [film[f"{name}/value"][...].tobytes() for name in ("position", "moment", "image")]


def go(folder, seeds, factories=(), **changes):
    """Return the runs of films by their seed; one hears signals for all, as in a sweep."""
    made, one = dict(factories), Interruption()
    runs = {
        str(seed): simulation(
            parameters(seed, frames=2 + seed),
            folder / str(seed),
            Wishes(engine_factory=made.get(seed, FakeEngine), interruption=one, **changes),
        )
        for seed in seeds
    }
    return runs


def test_films_get_the_bits_that_they_have_alone(tmp_path):
    ends = dict(together(go(tmp_path / "t", (1, 2, 3)), advance))
    for seed in (1, 2, 3):
        alone = simulate(parameters(seed, 2 + seed), tmp_path / f"alone{seed}")
        assert ends[str(seed)].finished
        assert content(ends[str(seed)]) == content(alone)


def test_one_that_fails_or_is_refused_leaves_the_others(tmp_path):
    (tmp_path / "t").mkdir()
    (tmp_path / "t" / "3").write_text("no folder")
    fails = partial(FakeEngine, fail_at=30)
    ends = dict(together(go(tmp_path / "t", (1, 2, 3), {2: fails}), advance))
    assert ends["1"].finished
    assert content(ends["1"]) == content(simulate(parameters(1, 3), tmp_path / "alone"))
    assert isinstance(ends["2"], RunFailed)
    assert 0 < ends["2"].run.step <= 30
    assert isinstance(ends["3"], one_run.FolderError)


def test_what_fails_for_all_ends_all(tmp_path):
    lost = partial(advance, lost_at=20)
    ends = dict(together(go(tmp_path / "t", (1, 2)), lost))
    assert all("card was lost" in end.run.reason for end in ends.values())

    class Broken(FakeEngine):
        def compile(self):
            raise MemoryError("too little memory")

    again = go(tmp_path / "u", (1, 2), {1: Broken})
    assert all(isinstance(end, MemoryError) for _, end in together(again, advance))


def test_films_of_one_patch_and_count_are_alike():
    plain = film(60)
    field = (FieldStage("hold", np.inf, (1.0, 0.0, 0.0), (1.0, 0.0, 0.0)),)
    for alike in (
        dataclasses.replace(plain, seed=3, field=field, dt=2e-4),
        film(60, coupling=3.0),
    ):
        assert kind_of(alike) == kind_of(plain)
        assert hash(kind_of(alike)) == hash(kind_of(plain))
    for other in (
        film(61), film(60, fraction=0.02), film(60, thickness=11.0), film(60, cutoff=2.5),
        film(60, inner_steps=2), film(60, precision="float32"), film(60, steric="surfactant"),
        film(60, field=field * 2), film(60, core_weight=1.0),
        film(60, diameter=np.linspace(1.0, 1.1, 60)),
    ):  # fmt: skip
        assert kind_of(other) != kind_of(plain)


def jobs_of(kinds):
    return [Job("s", folder, None, simulate_point) for folder in kinds]


def test_batches_are_of_one_kind_and_as_large_as_memory_lets_them():
    small, large = Kind("a", 2000, 10**6), Kind("b", ENOUGH_PARTICLES // 2, 10**9)
    kinds = {f"{k}": large if k % 3 == 2 else small for k in range(9)}
    found = batches_of(jobs_of(kinds), kinds, CardRoom(None))
    assert [[job.folder for job in batch] for batch in found] == [
        ["0", "1", "3", "4", "6", "7"], ["2"], ["5", "8"],
    ]  # fmt: skip
    tight = batches_of(jobs_of(kinds), kinds, CardRoom(8 * 10**6))
    assert [len(batch) for batch in tight] == [3, 3, 1, 1, 1]


def seats():
    return FakeEngine


def sweep_on_card(monkeypatch, folder, act=None, **options):
    """Run a sweep of three films in a batch of fake engines."""
    kinds = {f"runs/point_{k}_replica_1": Kind("a", 60, 1) for k in (1, 2, 3)}
    monkeypatch.setattr(many_runs, "kinds_on_card", lambda _: (kinds, CardRoom(None)))
    work = partial(perform_batch, seats=seats, advance=act or advance)
    monkeypatch.setattr(many_runs, "perform_batch", work)
    from tests.unit.test_many_runs import Here

    film = from_text(small_film(frames=3) + TABLE, "film.toml")
    return many_runs.sweep(film, folder, device="gpu", executor=Here(), **options)


def test_a_sweep_on_a_card_is_stopped_and_goes_on_with_the_same_bits(tmp_path, monkeypatch):
    whole = sweep_on_card(monkeypatch, tmp_path / "whole")
    assert whole.finished
    out = tmp_path / "out"

    def stopped(asked):
        (out / ".stop").touch()  # as the overseer does when it hears a signal
        return advance(asked)

    monkeypatch.setattr("sim.sweeps.run.LOOK_SECONDS", 1e-9)
    first = sweep_on_card(monkeypatch, out, stopped)
    assert first.count("interrupted") == 3
    assert not first.ended
    again = sweep_on_card(monkeypatch, out, resume=True)
    assert again.finished
    for name in again.outcomes:
        assert content(out / name / "run.h5") == content(tmp_path / "whole" / name / "run.h5")


def test_a_failed_film_of_a_batch_is_recorded_and_not_tried_on_the_processor(tmp_path, monkeypatch):
    def strong(asked):
        failed = advance({name: ask for name, ask in asked.items() if "point_2" not in name})
        return failed | {name: RuntimeError("thrown") for name in asked if "point_2" in name}

    result = sweep_on_card(monkeypatch, tmp_path / "s", strong)
    assert (result.count("finished"), result.count("failed")) == (2, 1)
    assert "thrown" in result.outcomes["runs/point_2_replica_1"].reason
