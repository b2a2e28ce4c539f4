"""A film at true scale as a user runs it: `run --device gpu`, Ctrl-C, `run --resume`, a kill.

Run as ``python -m tests.benchmarks.true_run FILE OUT [--seconds S] [--device D]``. It runs the file
until what is left of the time is enough to save, to begin again and for a few more steps; then it
interrupts it, looks at what lies in the folder, goes on and kills it with SIGKILL. Beside the steps
it runs `check` of the same file and times parts of the measurement at its size, and takes S(q) of
the whole film from the checkpoint, but for ``--alone``. OUT gets a log with the time that
each part of a start takes (`tests.benchmarks.phases`), numbers, S(q), and the run file without
whole states, packed and in pieces (``cat run.h5.* > run.h5``).
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

import h5py
import numpy as np

TOLD = ("progress", "simulating", "going on", "phase", "%")
"""Lines of a command that are told have one of these."""
PIECE = 8 * 2**20
"""Bytes of a piece of the packed run file."""
AT_ONCE = ("check", "S(q), transform", "chains", "map of counts, 20 nm")
"""What runs beside the steps: a command, and parts of `tests.benchmarks.scale`."""
MORE_STEPS_S, SPARE_S, CHECKPOINT_S, LONGER_S = 25.0, 16.0, 30.0, 10.0
"""Time for steps after the restart, for the end, a first guess of what saving takes, and of how
much longer a start takes where a checkpoint is read."""


class Told:
    """Lines with the time of the clock, on the screen and in a file."""

    def __init__(self, path):
        self._file, self._began = path.open("w", encoding="utf-8"), time.monotonic()

    def __call__(self, text):
        line = f"{self.clock():7.1f} {text}"
        print(line, flush=True)
        self._file.write(line + "\n")
        self._file.flush()

    def clock(self):
        """Return the seconds since the beginning."""
        return time.monotonic() - self._began


class Command:
    """A command of the program in a process of its own; lines that it writes are told at once."""

    def __init__(self, tell, *words):
        self._tell, self._words = tell, words
        self.lines, self.peak_gb = [], 0.0
        self.began = tell.clock()
        self.process = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-m", "tests.benchmarks.phases", *map(str, words)],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self):
        for line in self.process.stdout:
            self.lines.append(line.rstrip())
            if any(word in line for word in TOLD):
                self._tell(f"  {self._words[0]}: {line.rstrip()}")

    def look(self):
        """Note the peak of its memory."""
        with contextlib.suppress(OSError, StopIteration):
            status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
            line = next(one for one in status.splitlines() if one.startswith("VmHWM"))
            self.peak_gb = int(line.split()[1]) * 1024e-9

    def wait_for(self, until, done=lambda: False):
        """Wait until so late, for its end or something else; return whether it lives."""
        while self._tell.clock() < until and not done():
            self.look()
            if self.process.poll() is not None:
                return False
            time.sleep(0.2)
        return self.process.poll() is None

    def end(self, number, within):
        """Send a signal; return the exit code and the seconds until it was gone."""
        sent = self._tell.clock()
        self.process.send_signal(number)
        self.wait_for(sent + within)
        took = self._tell.clock() - sent
        if self.process.poll() is None:
            self.process.kill()
        code = self.process.wait()
        self._reader.join(5)
        return code, took


def frames_in(folder):
    """Return the frames that count in a run file, 0 where there is none yet."""
    with contextlib.suppress(OSError, KeyError, RuntimeError), h5py.File(folder / "run.h5") as file:
        return int(file["parameters/frames_complete"][()])
    return 0


def card_gb():
    """Return the memory in use on the card, or None."""
    card = os.environ.get("CUDA_VISIBLE_DEVICES", "0").split(",")[0]
    words = ["nvidia-smi", "-i", card, "--query-gpu=memory.used", "--format=csv,noheader,nounits"]
    with contextlib.suppress(OSError, ValueError, IndexError):
        told = subprocess.run(words, capture_output=True, text=True, check=False, timeout=10)
        return float(told.stdout.split()[0]) * 2**20 * 1e-9
    return None


def about(folder):
    """Return what a run file says of its run, and the numbers of its frames."""
    with h5py.File(folder / "run.h5") as file:
        attrs = file["parameters"].attrs
        frames = int(file["parameters/frames_complete"][()])
        film = file["particles/film"]
        series = {
            name.removeprefix("energy_"): file[f"observables/{name}/value"][:frames].tolist()
            for name in file["observables"] if name.startswith(("energy_dip", "energy_ster", "mag"))
        }  # fmt: skip
        rows = [int((numbers >= 0).sum()) for numbers in film["id/value"][:frames]]
        return {
            "ending": str(attrs["ending"]), "reason": str(attrs["end_reason"]),
            "timing": json.loads(attrs.get("timing", "{}")), "time_step_s": attrs["time_step_s"],
            "steps": film["position/step"][:frames].tolist(), "rows": rows,
            "whole_states": len(file["particles/whole/position/step"]), **series,
        }  # fmt: skip


def pack(path, out):
    """Write a run file without whole states, compressed, in pieces into a folder."""
    with tempfile.TemporaryDirectory() as folder:
        packed = Path(folder) / "run.h5"
        with h5py.File(path) as file, h5py.File(packed, "w", libver="earliest") as made:
            _copy(file, made)
        content = packed.read_bytes()
    for k in range(0, len(content), PIECE):
        (out / f"run.h5.{k // PIECE}").write_bytes(content[k : k + PIECE])
    return len(content)


def _copy(file, made):
    """Copy groups and arrays, these compressed; hard links of schedules stay links."""
    linked = {}

    def copy(group, into):
        for name, item in group.items():
            place = h5py.h5o.get_info(item.id).addr
            if place in linked:
                into[name] = linked[place]
                continue
            if isinstance(item, h5py.Group):
                new = into.create_group(name)
                copy(item, new)
            elif item.chunks:
                chunks = tuple(min(n, 2**17) for n in item.chunks)
                new = into.create_dataset(
                    name, shape=item.shape, dtype=item.dtype, maxshape=item.maxshape,
                    chunks=chunks, compression="gzip", compression_opts=1, shuffle=True,
                    fletcher32=True, fillvalue=item.fillvalue,
                )  # fmt: skip
                step = max(chunks[0], item.chunks[0])  # a chunk is read as a whole
                for first in range(0, len(item), step):
                    new[first : first + step] = item[first : first + step]
            else:
                new = into.create_dataset(name, data=item[()], dtype=item.dtype)
            linked[place] = new
            for key in item.attrs:
                new.attrs.create(key, item.attrs[key], dtype=item.attrs.get_id(key).dtype)

    copy(file, made)


def spectrum(run, checkpoint, out):
    """Sum S(q) of the whole film from the checkpoint; write it, and return what it took."""
    from analysis.spacing.distances import SpacingFrames
    from analysis.spacing.structure_factor import structure_factor

    with h5py.File(run) as file:
        diameters = file["particles/whole/diameter"][()]
        sides, thickness = np.split(file["particles/whole/box/edges"][()], [2])
    with h5py.File(checkpoint) as file:
        unit = float(np.median(diameters))
        places = np.stack([file[f"engine/{axis}"][()] for axis in "xyz"], axis=1) * unit
    began = time.perf_counter()
    grid = SpacingFrames(sides, thickness[0], diameters, np.array([1.0, 0, 0])).grid
    found = structure_factor(places, grid)
    took = time.perf_counter() - began
    np.savez_compressed(out / "whole_film_sq.npz", qx=grid.qx, qy=grid.qy, s=found)
    return {"particles": len(places), "seconds": took, "modes": list(np.shape(found))}


def beside(tell, file, count, out, parts):
    """Start `check` and parts of the measurement; return what is to be waited for."""
    started = {}
    for part in parts:
        words = ["sim", "check", str(file), "--no-timing"]
        if part != "check":
            words = ["tests.benchmarks.scale", "--counts", str(count), "--", part]
        log = (out / f"beside_{part.split()[0].rstrip(',')}.txt").open("w", encoding="utf-8")
        started[part] = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-m", *words], stdout=log, stderr=subprocess.STDOUT
        )
    tell(f"beside the steps: {', '.join(started)}")
    return started


def main():
    """Run, interrupt, go on, kill; print and write what was seen."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=540.0)
    parser.add_argument("--device", default="gpu")
    parser.add_argument("--alone", action="store_true", help="nothing else beside the steps")
    parser.add_argument("--once", action="store_true", help="neither go on nor kill")
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    tell, seen = Told(given.out / "log.txt"), {}
    work = Path(tempfile.mkdtemp(prefix="true_run"))
    folder = work / "film"
    try:
        one_sitting(given, tell, seen, folder)
    finally:
        (given.out / "numbers.json").write_text(json.dumps(seen, indent=1), encoding="utf-8")
        shutil.rmtree(work, ignore_errors=True)


