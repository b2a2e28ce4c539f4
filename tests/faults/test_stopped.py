"""Processes that are stopped (SIGSTOP) for a while, or for good: nothing is lost, nothing hangs."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sim.files.comparison import compare_runs
from sim.sweeps.folder import SweepFolder
from sim.sweeps.pool import Crew, spawned_workers
from tests.faults.test_sweep_workers import workers_of
from tests.reference.away import POINTS, sweep_away

ROOT = Path(__file__).parents[2]
RUNS = [f"runs/point_{k}_replica_1" for k in range(1, len(POINTS) + 1)]
PATIENCE = 180.0

pytestmark = [
    pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no process can be stopped here"),
    pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc"),
]
SWEEP = """
import sys
from tests.reference.away import sweep_away
if __name__ == "__main__":
    done = sweep_away(None, sys.argv[1], float(sys.argv[2]), resume=True, workers=2)
    sys.exit(130 if done.interrupted else int(not done.finished))
"""


def start(folder, sleep_s):
    """Start a sweep of four runs of the small engine on two workers."""
    script = folder.parent / "go.py"
    script.write_text(SWEEP)
    return subprocess.Popen(
        [sys.executable, str(script), str(folder), str(sleep_s)],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def until(met):
    end = time.monotonic() + PATIENCE
    while not met():
        assert time.monotonic() < end
        time.sleep(0.02)


def attempts(folder):
    """Count how often each run was begun."""
    return [len((folder / run / ".where").read_text().splitlines()) for run in RUNS]


@pytest.mark.slow
def test_sweeps_killed_at_any_moment_lose_no_run_and_do_none_twice(tmp_path):
    """Signals in turn, to the sweep alone and to all its processes, at work and while they start.

    Then the bits are those of a sweep that nobody stopped, and a run that had come to its end was
    never begun again.
    """
    assert sweep_away(None, tmp_path / "whole", workers=2).finished
    hurt, ended = tmp_path / "hurt", {}
    for number in (signal.SIGKILL, signal.SIGINT, signal.SIGTERM, signal.SIGKILL, signal.SIGINT):
        for path in hurt.rglob("progress.json"):
            path.unlink()
        process = start(hurt, 0.02)
        until(lambda: list(hurt.rglob("progress.json")) or process.poll() is not None)  # noqa: B023
        time.sleep(0.7)
        if process.poll() is None:
            process.send_signal(number)
        _, told = process.communicate(timeout=PATIENCE)
        assert process.returncode in (0, 130, -number), told
        for run, times in ended.items():
            assert len((hurt / run / ".where").read_text().splitlines()) == times
        for run in RUNS:
            if (SweepFolder(hurt).outcome(run) or 0) and SweepFolder(hurt).outcome(
                run
            ).state == "finished":
                ended[run] = len((hurt / run / ".where").read_text().splitlines())
    process = start(hurt, 0.0)
    _, told = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0, told
    for run in RUNS:
        assert not compare_runs(hurt / run, tmp_path / "whole" / run).differences
    assert not [p for p in hurt.rglob("*") if p.suffix == ".part" or p.name == "progress.json"]


@pytest.mark.slow
@pytest.mark.parametrize("who", ["worker", "sweep"])
def test_stopped_for_a_while_and_continued(tmp_path, who):
    process = start(tmp_path / "out", 0.02)
    until(lambda: list((tmp_path / "out").rglob("progress.json")))
    stopped = process.pid if who == "sweep" else workers_of(process.pid)[-1]
    os.kill(stopped, signal.SIGSTOP)
    time.sleep(2.0)
    assert process.poll() is None
    os.kill(stopped, signal.SIGCONT)
    _, told = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0, told
    assert attempts(tmp_path / "out") == [1, 1, 1, 1]
    assert sweep_away(None, tmp_path / "whole", workers=2).finished
    for run in RUNS:
        assert not compare_runs(tmp_path / "out" / run, tmp_path / "whole" / run).differences


def stop_for_good(place):
    """Do what a worker does that hangs in the system."""
    Path(place).touch()
    os.kill(os.getpid(), signal.SIGSTOP)


def test_a_worker_that_does_not_hear_is_killed_when_it_is_given_up(tmp_path):
    """A second Ctrl-C: the sweep waited for it at its own end, and could only be killed."""
    place = tmp_path / "stopped"

    def tick():
        if place.exists():
            raise KeyboardInterrupt
        return False

    crew = Crew(
        work=stop_for_good, make_executor=spawned_workers, workers=1,
        lost=lambda *_: None, done=lambda *_: None, tick=tick,
    )  # fmt: skip
    before = set(multiprocessing.active_children())
    try:
        with pytest.raises(KeyboardInterrupt):
            crew.run([str(place)])
        until(lambda: not set(multiprocessing.active_children()) - before)
    finally:
        for process in set(multiprocessing.active_children()) - before:
            process.kill()
