"""Sweeps: workers, endings, resuming; with a point function that needs no kernels."""

import json
import os
import signal
import threading
import time
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import partial

import pytest

from sim.files.lock import FolderError
from sim.files.record import Ending
from sim.parameters import from_text
from sim.run.simulate import Run, RunFailed
from sim.run.watchers import Stop
from sim.sweeps.folder import SweepFolder
from sim.sweeps.pool import Crew
from sim.sweeps.sweep import sweep
from tests.reference.small_film import small_film

TABLE = """[sweep]
"field.strength" = ["5 mT", "10 mT", "20 mT"]
replicas = 2
"""
STEPS = 10


def film(table=TABLE, **changes):
    return from_text(small_film(**changes) + table, "film.toml")


class Here(Executor):
    """Does the work at once, in the thread of the caller."""

    def submit(self, fn, /, *args, **kwargs):
        future = Future()
        future.set_result(fn(*args, **kwargs))
        return future


class Scene:
    """What a stop rule sees of the run below."""

    steps = STEPS

    def __init__(self, step):
        self.engine = self
        self.step = step


def point(parameters, directory, *, stop_rules=(), on_progress=None, begun=None, act=None):
    """Count to ten in a file, going on with what is there."""
    path = directory / "count"
    first = int(path.read_text()) if path.exists() else 0
    if begun is not None:
        begun.append((directory.name, first))
    ending, reason = Ending.FINISHED, f"finished {STEPS} steps"
    for step in range(first, STEPS):
        try:
            if act is not None:
                act(parameters, step)
            for rule in stop_rules:
                rule.look(Scene(step))
        except Stop as stop:
            ending, reason = stop.ending, stop.reason
            break
        path.write_text(str(step + 1))
        on_progress(step + 1, STEPS)
    return Run(directory, path, ending, reason, int(path.read_text()), STEPS, 1, {})


def go(directory, parameters=None, *, executor=None, **options):
    act = {name: options.pop(name) for name in ("begun", "act") if name in options}
    options.setdefault("point", partial(point, **act))
    return sweep(
        parameters or film(),
        directory,
        executor=executor or Here(),
        warm_up=lambda _: None,
        **options,
    )


def strong(parameters, step):
    """Fail in the strongest field."""
    if parameters.field.largest == 0.02 and step == 4:
        raise ValueError("the field is too strong")


def test_every_run_gets_its_folder_and_its_outcome(tmp_path):
    told = []
    result = go(
        tmp_path / "s",
        workers=1,
        on_run=lambda folder, outcome: told.append((folder, outcome.state)),
    )
    assert result.finished
    assert result.ended
    assert not result.interrupted
    assert [folder for folder, _ in told][:4] == [
        "runs/point_1_replica_1",
        "runs/point_2_replica_1",
        "runs/point_3_replica_1",
        "runs/point_1_replica_2",
    ]
    for folder, state in told:
        assert state == "finished"
        assert (tmp_path / "s" / folder / "count").read_text() == "10"
        assert not (tmp_path / "s" / folder / "progress.json").exists()
    record = json.loads((tmp_path / "s" / "sweep.json").read_text())
    assert [point["columns"] for point in record["points"]] == [
        {"field.strength_T": 0.005},
        {"field.strength_T": 0.01},
        {"field.strength_T": 0.02},
    ]
    seeds = [run["seed"] for point in record["points"] for run in point["runs"]]
    assert len(set(seeds)) == 6


def test_a_failed_run_is_recorded_and_loses_no_other(tmp_path):
    result = go(tmp_path / "s", act=strong)
    assert (result.count("finished"), result.count("failed")) == (4, 2)
    assert result.ended
    assert not result.finished
    outcome = SweepFolder(tmp_path / "s").outcome("runs/point_3_replica_1")
    assert (outcome.state, outcome.reason) == ("failed", "the field is too strong")


def test_an_error_of_the_program_and_a_failed_run_are_worded(tmp_path):
    def broken(parameters, step):
        if parameters.field.largest == 0.005:
            raise KeyError("gone")
        if parameters.field.largest == 0.01:
            run = Run(tmp_path, tmp_path, Ending.FAILED, "particle 3 moved far", 4, 9, 1, {})
            raise RunFailed(run)

    outcomes = go(tmp_path / "s", act=broken).outcomes
    assert outcomes["runs/point_1_replica_1"].reason == "an error of the program, KeyError: 'gone'"
    assert (
        outcomes["runs/point_2_replica_1"].reason
        == "the run failed at step 4 of 9: particle 3 moved far"
    )
    assert outcomes["runs/point_3_replica_1"].state == "finished"