def one_sitting(given, tell, seen, folder):
    """Do what there is to do in the time that is given."""
    words = ("run", given.file, "-o", folder, "--device", given.device, "--no-plots", "-v")
    command = Command(tell, *words)
    command.wait_for(given.seconds, lambda: frames_in(folder) > 0)
    ready = tell.clock() - command.began
    if not frames_in(folder):
        tell("no frame came:\n" + "\n".join(command.lines[-20:]))
        command.end(signal.SIGINT, 5)
        return
    with h5py.File(folder / "run.h5") as file:
        seen["count"] = file["particles/whole/diameter"].shape[0]
    tell(f"{seen['count']} particles ready after {ready:.1f} s, peak {command.peak_gb:.1f} GB")
    parts = () if given.alone else AT_ONCE[: 1 if given.once else 4]
    others = beside(tell, given.file, seen["count"], given.out, parts)
    until = given.seconds - SPARE_S - MORE_STEPS_S - CHECKPOINT_S
    if not given.once:
        until -= ready + LONGER_S
    command.wait_for(until)
    seen["card_gb"] = card_gb()
    code, saving = command.end(signal.SIGINT, 120.0)
    seen["first"] = {
        **about(folder), "ready_s": ready, "exit": code, "saving_s": saving,
        "host_gb": command.peak_gb, "last_lines": command.lines[-3:],
        "files": {one.name: one.stat().st_size for one in folder.iterdir()},
    }  # fmt: skip
    tell(f"interrupted: exit {code} after {saving:.1f} s; {command.lines[-1:]}")
    tell(f"{ {k: seen['first'][k] for k in ('ending', 'timing', 'steps', 'rows', 'files')} }")
    copied = folder.parent / "copy.h5"  # a run that goes on wants its file for itself
    if given.once:
        seen["packed_bytes"] = pack(folder / "run.h5", given.out)
        tell(f"packed {seen['packed_bytes'] / 1e6:.1f} MB")
        return
    shutil.copy(folder / "run.h5", copied)
    went_on(given, tell, seen, folder, copied, words, others)


