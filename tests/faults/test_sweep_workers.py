"""Worker processes of a sweep of this machine, killed while they simulate: no point is lost."""

import os
import signal
import time
from pathlib import Path

import pytest

from sim.files.comparison import compare_runs
from sim.parameters import load
from sim.sweeps.folder import SweepFolder
from sim.sweeps.sweep import sweep
from tests.reference.real_runs import PATIENCE, finish, start
from tests.reference.small_film import small_film
from tests.unit.test_many_runs import Here

RUNS = [f"runs/point_{k}_replica_1" for k in (1, 2, 3)]
SWEPT = '[sweep]\n"field.strength" = ["5 mT", "10 mT", "20 mT"]\n'

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("sweep") / "film.toml"
    path.write_text(small_film("600 us", 100) + SWEPT)  # about a second of stepping a run
    return path


@pytest.fixture(scope="module")
def whole(film):
    """Return the folder of the same sweep done in this process, of which nobody was killed."""
    assert sweep(load(film), film.parent / "whole", executor=Here()).finished
    return film.parent / "whole"


def workers_of(parent):
    """Return the worker processes that a process has spawned."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            after_name = path.read_text().rpartition(")")[2].split()
            line = (path.parent / "cmdline").read_bytes()
        except OSError:
            continue  # it has ended meanwhile
        if int(after_name[1]) == parent and b"spawn_main" in line:
            found.append(int(path.parent.name))
    return found


def writer_of(parent, folder):
    """Return the worker that holds the lock of a run's folder, None while there is none."""
    for worker in workers_of(parent):
        for entry in Path(f"/proc/{worker}/fd").glob("*"):
            try:
                if entry.readlink() == folder / ".lock":
                    return worker
            except OSError:
                continue
    return None


def kill_writers(process, folder, times):
    """Kill whoever writes a run, so many times; return how often that was."""
    killed, deadline = [], time.monotonic() + PATIENCE
    progress = folder / "progress.json"
    while len(killed) < times and process.poll() is None and time.monotonic() < deadline:
        worker = writer_of(process.pid, folder)
        if worker is not None and worker not in killed and progress.exists():
            os.kill(worker, signal.SIGKILL)
            killed.append(worker)
            progress.unlink(missing_ok=True)  # that of the worker which is gone
        time.sleep(0.02)
    return len(killed)


def sweep_with_kills(film, out, times):
    """Sweep, and kill the worker of the first point; return exit code, kills and what was said."""
    process = start("sweep", film, "-o", out, "--no-plots", "--workers", 2)
    try:
        kills = kill_writers(process, (out / RUNS[0]).resolve(), times)
        _, told = process.communicate(timeout=PATIENCE)
    finally:
        process.kill()
        process.wait()
    return process.returncode, kills, told


def test_a_killed_worker_is_replaced_and_its_point_computed(film, whole, tmp_path):
    code, kills, told = sweep_with_kills(film, tmp_path / "out", 1)
    assert kills == 1
    assert code == 0, told
    assert "Traceback" not in told
    for run in RUNS:
        assert SweepFolder(tmp_path / "out").outcome(run).state == "finished"
        assert compare_runs(tmp_path / "out" / run, whole / run).same


def test_a_point_whose_worker_dies_twice_is_told_and_the_others_are_kept(film, whole, tmp_path):
    out = tmp_path / "out"
    code, kills, told = sweep_with_kills(film, out, 2)
    assert kills == 2
    assert code == 1
    assert "Traceback" not in told
    outcomes = [SweepFolder(out).outcome(run) for run in RUNS]
    assert [outcome.state for outcome in outcomes] == ["failed", "finished", "finished"]
    assert outcomes[0].reason == "its worker process died twice (is there enough memory?)"
    code, told = finish("sweep", film, "-o", out, "--no-plots", "--workers", 2, "--resume")
    assert code == 0, told
    for run in RUNS:
        assert compare_runs(out / run, whole / run).same