def test_resuming_keeps_what_is_finished_and_tries_failed_runs_again(tmp_path):
    go(tmp_path / "s", act=strong)
    begun = []
    result = go(tmp_path / "s", resume=True, begun=begun)
    assert result.finished
    # the failed ones had come to step 4
    assert begun == [("point_3_replica_1", 4), ("point_3_replica_2", 4)]
    begun.clear()
    assert go(tmp_path / "s", resume=True, begun=begun).finished
    assert begun == []


@pytest.mark.parametrize("workers", [1, 2])
def test_a_signal_stops_the_runs_in_work_and_resuming_goes_on_from_there(tmp_path, workers):
    """Sent by the second run; a run in work sees the stop file at its next look."""
    seen = threading.Event()

    def act(parameters, step):
        if parameters.field.largest == 0.01 and step == 3:
            os.kill(os.getpid(), signal.SIGINT)
            seen.set()
        if seen.is_set():
            time.sleep(0.15)  # until the parent has heard

    with ThreadPoolExecutor(workers) as pool:
        result = go(tmp_path / "s", act=act, executor=pool, workers=workers)
    assert result.interrupted
    assert not result.ended
    assert result.outcomes["runs/point_2_replica_1"].state == "interrupted"
    assert "interrupted with its sweep at step" in result.outcomes["runs/point_2_replica_1"].reason
    assert len(result.outcomes) < 6
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    begun = []
    assert go(tmp_path / "s", resume=True, begun=begun).finished
    first = dict(begun)
    assert 3 <= first["point_2_replica_1"] < STEPS
    assert first["point_3_replica_2"] == 0
    counts = [path.read_text() for path in sorted((tmp_path / "s").glob("runs/*/count"))]
    assert counts == ["10"] * 6


def test_progress_counts_runs_and_their_steps(tmp_path):
    seen = []
    slow = partial(point, act=lambda *_: time.sleep(0.08))
    with ThreadPoolExecutor(2) as pool:
        go(tmp_path / "s", point=slow, executor=pool, workers=2, on_progress=seen.append)
    assert {progress.runs for progress in seen} == {6}
    shares = [progress.share for progress in seen]
    assert shares == sorted(shares)
    assert any(0 < step < STEPS for progress in seen for step, _ in progress.steps_of_runs)
    assert max(len(progress.steps_of_runs) for progress in seen) <= 2


@pytest.mark.parametrize(
    ("table", "changes", "said"),
    [
        (
            TABLE.replace("5 mT", "6 mT"),
            {},
            "its point 1 has other values: field.strength was 5 mT and is now 6 mT)",
        ),
        (TABLE.replace("= 2", "= 3"), {}, "its replicas differ: 2 before, 3 now"),
        (TABLE.replace('"10 mT", ', ""), {}, "it has 3 points and the file asks for 2"),
        (
            TABLE.replace("field.strength", "field.tilt").replace(" mT", " deg"),
            {},
            "its keys differ: field.strength before, field.tilt now",
        ),
        (
            TABLE,
            {"duration": "5 us"},
            "other keys of the file have changed, seen in point 1: "
            '[run] duration was "4 us" and is now "5 us")',
        ),
    ],
)
def test_the_folder_of_another_sweep_is_refused(tmp_path, table, changes, said):
    go(tmp_path / "s")
    text = small_film(**changes) + table
    if "tilt" in table:
        text = text.replace("direction = [1, 0, 0]\n", "")
    for resume in (False, True):
        with pytest.raises(FolderError, match="holds another sweep") as caught:
            go(tmp_path / "s", from_text(text, "film.toml"), resume=resume)
        assert said in str(caught.value)
    assert go(tmp_path / "s", from_text(text, "film.toml"), overwrite=True).finished


def test_a_sweep_that_another_program_began_goes_on_with_a_notice(tmp_path):
    go(tmp_path / "s", act=strong)
    assert go(tmp_path / "s", resume=True).notices == ()
    record = tmp_path / "s" / "sweep.json"
    content = json.loads(record.read_text())
    content["made_by"]["sources"] = "0" * 12
    record.write_text(json.dumps(content))
    (notice,) = go(tmp_path / "s", resume=True).notices
    assert notice.startswith("this sweep was begun with other sources; what its runs give may")


