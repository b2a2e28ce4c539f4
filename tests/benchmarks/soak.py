"""A long run killed at random and resumed, again and again: is anything lost, does memory grow?

    python -m tests.benchmarks.soak --minutes 60

The same film is run twice in processes of their own: once by one that nobody stops, and once by
many, each of which is ended at a random moment (SIGKILL, SIGTERM or SIGINT) and followed by one
that resumes. At each end the file must be whole; at the last all frames must be those of the run
never stopped, bit for bit. The memory of the undisturbed process (resident set, from /proc) is
taken every few seconds: after the warm-up its means over the first and the last third must agree
within 2 %. Linux only. Exit code 0 where everything held.
"""

import argparse
import dataclasses
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from analysis.trajectory.run import open_run
from sim.files.checkpoint import load
from sim.files.committed import journal_of, recover
from sim.files.comparison import compare_runs
from sim.files.provenance import commit, sources
from sim.files.run_file import read_summary
from tests.benchmarks.machine import headline
from tests.reference.real_runs import finish, frames_in, start
from tests.reference.small_film import small_film

SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
SHARE_UNSTOPPED = 0.42
"""Of the time that is given, for the run that nobody stops: the other one computes it again."""
SAMPLE_SECONDS = 2.0
WARM_UP_SHARE = 0.1
FLAT = 0.02
FRAMES = 4_000
PILOT_US = 200
COUNT = 400


@dataclasses.dataclass
class Kill:
    """One process that was ended."""

    number: str
    after_s: float
    code: int
    frames: int
    checkpoint_frames: int
    ending: str
    commit_pending: bool


def resident_bytes(process):
    """Return the resident set of a process in bytes, 0 where it has ended."""
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    except (OSError, IndexError, ValueError):
        return 0
    return pages * os.sysconf("SC_PAGE_SIZE")


def film_of(folder, duration_us, frames):
    """Write the parameter file of a film of so many microseconds."""
    path = folder / f"film_{frames}.toml"
    text = small_film(f"{duration_us:.0f} us", frames)
    for old, new in (
        ("count = 60", f"count = {COUNT}"),
        ('sum = "cutoff"\ncutoff_diameters = 4.0', 'sum = "mesh"\ntolerance = 1e-3'),
    ):
        if old not in text:
            raise SystemExit(f"the small film no longer has {old}")
        text = text.replace(old, new)
    path.write_text(text)
    return path


def words_of(film, out):
    return ("run", film, "-o", out, "--no-plots", "--threads", 1)


def pace(folder):
    """Return the microseconds of film that a second gives, output included; the cache is warm."""
    film = film_of(folder, PILOT_US, 100)
    for name in ("cold", "pilot"):
        code, told = finish(*words_of(film, folder / name))
        if code:
            raise SystemExit(told)
    timing = read_summary(folder / "pilot/run.h5").timing
    return PILOT_US / (timing["stepping_s"] + timing["output_s"])


def watch(process, samples):
    """Wait for a process and collect its memory."""
    began = time.monotonic()
    while process.poll() is None:
        samples.append((time.monotonic() - began, resident_bytes(process.pid)))
        time.sleep(SAMPLE_SECONDS)
    _, told = process.communicate()
    if process.returncode:
        raise SystemExit(told)


def thirds(samples, stepping_s):
    """Return mean memory of the first and last third of the stepping after the warm-up."""
    end = samples[-1][0]
    # measuring comes after the last step and takes memory of its own
    inside = [size for at, size in samples if size and at < end and at <= stepping_s]
    kept = inside[int(WARM_UP_SHARE * len(inside)) :]
    part = len(kept) // 3
    if part < 3:
        raise SystemExit("the soak is too short to tell how memory goes; give it more --minutes")
    return statistics.mean(kept[:part]), statistics.mean(kept[-part:]), max(kept)


def disturb(film, out, chance, longest_s, checkpoints):
    """Start, end at a random moment and resume until the run is complete; return the kills."""
    kills = []
    while True:
        process = start(*words_of(film, out), "--resume", checkpoints=checkpoints)
        number, wait = chance.choice(SIGNALS), chance.uniform(0.0, longest_s)
        began, before = time.monotonic(), frames_in(out / "run.h5")
        # a process that is killed before its first step makes no way: some are, most are not
        early = chance.random() < 0.1
        while process.poll() is None and not early and frames_in(out / "run.h5") <= before:
            time.sleep(0.05)
        try:
            process.wait(timeout=wait)
        except subprocess.TimeoutExpired:
            process.send_signal(number)
        _, told = process.communicate()
        if not (out / "run.h5").exists():
            continue
        kills.append(examined(out, number, time.monotonic() - began, process.returncode, told))
        if kills[-1].ending == "finished" and process.returncode == 0:
            return kills[:-1]


