"""The run loop: endings, pieces, resuming; with a small deterministic engine."""

import functools
import json
import os
import signal
from dataclasses import replace

import h5py
import numpy as np
import pytest

from sim.commands.template import TEMPLATE
from sim.files import checkpoint
from sim.files.record import Ending
from sim.files.run_file import read_summary
from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.run import watchers
from sim.run.schedule import AtSteps
from sim.run.signals import signals_interrupt
from sim.run.simulate import FolderError, RunFailed, RunFileError, simulate, usable_threads
from sim.run.watchers import Pace
from tests.reference.fake_engine import SIDES, FakeEngine, fake_setup


@pytest.fixture
def parameters():
    whole = from_text(TEMPLATE, "film.toml")
    return replace(whole, output=replace(whole.output, frames=8))


@pytest.fixture
def run(parameters, monkeypatch):
    """Return a function that simulates `steps` steps of the small engine."""

    def go(directory, *, steps=100, dt_s=1e-9, engine=None, **options):
        monkeypatch.setattr(one_run, "RunSetup", fake_setup(steps, dt_s))
        given = options.pop("parameters", parameters)
        factory = functools.partial(FakeEngine, **(engine or {}))
        return simulate(given, directory, engine_factory=factory, **options)

    return go


def trajectory(path):
    """Return every dataset of a run file by its path, linked ones under each of their names."""

    def walk(group, prefix):
        for name, item in group.items():
            if isinstance(item, h5py.Dataset):
                found[prefix + name] = item[()]
            else:
                walk(item, f"{prefix}{name}/")

    found = {}
    with h5py.File(path) as file:
        walk(file, "")
    return found


def assert_same_bits(one, other):
    one, other = trajectory(one), trajectory(other)
    assert one.keys() == other.keys()
    for name, values in one.items():
        assert values.tobytes() == other[name].tobytes(), name


def stop_at(step, ending=Ending.INTERRUPTED, reason=None):
    """Stop rule that ends a run at a known step; without a word, as a signal does."""

    class AtStep:
        schedule = AtSteps([step])

        def look(self, scene):
            raise watchers.Stop(ending, reason or f"interrupted at {scene.engine.step}")

        def close(self, scene):
            pass

    return AtStep()


def test_a_run_finishes_and_says_so(run, tmp_path):
    done = run(tmp_path / "out", threads=1)
    assert done.finished
    assert (done.ending, done.reason) == (Ending.FINISHED, "finished 100 steps")
    assert (done.step, done.steps, done.frames) == (100, 100, 9)
    data = trajectory(done.path)
    steps = data["particles/film/position/step"]
    assert list(steps) == [0, 13, 25, 38, 50, 63, 75, 88, 100]
    np.testing.assert_allclose(data["particles/film/position/time"], steps * 1e-9)
    position = data["particles/film/position/value"]
    assert position[..., :2].min() >= 0
    assert (position[..., 0] < SIDES[0]).all()
    assert (position[..., 1] < SIDES[1]).all()
    assert (data["particles/film/image/value"][..., 2] == 0).all()
    np.testing.assert_allclose(
        np.linalg.norm(data["particles/film/moment/value"], axis=2), 1e-18, rtol=1e-6
    )
    np.testing.assert_allclose(data["observables/field/value"], [[0.03, 0, 0]] * 9)
    assert read_summary(done.path).timing == done.timing
    assert done.timing["compile_s"] == pytest.approx(0.5, abs=0.1)
    assert done.timing["steps"] == 100
    assert done.timing["threads"] == 1


def test_travelled_images_and_wrapped_positions_join_without_jumps(run, tmp_path):
    data = trajectory(run(tmp_path / "out", engine={}).path)
    shift = data["particles/film/image/value"] * np.array([*SIDES, 0.0])
    whole = data["particles/film/position/value"] + shift
    assert (data["particles/film/image/value"] != 0).any()
    assert np.abs(np.diff(whole, axis=0)).max() < 0.5 * min(SIDES)


def test_stopped_twice_and_resumed_gives_the_same_bits(run, tmp_path):
    whole = run(tmp_path / "whole")
    first = run(tmp_path / "cut", stop_rules=[stop_at(30)])
    assert (first.ending, first.step) == (Ending.INTERRUPTED, 30)
    second = run(tmp_path / "cut", resume=True, stop_rules=[stop_at(63)])
    assert (second.ending, second.step) == (Ending.INTERRUPTED, 63)
    third = run(tmp_path / "cut", resume=True)
    assert third.finished
    assert_same_bits(whole.path, third.path)
    assert third.timing["compile_s"] == pytest.approx(1.5, abs=0.1)  # three parts of 0.5 s
    assert third.timing["lists_built"] == 3  # a count of the engine, which its checkpoint carries


def test_frames_after_the_checkpoint_are_cut(run, tmp_path):
    """A killed run may hold frames that are newer than its checkpoint."""
    whole = run(tmp_path / "whole")
    folder = tmp_path / "cut"
    run(folder, stop_rules=[stop_at(30)])
    early = (folder / "checkpoint.h5").read_bytes()
    run(folder, resume=True, stop_rules=[stop_at(80)])
    assert read_summary(folder / "run.h5").last_step == 75
    (folder / "checkpoint.h5").write_bytes(early)
    again = run(folder, resume=True)
    assert_same_bits(whole.path, again.path)


