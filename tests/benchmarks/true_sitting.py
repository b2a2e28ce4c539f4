"""A film at true scale in one go, for as long as there is time, looked at while it runs.

Run as ``python -m tests.benchmarks.true_sitting FILE OUT [--seconds S] [--device D]``. It runs the
file as a user does, beside it `check` of the file, looks at each frame as it reaches the disk, and
late in the run has `measure` look at all of them. When what is left is needed for the end it
interrupts the run and draws what has formed (`tests.benchmarks.true_picture`). All is over after so
many seconds, whatever happens. OUT gets the picture, numbers, and the last frame.
"""

import argparse
import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

import analysis
from tests.benchmarks.demo_picture import make_small
from tests.benchmarks.true_picture import draw, lengths
from tests.benchmarks.true_run import Command, Told, about, card_gb, frames_in

SAVING_S, DRAWING_S = 26.0, 16.0
"""Time for the end of a run, with the largest checkpoint that was seen, and for the picture."""
MEASURING_S = 80.0
"""So long before it is interrupted a run is measured as it stands."""


class Looks:
    """Measures frames of a run while it goes on, in a thread of its own.

    Attributes
    ----------
    rows : dict of int to tuple
        What `lengths` found, by frame.
    seen : list of (float, int)
        When so many frames were on the disk.
    """

    def __init__(self, tell, folder):
        self._tell, self._folder = tell, folder
        self.rows, self.seen = {}, []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self):
        while not self._over.is_set():
            if (frames := frames_in(self._folder)) > (self.seen[-1][1] if self.seen else 0):
                self.seen.append((self._tell.clock(), frames))
                with contextlib.suppress(Exception):  # a run that is looked at while it writes
                    self.measure()
            time.sleep(0.3)

    def measure(self):
        """Measure the frames that were not measured yet; return the run."""
        run = analysis.open_run(self._folder)
        for frame in range(1, run.frames):
            if frame not in self.rows:
                self.rows[frame] = found = lengths(run, frame)
                energy = run.observables["energy_dipolar"][frame]
                self._tell(
                    f"step {run.steps[frame]}, {found[0]:.2f} us: mean length {found[1]:.3f}, "
                    f"weight mean {found[2]:.3f}, single {found[3]:.3f}, longest {found[4]:.0f}, "
                    f"dipolar {energy:.4f} kT, {len(run.diameters_of(frame))} in the cube"
                )
        return run

    def end(self):
        """Look no more."""
        self._over.set()
        self._thread.join()


def told_by(tell, within, *words):
    """Tell what a command of the program prints, if it ends in so many seconds."""
    began = tell.clock()
    command = [sys.executable, "-W", "ignore", "-m", "sim", *map(str, words)]
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, timeout=max(0.1, within)
        )
    except subprocess.TimeoutExpired:
        tell(f"{words[0]} was not done in {within:.0f} s")
        return
    tell(f"{words[0]} took {tell.clock() - began:.1f} s:\n{done.stdout}{done.stderr[-2000:]}")


def begun(tell, within, *words):
    """Tell in time what a command prints, beside what else there is to do."""
    threading.Thread(target=told_by, args=(tell, within, *words), daemon=True).start()


def last_frame(run, path):
    """Write the last frame in single precision, and the map of all particles."""
    frame = run.frames - 1
    np.savez_compressed(
        path, positions_um=np.float32(run.positions(frame) * 1e6),
        moments_am2=np.float32(run.moments(frame)), time_s=run.times[frame],
        map=run.projected_count(frame).astype(np.uint16),
    )  # fmt: skip


def sitting(given, tell, seen, folder):
    """Run, look, interrupt, draw."""
    words = ("run", given.file, "-o", folder, "--device", given.device, "--no-plots", "-v")
    command, looks = Command(tell, *words), Looks(tell, folder)
    until = given.seconds - SAVING_S - DRAWING_S
    if not command.wait_for(until, lambda: frames_in(folder) > 0) or not frames_in(folder):
        tell("no frame came:\n" + "\n".join(command.lines[-20:]))
        command.end(signal.SIGKILL, 1)
        return
    seen["ready_s"] = tell.clock() - command.began
    tell(f"ready after {seen['ready_s']:.1f} s, peak {command.peak_gb:.1f} GB")
    begun(tell, 120.0, "check", given.file, "--no-timing")
    command.wait_for(until - MEASURING_S)
    begun(tell, MEASURING_S + SAVING_S, "measure", folder)
    is_going = command.wait_for(until)
    seen["card_gb"] = card_gb()
    left = given.seconds - DRAWING_S - tell.clock()
    code, saving = command.end(signal.SIGINT, left) if is_going else (command.process.wait(), 0.0)
    looks.end()
    tell(f"run over: exit {code} after {saving:.1f} s; {command.lines[-3:]}")
    run = looks.measure()
    seen["run"] = {**about(folder), "exit": code, "saving_s": saving, "host_gb": command.peak_gb}
    seen["frames_at"], seen["lengths"] = looks.seen, looks.rows
    picture = given.out / "true_film.png"
    draw(run, looks.rows).savefig(picture, dpi=200)
    make_small(picture, picture)
    last_frame(run, given.out / "last_frame.npz")
    tell(f"drawn; {cost(seen['run'])}")


def cost(run):
    """Return what the steps of a run cost, in words."""
    timing = run["timing"]
    if not timing:
        return "no timing was written"
    step = timing["stepping_s"] / timing["steps"]
    return (
        f"{timing}; {step:.4f} s a step, a millisecond of the film "
        f"{step * 1e-3 / run['time_step_s'] / 3600:.2f} h"
    )


def main():
    """Sit through one run; print and write what was seen."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=590.0)
    parser.add_argument("--device", default="gpu")
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    work, seen = Path(tempfile.mkdtemp(prefix="true_sitting")), {}
    tell = Told(work / "log.txt")
    try:
        sitting(given, tell, seen, work / "film")
    finally:
        seen["log"] = (work / "log.txt").read_text(encoding="utf-8").splitlines()
        text = json.dumps(seen, indent=1, default=float)
        (given.out / "true_sitting.json").write_text(text, encoding="utf-8")
        shutil.rmtree(work, ignore_errors=True)


if __name__ == "__main__":
    os.environ.setdefault("PYTHONUNBUFFERED", "1")
    signal.signal(signal.SIGINT, signal.default_int_handler)  # shells let jobs ignore it
    main()