def test_folders_that_are_not_free_are_refused(tmp_path):
    go(tmp_path / "s")
    with pytest.raises(FolderError, match="holds this sweep already; use --resume"):
        go(tmp_path / "s")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine").write_text("mine")
    for options in ({}, {"resume": True}, {"overwrite": True}):
        with pytest.raises(FolderError, match="is not empty and holds no sweep"):
            go(tmp_path / "full", **options)
    with pytest.raises(FolderError, match="is a file"):
        go(tmp_path / "full" / "mine")
    (tmp_path / "s" / "sweep.json").write_text("{")
    with pytest.raises(FolderError, match="cannot be read; use --overwrite"):
        go(tmp_path / "s", resume=True)


def test_overwriting_removes_runs_and_results_and_nothing_else(tmp_path):
    go(tmp_path / "s")
    for name in ("sweep.csv", "summary.csv", "sweep_report.html", "notes.txt"):
        (tmp_path / "s" / name).write_text("old")
    (tmp_path / "s" / "runs" / "point_1_replica_1" / "measures.json").write_text("old")
    (tmp_path / "s" / "runs" / "point_1_replica_1" / "count").unlink()
    less = film(TABLE.replace("replicas = 2", ""))
    assert go(tmp_path / "s", less, overwrite=True).finished
    assert {path.name for path in (tmp_path / "s").iterdir()} == {"sweep.json", "runs", "notes.txt"}
    assert not list((tmp_path / "s").glob("runs/*/measures.json"))
    # a folder with a file that no run has written stays
    assert not (tmp_path / "s" / "runs" / "point_1_replica_2" / "outcome.json").exists()


def test_a_record_that_leads_out_of_the_folder_harms_nobody(tmp_path):
    go(tmp_path / "s")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "run.h5").write_text("mine")
    record = json.loads((tmp_path / "s" / "sweep.json").read_text())
    record["points"][0]["runs"][0]["folder"] = "../other"
    (tmp_path / "s" / "sweep.json").write_text(json.dumps(record))
    go(tmp_path / "s", overwrite=True)
    assert (tmp_path / "other" / "run.h5").read_text() == "mine"


def test_more_workers_than_cores_are_clamped_with_a_notice(tmp_path, monkeypatch):
    made, told = [], []

    def make(workers):
        made.append(workers)
        return Here()

    monkeypatch.setattr("sim.sweeps.sweep.spawned_workers", make)
    monkeypatch.setattr("sim.sweeps.sweep.usable_threads", lambda _: (3, ""))
    options = {"point": point, "warm_up": lambda _: None, "on_notice": told.append}
    result = sweep(film(), tmp_path / "s", workers=7, **options)
    assert made == [1, 3]  # one to compile in, then all
    assert told == list(result.notices)
    assert told == ["7 workers were asked for; this machine lends 3 core(s), and so many are used"]
    sweep(film(), tmp_path / "t", workers=2, **options)
    assert made[2:] == [1, 2]
    assert len(told) == 1
    with pytest.raises(ValueError, match="workers must be at least 1; received 0"):
        sweep(film(), tmp_path / "u", workers=0)


def test_kernels_are_compiled_once_for_each_kind_of_film_before_any_run(tmp_path):
    order = []
    table = '[sweep]\n"run.precision" = ["float32", "float64"]\n"field.strength" = ["5 mT", "9 mT"]'

    def act(parameters, step):
        if step == 0:
            order.append("run")

    sweep(
        film(table),
        tmp_path / "s",
        point=partial(point, act=act),
        executor=Here(),
        warm_up=lambda parameters: order.append(parameters.run.precision),
    )
    assert order == ["float32", "float64", "run", "run", "run", "run"]


def test_trouble_in_compiling_is_left_to_the_runs(tmp_path):
    def warm_up(parameters):
        raise RuntimeError("no compiler")

    result = sweep(film(), tmp_path / "s", point=point, executor=Here(), warm_up=warm_up)
    assert result.finished


class Mortal(Executor):
    """An executor whose worker dies at certain jobs, as a process that is out of memory does."""

    def __init__(self, deadly):
        self.deadly = deadly

    def submit(self, fn, /, job):
        future = Future()
        if job in self.deadly:
            future.set_exception(BrokenProcessPool("a worker died"))
        else:
            future.set_result(fn(job))
        return future


def work_off(jobs, deadly):
    done = {}
    crew = Crew(
        work=lambda job: f"{job} done",
        make_executor=lambda _: Mortal(deadly),
        workers=2,
        lost=lambda _, sentence: sentence,
        done=done.__setitem__,
        tick=lambda: False,
    )
    crew.run(jobs)
    return done


def test_a_job_that_kills_its_worker_twice_is_lost_alone():
    done = work_off(["a", "b", "c", "d"], {"b"})
    assert done.pop("b") == "its worker process died twice (is there enough memory?)"
    assert done == {"a": "a done", "c": "c done", "d": "d done"}