def went_on(given, tell, seen, folder, copied, words, others):
    """Go on from the checkpoint for a while, and kill the run; pack and sum S(q) meanwhile."""
    command = Command(tell, *words, "--resume")
    known, frames = seen["first"]["steps"][-1], len(seen["first"]["steps"])

    def with_copy():
        for name, work in (
            ("packed_bytes", lambda: pack(copied, given.out)),
            ("spectrum", lambda: spectrum(copied, folder / "checkpoint.h5", given.out)),
        )[: 1 if given.alone else 2]:
            try:
                seen[name] = work()
            except Exception as error:  # what else is done is worth its time all the same
                seen[name] = repr(error)
            tell(f"{name}: {seen[name]}")

    summing = threading.Thread(target=with_copy, daemon=True)
    summing.start()
    end = given.seconds - SPARE_S
    command.wait_for(end, lambda: any("going on from" in line for line in command.lines))
    seen["resumed_s"] = tell.clock() - command.began
    tell(f"resumed after {seen['resumed_s']:.1f} s: {command.lines[-2:]}")
    command.wait_for(end, lambda: frames_in(folder) > frames)
    seen["first_frame_after_s"] = tell.clock() - command.began
    tell(f"{frames_in(folder)} frames, {frames} before, the last at step {known}")
    command.wait_for(min(end, tell.clock() + MORE_STEPS_S))
    code, _ = command.end(signal.SIGKILL, 5.0)
    seen["second"] = {"exit": code, "lines": command.lines, "host_gb": command.peak_gb}
    with contextlib.suppress(OSError, KeyError, RuntimeError):
        seen["after_kill"] = {k: about(folder)[k] for k in ("ending", "steps")}
    tell(f"killed: {code}; {seen.get('after_kill')}; {command.lines[-4:]}")
    for part, process in others.items():
        if process.poll() is None:
            process.kill()
        tell(f"{part}: exit {process.wait()}")
    summing.join(max(0.0, given.seconds - 3.0 - tell.clock()))


if __name__ == "__main__":
    os.environ.setdefault("PYTHONUNBUFFERED", "1")
    signal.signal(signal.SIGINT, signal.default_int_handler)  # shells let jobs ignore it
    main()
