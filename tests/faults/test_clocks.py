"""Clocks that are set forward and back under a run: same frames, checkpoints and progress go on."""

import json
import subprocess
import sys

from sim.files.clock import has_passed
from sim.files.comparison import compare_runs
from sim.files.run_file import read_summary
from sim.parameters import load
from sim.run.schedule import ByClock
from sim.run.simulate import simulate
from tests.reference.real_runs import PATIENCE, ROOT
from tests.reference.small_film import small_film

JUMPING = """
import json, random, sys, time
# what these measure by the clock is not of this program
import asyncio, multiprocessing, queue, selectors, subprocess, threading
chance, reach = random.Random(int(sys.argv.pop(1))), 1e5
told = {"jumps": 0, "saved_at": [], "progress": 0}

def jumping(name, directions):
    real, shift = getattr(time, name), [0.0]
    def now():
        if chance.random() < 0.03:
            shift[0] += chance.choice(directions) * chance.uniform(1.0, reach)
            told["jumps"] += 1
        return real() + shift[0]
    return now

for name, directions in (("time", (-1, 1)), ("monotonic", (-1, 1)), ("perf_counter", (1,))):
    setattr(time, name, jumping(name, directions))

from functools import partial
from pathlib import Path
from sim.files import checkpoint
from sim.run import simulate as one_run
from sim.run import watchers
from sim.parameters import load

real_save = checkpoint.save
def save(path, kept):
    told["saved_at"].append(kept.step)
    real_save(path, kept)
checkpoint.save = save
one_run.CheckpointByClock = partial(watchers.CheckpointByClock, seconds=0.1, share=1.0)

def progress(step, steps):
    told["progress"] += 1

film, out = map(Path, sys.argv[1:])
run = one_run.simulate(load(film), out, threads=1, on_progress=progress)
told |= {"timing": run.timing, "steps": run.steps, "ending": run.ending.value}
print(json.dumps(told))
"""
"""A run whose clock jumps by up to a day at about one look in thirty.

Time of the day and the steady clock go both ways: the steady one may not by its definition, and
does where a machine sleeps or a virtual one moves. The clock of durations runs on meanwhile.
"""


def test_a_run_does_not_mind_clocks_that_jump(tmp_path):
    film = tmp_path / "film.toml"
    film.write_text(small_film("600 us", 300))
    simulate(load(film), tmp_path / "whole", threads=1)
    words = [sys.executable, "-c", JUMPING, "1", str(film), str(tmp_path / "jumped")]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["jumps"] > 50
    assert told["ending"] == "finished"
    assert compare_runs(tmp_path / "whole", tmp_path / "jumped").same
    # checkpoints go on to the end, however often the clock went back
    saved = told["saved_at"]
    assert len(saved) > 10
    assert [sum(part <= 4 * step / told["steps"] < part + 1 for step in saved) > 0
            for part in range(4)] == [True] * 4  # fmt: skip
    assert told["progress"] >= 300
    summary = read_summary(tmp_path / "jumped/run.h5")
    for key, value in summary.timing.items():
        assert value >= 0, key


def test_a_clock_that_was_set_back_is_not_waited_for():
    now = [100.0]
    schedule = ByClock(60.0, clock=lambda: now[0])
    now[0] = -3600.0
    assert schedule.is_due(0)
    assert not schedule.is_due(0)
    now[0] += 61.0
    assert schedule.is_due(0)
    assert [has_passed(5.0, 10.0, at) for at in (9.9, 10.0, 14.9, 15.0, 1e9)] == [
        True, False, False, True, True,
    ]  # fmt: skip