def examined(out, number, after_s, code, told):
    """Check that what an ended process left is whole, and say what it is."""
    if code not in (0, -number, 130):
        raise SystemExit(f"exit code {code} after {signal.Signals(number).name}: {told}")
    path = out / "run.h5"
    pending = journal_of(path).exists()
    if pending:  # killed between a commit and its end: looked at as --resume will find it
        aside = out.with_name("aside")
        aside.mkdir(exist_ok=True)
        for each in (path, journal_of(path)):
            shutil.copy(each, aside / each.name)
        path = aside / "run.h5"
        recover(path)
    summary = read_summary(path)
    run = open_run(path)
    for frame in (0, run.frames // 2, run.frames - 1):
        run.positions(frame), run.moments(frame)
    saved = load(out / "checkpoint.h5").frames if (out / "checkpoint.h5").exists() else 0
    if saved > summary.frames:
        raise SystemExit(f"the checkpoint counts on {saved} frames of {summary.frames}")
    return Kill(
        signal.Signals(number).name, after_s, code, summary.frames, saved, summary.ending.value,
        pending,
    )  # fmt: skip


def table_of(kills):
    """Print what each signal did."""
    print("\n| Signal | Ends | Exit codes | File whole | of these in the middle of a commit |")
    print("|---|---|---|---|---|")
    for number in SIGNALS:
        name = signal.Signals(number).name
        mine = [kill for kill in kills if kill.number == name]
        codes = sorted({kill.code for kill in mine})
        pending = sum(kill.commit_pending for kill in mine)
        print(f"| {name} | {len(mine)} | {codes} | {len(mine)} | {pending} |")


def main():
    """Run the soak."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the whole soak")
    parser.add_argument("--seed", type=int, default=1, help="seed of the moments and signals")
    parser.add_argument("--longest", type=float, default=40.0, help="seconds between ends, at most")
    parser.add_argument("--checkpoints", type=float, default=5.0, help="seconds between them")
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="soak-"))
    headline()
    print(f"commit {commit() or 'unknown'}, sources {sources()}; seed {options.seed}; {folder}")
    began = time.monotonic()
    microseconds = pace(folder) * 60.0 * options.minutes * SHARE_UNSTOPPED
    film = film_of(folder, microseconds, FRAMES)
    print(f"film of {microseconds:.0f} us, {COUNT} particles, {FRAMES} frames", flush=True)
    samples = []
    watch(start(*words_of(film, folder / "whole")), samples)
    whole = read_summary(folder / "whole/run.h5")
    clock = whole.timing
    first, last, most = thirds(
        samples, clock["setup_s"] + clock["compile_s"] + clock["stepping_s"] + clock["output_s"]
    )
    growth = last / first - 1.0
    print(f"never stopped: {clock['steps']} steps, stepping {clock['stepping_s']:.0f} s, output "
          f"{clock['output_s']:.0f} s", flush=True)  # fmt: skip
    print(f"memory: {len(samples)} samples, mean {first / 1e6:.1f} MB in the first third, "
          f"{last / 1e6:.1f} MB in the last ({growth:+.2%}), at most {most / 1e6:.1f} MB",
          flush=True)  # fmt: skip
    chance = random.Random(options.seed)
    kills = disturb(film, folder / "ended", chance, options.longest, options.checkpoints)
    table_of(kills)
    found = compare_runs(folder / "whole", folder / "ended")
    print(f"\n{len(kills)} ends and resumes in {(time.monotonic() - began) / 60:.1f} min; frames "
          f"{'the same bit for bit' if found.same else 'DIFFER'} ({found.frames[0]}); memory "
          f"{'flat' if abs(growth) <= FLAT else 'NOT FLAT'} within {FLAT:.0%}")  # fmt: skip
    return 0 if found.same and abs(growth) <= FLAT else 1


if __name__ == "__main__":
    sys.exit(main())