def test_pieces_are_cut_at_frames_and_never_by_python_steps(run, tmp_path):
    engines = []

    def keep(system, state, threads):
        engines.append(FakeEngine(system, state, threads))
        return engines[-1]

    run(tmp_path / "warm-up")  # sets the stand-in for the preparation
    run_steps = simulate(
        from_text(TEMPLATE.replace("frames = 200", "frames = 2"), "film.toml"),
        tmp_path / "out",
        engine_factory=keep,
    )
    assert run_steps.step == sum(engines[0].pieces) == 100
    assert engines[0].pieces[:3] == [1, 4, 16]
    assert len(engines[0].pieces) <= 6


def test_pace_follows_the_clock_but_grows_fourfold_at_most():
    pace = Pace(seconds=0.25)
    pace.measured(1, 0.001)
    assert pace.steps == 4
    pace.measured(4, 0.5)
    assert pace.steps == 2
    pace.steps = 100
    pace.measured(3, 0.003)  # a piece cut short by a frame says nothing about long ones
    assert pace.steps == 100


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_saves_and_stops(run, tmp_path, number):
    def kill_once(step, steps):
        if step >= 20:
            os.kill(os.getpid(), number)

    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    done = run(tmp_path / "out", on_progress=kill_once)
    assert done.ending is Ending.INTERRUPTED
    assert done.reason.startswith(f"interrupted by {number.name} at step")
    assert 20 <= done.step < 100
    assert checkpoint.load(tmp_path / "out" / "checkpoint.h5").step == done.step
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before
    assert run(tmp_path / "out", resume=True).finished


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_after_the_last_step_goes_to_who_listened_before(run, tmp_path, number):
    def kill_late(step, steps):
        if step == steps:
            os.kill(os.getpid(), number)

    def go():
        with signals_interrupt():
            run(tmp_path / "out", on_progress=kill_late)

    with pytest.raises(KeyboardInterrupt, match=number.name):
        go()
    assert read_summary(tmp_path / "out" / "run.h5").ending is Ending.FINISHED
    assert not (tmp_path / "out" / ".lock").exists()


def test_a_stop_rule_ends_a_run_as_a_success_with_its_last_state(run, tmp_path):
    rule = stop_at(40, Ending.STOPPED, "far enough")
    done = run(tmp_path / "out", stop_rules=[rule])
    assert done.finished
    assert (done.ending, done.reason, done.step) == (Ending.STOPPED, "far enough", 40)
    assert read_summary(done.path).last_step == 40
    kept = run(tmp_path / "out", resume=True)
    assert (kept.ending, kept.step) == (Ending.STOPPED, 40)


def test_a_failure_keeps_frames_reason_and_the_last_good_state(run, tmp_path):
    run(tmp_path / "out", stop_rules=[stop_at(30)])
    with pytest.raises(RunFailed, match="use a shorter time_step") as caught:
        run(tmp_path / "out", resume=True, engine={"fail_at": 40})
    failed = caught.value.run
    assert (failed.ending, failed.frames) == (Ending.FAILED, 4)
    assert 38 <= failed.step <= 40
    summary = read_summary(failed.path)
    assert summary.ending is Ending.FAILED
    assert "particle 3 moved" in summary.reason
    assert checkpoint.load(tmp_path / "out" / "checkpoint.h5").step == failed.step
    assert run(tmp_path / "out", resume=True).finished
    assert_same_bits(failed.path, run(tmp_path / "whole").path)


def test_capped_moves_are_told(run, tmp_path, monkeypatch):
    assert run(tmp_path / "few").notices == ()
    monkeypatch.setattr("sim.run.loop.CAPPED_SHARE", 1e-3)
    assert run(tmp_path / "none", engine={"capped": 1}).notices == ()
    notice = run(tmp_path / "many", engine={"capped": 2}).notices[-1]
    assert notice.startswith("2 of 1200 moves were shortened by the drift cap")


def test_a_finished_run_is_kept_or_made_longer(run, tmp_path, parameters):
    run(tmp_path / "out", steps=40)
    stamp = (tmp_path / "out" / "run.h5").read_bytes()
    kept = run(tmp_path / "out", steps=40, resume=True)
    assert kept.finished
    assert "nothing is simulated" in kept.notices[-1]
    assert (tmp_path / "out" / "run.h5").read_bytes() == stamp
    longer = replace(parameters, run=replace(parameters.run, duration=1.0))
    with pytest.raises(
        RunFileError, match=r"finished at step 40, and \[run\] duration now asks for 30"
    ):
        run(tmp_path / "out", steps=30, resume=True, parameters=longer)
    done = run(tmp_path / "out", steps=80, resume=True, parameters=longer)
    assert (done.step, done.frames) == (80, 17)
    assert list(trajectory(done.path)["particles/film/position/step"]) == list(range(0, 85, 5))
    assert read_summary(done.path).resolved["run"]["duration"] == 1.0
    whole = run(tmp_path / "whole", steps=80)
    end = "particles/film/position/value"
    np.testing.assert_array_equal(trajectory(done.path)[end][-1], trajectory(whole.path)[end][-1])


