"""`chainfilm sweep` and what the other commands do with a sweep, with real workers."""

import csv
import json
import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest

from sim.command_line import main, measure_point
from tests.reference.small_film import small_film

ROOT = Path(__file__).parents[2]
TABLE = '[sweep]\n"field.strength" = ["5 mT", "40 mT"]\nreplicas = 2\n'
PATIENCE = 180.0
"""Seconds to wait for a first step: kernels may have to be compiled."""


def call(*words):
    return main([str(word) for word in words])


def start(film, out, *words):
    return subprocess.Popen(
        [sys.executable, "-m", "sim", "sweep", str(film), "-o", str(out), *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def rows(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "film.toml"
    # long enough that a fast machine is still in the first runs when it is told to stop
    path.write_text(small_film(duration="0.9 ms", frames=60) + TABLE)
    return path


@pytest.fixture(scope="module")
def whole(film):
    """Return the folder of a sweep that nobody stopped, on two workers where there are two."""
    out = film.parent / "whole"
    process = start(film, out, "--workers", "2", "-q")
    told, wrong = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0, wrong
    assert "sweep:" not in wrong  # no progress where none is wanted
    assert "2  40 mT  mean length" in told
    assert f"read {out / 'sweep_report.html'}" in told
    return out


def test_a_sweep_leaves_tables_pictures_a_page_and_whole_runs(whole):
    runs, points = rows(whole / "sweep.csv"), rows(whole / "summary.csv")
    assert [run["status"] for run in runs] == ["done"] * 4
    assert [float(run["field.strength_T"]) for run in runs] == [0.005, 0.005, 0.04, 0.04]
    assert len({run["seed"] for run in runs}) == 4
    assert [point["replicas_done"] for point in points] == ["2", "2"]
    weak, strong = (float(point["magnetisation_relative"]) for point in points)
    assert strong > weak
    assert list((whole / "figures").glob("*.png"))
    assert (whole / "sweep_report.html").stat().st_size > 100_000
    for run in runs:
        folder = whole / run["folder"]
        assert (folder / "report.html").is_file()
        assert json.loads((folder / "measures.json").read_text())["timing"]["threads"] == 1
        assert json.loads((folder / "outcome.json").read_text())["state"] == "finished"
    assert not list(whole.rglob("*.part")) + list(whole.rglob("progress.json"))


def test_stopped_in_the_middle_and_resumed_the_tables_are_the_same(film, whole):
    out = film.parent / "stopped"
    process = start(film, out, "--workers", "2", "--no-plots")
    end = time.monotonic() + PATIENCE
    while not list(out.glob("runs/*/run.h5")):
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end
        time.sleep(0.02)
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    told, wrong = process.communicate(timeout=60)
    assert process.returncode == 130, wrong
    assert "of 4 runs to simulate, measure or draw; checkpoints saved in" in wrong
    assert f"chainfilm sweep {film} -o {out} --resume" in wrong
    assert wrong.count("\n") == 1
    assert "Result (unfinished: " in told
    states = [run["status"] for run in rows(out / "sweep.csv")]
    assert "unfinished" in states
    assert not (out / ".stop").exists()
    # a run that was in work has its checkpoint, and no measures yet
    begun = [path.parent for path in out.glob("runs/*/checkpoint.h5")]
    assert any(not (folder / "measures.json").exists() for folder in begun)
    process = start(film, out, "--resume", "--no-plots", "--workers", "1")
    _, wrong = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0, wrong
    for name in ("sweep.csv", "summary.csv"):
        assert (out / name).read_bytes() == (whole / name).read_bytes()


def test_a_finished_sweep_is_kept_unless_told(film, whole, capsys):
    before = {path: path.stat().st_mtime_ns for path in whole.glob("runs/*/*")}
    assert call("sweep", film, "-o", whole) == 2
    assert "holds this sweep already; use --resume" in capsys.readouterr().err
    assert call("sweep", film, "-o", whole, "--resume", "--no-plots") == 0
    assert {path: path.stat().st_mtime_ns for path in whole.glob("runs/*/*")} == before
    assert call("sweep", film, "-o", whole, "--resume", "--seed", "8") == 2
    assert "holds another sweep (other keys of the file have changed" in capsys.readouterr().err


def here(monkeypatch, act):
    """Let a sweep run in this process, `act` before each of its runs."""
    from sim.sweeps import sweep as many_runs
    from tests.unit.test_many_runs import Here

    monkeypatch.setattr(many_runs, "spawned_workers", lambda _: Here())
    real = measure_point

    def instead(parameters, directory, **options):
        act(parameters)
        return real(parameters, directory, **options)

    monkeypatch.setattr("sim.commands.run.measure_point", instead)


@pytest.fixture
def short(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(small_film() + TABLE)
    return path


def test_a_failed_point_gives_1_and_the_others(short, tmp_path, monkeypatch, capsys):
    def act(parameters):
        if parameters.field.largest == 0.04:
            raise ValueError("no room in the film")

    here(monkeypatch, act)
    out = tmp_path / "out"
    assert call("sweep", short, "-o", out, "--no-plots") == 1
    told = capsys.readouterr()
    assert "2 of 4 runs failed, the others are measured; try them again with: " in told.err
    assert "runs/point_2_replica_1: no room in the film" in told.out
    assert "Result (2 of 4 runs failed)" in told.out
    states = [(run["status"], run["reason"]) for run in rows(out / "sweep.csv")]
    assert states[0][0] == "done"
    assert states[2] == ("failed", "no room in the film")
    assert rows(out / "summary.csv")[1]["complete"] == "no"
    assert not (out / "sweep_report.html").exists()
    here(monkeypatch, lambda _: None)
    assert call("sweep", short, "-o", out, "--no-plots", "--resume") == 0


def test_a_half_finished_sweep_is_summarised_and_labelled(short, tmp_path, monkeypatch, capsys):
    def act(parameters):
        if parameters.field.largest == 0.04:
            os.kill(os.getpid(), signal.SIGINT)

    here(monkeypatch, act)
    out = tmp_path / "out"
    assert call("sweep", short, "-o", out, "--workers", "1", "--no-plots") == 130
    capsys.readouterr()
    assert call("measure", out) == 0
    assert "Result (unfinished: " in capsys.readouterr().out
    assert call("measure", out, "--json") == 0
    content = json.loads(capsys.readouterr().out)
    assert "unfinished: " in content["label"]
    assert len(content["summary"]) == 2
    assert call("plot", out, "--format", "svg") == 0
    assert list((out / "figures").glob("*.svg"))
    assert "unfinished: " in (out / "sweep_report.html").read_text(encoding="utf-8")
    assert call("measure", out, "-o", tmp_path / "x") == 2
    assert "-o does not go with the folder of a sweep" in capsys.readouterr().err


def test_measuring_a_sweep_again_takes_other_criteria(film, whole, tmp_path, capsys):
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(whole, copy, ignore=shutil.ignore_patterns("*.png", "*.html"))
    assert call("measure", copy, "--bond-distance", "1.1") == 0
    tight, usual = rows(copy / "summary.csv"), rows(whole / "summary.csv")
    for one, other in zip(tight, usual, strict=True):
        assert float(one["chains_mean_length"]) < float(other["chains_mean_length"])
    assert call("measure", copy) == 0
    assert (copy / "summary.csv").read_bytes() == (whole / "summary.csv").read_bytes()


def test_check_tells_points_cost_and_what_will_not_work(tmp_path, capsys):
    path = tmp_path / "film.toml"
    cores = '[sweep]\n"particles.core_diameter" = ["8 nm", "16 nm", "22 nm"]\nreplicas = 2\n'
    path.write_text(small_film(duration="60 us") + cores)
    assert call("check", path) == 0
    text = capsys.readouterr().out
    assert text.startswith("small film\n3 points x 2 replicas = 6 runs; swept: particles.core_d")
    for word in (
        "Point 1 will not chain",
        "Point 2 will have few and short chains",
        "Points 2, 3 will not be in equilibrium",
        "stepping",
        "run.h5, all",
    ):
        assert word in text
    assert call("check", path, "--json", "--threads", "1") == 0
    content = json.loads(capsys.readouterr().out)
    assert content["runs"] == 6
    assert content["cost"]["workers"] == 1
    assert content["cost"]["wall_s"] >= 2 * content["cost"]["longest_run_s"]
    assert [point["will_chain"] for point in content["points"]] == [False, True, True]
    assert call("check", path, "--json", "--no-timing") == 0
    assert json.loads(capsys.readouterr().out)["cost"] is None


def test_cost_is_that_of_the_workers():
    """Two runs of 3 s and four of 1 s on two workers, in order: 3 + 1 + 1 = 5 s."""
    from types import SimpleNamespace

    from sim.parameters import from_text
    from sim.sweeps.outlook import calibrate_sweep
    from sim.sweeps.table import plan_sweep

    table = '[sweep]\n"film.count" = [60, 61, 62]\nreplicas = 2\n'
    plan = plan_sweep(from_text(small_film() + table, "film.toml"))
    points = [
        SimpleNamespace(point=k + 1, particle_count=60 + k, steps=(3, 1, 1)[k]) for k in range(3)
    ]

    def timer(setup, *, seconds):
        assert setup.threads == 1
        return SimpleNamespace(seconds_per_step=1.0, memory_bytes=10, file_bytes=100)

    one = calibrate_sweep(plan, points, workers=1, timer=timer)
    assert (one.wall_s, one.longest_run_s) == (10.0, 3.0)
    assert (one.memory_bytes, one.file_bytes, one.points_timed) == (10, 600, 3)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('[sweep]\n"field.strengh" = ["5 mT"]\n', "field.strengh is not a known key"),
        ('[sweep]\n"field.strength" = []\n', "received an empty list"),
        ('[sweep]\n"field.strength" = ["5 mT", "5 kg"]\n', "point 2 of 2 (field.strength = 5 kg)"),
        ('[sweep]\n"run.duration" = [2020-01-01]\n', "must hold texts, numbers or lists of them"),
        ("", "[sweep] is missing"),
    ],
)
def test_bad_input_is_2_before_anything_runs(table, said, tmp_path, capsys):
    path = tmp_path / "film.toml"
    path.write_text(small_film() + table)
    assert call("sweep", path, "-o", tmp_path / "out") == 2
    told = capsys.readouterr()
    assert said in told.err
    assert told.out == ""
    assert not (tmp_path / "out").exists()
    if table:
        assert call("check", path) == 2
        assert said in capsys.readouterr().err


def test_a_cluster_without_scheme_and_a_full_folder_are_refused(short, tmp_path, capsys):
    assert call("sweep", short, "--cluster", "host:8786") == 2
    assert "--cluster must be local or an address" in capsys.readouterr().err
    assert call("sweep", short, "-o", tmp_path) == 2
    assert "is not empty and holds no sweep" in capsys.readouterr().err
    assert call("sweep", short, "--workers", "0") == 2
    assert "--workers: must be a whole number from 1" in capsys.readouterr().err


def test_a_single_run_says_that_it_ignores_the_table(short, tmp_path, capsys):
    assert call("run", short, "-o", tmp_path / "out", "--no-plots") == 0
    assert (
        "[sweep] is ignored by a single run; `chainfilm sweep` uses it" in capsys.readouterr().err
    )


def test_the_point_function_can_be_sent_to_a_worker():
    import pickle

    sent = pickle.loads(pickle.dumps(partial(measure_point, plots=False)))
    assert sent.func is measure_point
