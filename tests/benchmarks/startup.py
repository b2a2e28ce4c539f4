"""How long a user waits: for help, for the first step of a run, and for the first run of all.

Run from the top of the project:  python -m tests.benchmarks.startup [--repeats 5] [--cold 1]

The film is that of runs_demo/growing_chains, shortened to a few steps. "warm" finds its kernels in
the cache, "cold" has an empty cache folder and compiles them. Seconds on the wall and of the
processor since the process was started, medians.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.machine import headline

ROOT = Path(__file__).parents[2]
FILM = ROOT / "runs_demo" / "growing_chains" / "film.toml"
COMMAND = "from sim.command_line import main; import sys; sys.exit(main())"

# The command line, with the time told at its phases; nothing is imported sooner than it does.
PROBE = """
import json, os, sys, time
begun = float(os.environ["BEGUN"])
marks = {}
def mark(name):
    marks.setdefault(name, (time.time() - begun, time.process_time()))
mark("interpreter")
from sim.run import simulate as one_run
from sim.command_line import main
simulate, make = one_run.simulate, one_run.make_cpu_engine
def simulated(*given, **more):
    mark("parameters, expectations")
    return simulate(*given, **more)
def made(*given):
    mark("start state")
    engine = make(*given)
    mark("engine")
    compile, advance = engine.compile, engine.advance
    def compiled():
        compile()
        mark("kernels")
    def advanced(steps):
        mark("first step")
        advance(steps)
    engine.compile, engine.advance = compiled, advanced
    return engine
one_run.simulate, one_run.make_cpu_engine = simulated, made
code = main()
mark("end, measured")
print(json.dumps(marks), file=sys.stderr)
sys.exit(code)
"""


def started(code, arguments, cache):
    """Run a program in its own process; return what it wrote to standard error, and seconds."""

    environment = {key: value for key, value in os.environ.items() if key != "NUMBA_CACHE_DIR"}
    begun = time.time()
    environment |= {
        "PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(cache), "BEGUN": repr(begun),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stderr, time.time() - begun


def film(folder):
    """Write the film with a few steps only; return its path."""
    lines = [
        'duration = "0.1 us"' if line.startswith("duration") else
        "frames = 2" if line.startswith("frames") else line
        for line in FILM.read_text(encoding="utf-8").splitlines()
    ]  # fmt: skip
    path = folder / "film.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def run(folder, cache):
    """Return the marks of one run."""
    arguments = ["run", str(film(folder)), "-o", str(folder / "run"), "--overwrite"]
    told, _ = started(PROBE, arguments, cache)
    return json.loads(told.splitlines()[-1])


def show(name, rows):
    """Print the medians of some runs."""
    print(name)
    for mark in rows[0]:
        wall, own = (statistics.median(row[mark][k] for row in rows) for k in range(2))
        print(f"  {mark:26s} {wall:6.2f} s {own:6.2f} s of the processor")


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--cold", type=int, default=1)
    options = parser.parse_args()
    headline()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        helps = [started(COMMAND, ["--help"], folder)[1] for _ in range(options.repeats)]
        print(f"chainfilm --help: {statistics.median(helps):.2f} s")
        show("cold", [run(folder, folder / f"cache{k}") for k in range(max(1, options.cold))])
        show("warm", [run(folder, folder / "cache0") for _ in range(options.repeats)])


if __name__ == "__main__":
    main()