def test_changed_parameters_are_refused(run, tmp_path, parameters):
    run(tmp_path / "out", stop_rules=[stop_at(30)])
    other = replace(parameters, run=replace(parameters.run, seed=8))
    with pytest.raises(RunFileError, match=r"run\.seed was 7 and is now 8; only \[run\] duration"):
        run(tmp_path / "out", resume=True, parameters=other)
    with pytest.raises(RunFileError, match="its time step was 1e-09 s and would now be 2e-09 s"):
        run(tmp_path / "out", resume=True, dt_s=2e-9)
    with pytest.raises(RunFileError, match=r"has come to step 30, and \[run\] duration now asks"):
        run(tmp_path / "out", resume=True, steps=20)


def test_checkpoint_of_another_run_is_refused(run, tmp_path):
    run(tmp_path / "one", stop_rules=[stop_at(30)])
    run(tmp_path / "two", stop_rules=[stop_at(30)])
    stray = (tmp_path / "one" / "checkpoint.h5").read_bytes()
    (tmp_path / "two" / "checkpoint.h5").write_bytes(stray)
    with pytest.raises(RunFileError, match="belongs to another run"):
        run(tmp_path / "two", resume=True)


def test_resume_without_a_checkpoint_starts_afresh(run, tmp_path):
    assert run(tmp_path / "absent", resume=True).finished
    (tmp_path / "empty").mkdir()
    assert run(tmp_path / "empty", resume=True).finished
    (tmp_path / "foreign").mkdir()
    (tmp_path / "foreign" / "sweep.json").write_text("{}")
    with pytest.raises(FolderError, match=r"holds no run to go on with, but sweep\.json"):
        run(tmp_path / "foreign", resume=True)
    assert [one.name for one in (tmp_path / "foreign").iterdir()] == ["sweep.json"]
    run(tmp_path / "cut", stop_rules=[stop_at(30)])
    (tmp_path / "cut" / "checkpoint.h5").unlink()
    done = run(tmp_path / "cut", resume=True)
    assert done.finished
    assert_same_bits(done.path, tmp_path / "empty" / "run.h5")


def test_a_run_is_replaced_only_when_told(run, tmp_path):
    run(tmp_path / "out")
    (tmp_path / "out" / "measures.json").write_text("{}")
    (tmp_path / "out" / "notes.txt").write_text("mine")
    with pytest.raises(FolderError, match="holds a run already; use --resume"):
        run(tmp_path / "out")
    assert run(tmp_path / "out", steps=50, overwrite=True).step == 50
    assert not (tmp_path / "out" / "measures.json").exists()  # of the run that is gone
    assert (tmp_path / "out" / "notes.txt").read_text() == "mine"


def test_a_start_that_is_refused_at_last_loses_no_run(run, tmp_path, monkeypatch):
    run(tmp_path / "out")
    before = (tmp_path / "out" / "run.h5").read_bytes()

    def refused(*_):
        raise RunFileError("the field of the start cannot be read")

    monkeypatch.setattr(one_run, "record_of", refused)
    with pytest.raises(RunFileError, match="cannot be read"):
        run(tmp_path / "out", overwrite=True)
    assert (tmp_path / "out" / "run.h5").read_bytes() == before


def test_folders_that_may_not_be_used(run, tmp_path):
    (tmp_path / "file").write_text("mine")
    with pytest.raises(FolderError, match="file is a file"):
        run(tmp_path / "file")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("mine")
    for options in ({}, {"overwrite": True}):
        with pytest.raises(FolderError, match="is not empty and holds no run"):
            run(tmp_path / "mine", **options)
    with pytest.raises(FolderError, match="cannot be written: Not a directory"):
        run(tmp_path / "file" / "below")
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["letter.txt"]
    assert (tmp_path / "file").read_text() == "mine"


def test_parameters_and_derived_numbers_are_stored_first(run, tmp_path, parameters):
    with pytest.raises(RunFailed):
        run(tmp_path / "out", engine={"fail_at": 0})
    with h5py.File(tmp_path / "out" / "run.h5") as file:
        attrs = file["parameters"].attrs
        assert attrs["text"] == parameters.text
        assert json.loads(attrs["derived"]) == {"coupling": 4.0}
        assert json.loads(attrs["bonds"]) == {"distance": 1.3, "alignment": 0.5}
        assert not attrs["provisional"]
        assert not attrs["finished"]
        assert json.loads(attrs["resolved"])["field"]["steps"][0]["duration"] == "inf"
        assert file["parameters/frames_complete"][()] == 1


def test_threads_are_clamped_with_a_notice(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1}, raising=False)
    assert usable_threads(None) == (2, "")
    assert usable_threads(1) == (1, "")
    count, notice = usable_threads(64)
    assert count == 2
    assert "64 threads were asked for" in notice
    with pytest.raises(ValueError, match="threads must be at least 1; received 0"):
        usable_threads(0)
