"""What a run itself reports a step to cost, by precision, threads and number of particles.

Run from the top of the project:

    python -m tests.benchmarks.run_cost [--counts 5000 20000 100000] [--sum cutoff]
        [--beside "PROGRAM {count} {volume_fraction} {thickness} {coupling} {cutoff} ..."]

Dipoles of coupling 4 with a soft core, volume fraction 0.03, film 20 diameters thick, field of
Langevin parameter 10 along x. A run from a random start makes the chained state, from its last
frame the timed runs begin; their cost is `timing.stepping_s` over steps and particles, lists and
noise included. Precisions, threads and the program beside them (a yardstick of the same step,
with {precision} and {threads} filled in; the first number in its output counts) take turns, so
that all meet the same machine.
"""

import argparse
import re
import shlex
import statistics
import subprocess
import tempfile
from pathlib import Path

from scipy.optimize import brentq

import analysis
import sim
from analysis.common.constants import BOLTZMANN
from sim.physics import material
from sim.physics.units import ReducedUnits
from tests.benchmarks.machine import headline

TEMPERATURE = 298.15
MAGNETISATION = 446e3
SHELL = 2e-9
COUPLING = 4.0
LANGEVIN = 10.0
VOLUME_FRACTION = 0.03
THICKNESS = 20.0
CUTOFF = 6.0
TIME_STEP = 1e-4
VISCOSITY = 1.5e-3
EQUILIBRATION = 3000

FILE = """
[particles]
magnetisation = "{magnetisation} A/m"
moment = "blocked"
core_diameter = "{core} nm"
shell_thickness = "2 nm"
volume_fraction = {volume_fraction}
[carrier]
viscosity = "{viscosity} Pa s"
temperature = "{temperature} K"
[film]
thickness = "{thickness} nm"
count = {count}
[repulsion]
kind = "soft_core"
[field]
strength = "{field} mT"
[dipoles]
sum = "{sum}"
cutoff_diameters = 6
[run]
duration = "{duration} ns"
time_step = "{step} ns"
precision = "{precision}"
seed = 3
[output]
frames = 1
{start}
"""


def core_diameter():
    """Return the core in m whose moment has the coupling at contact of its shell."""

    def excess(core):
        moment = material.moment(core, MAGNETISATION)
        return material.coupling(moment, core + 2.0 * SHELL, TEMPERATURE) - COUPLING

    return brentq(excess, 5e-9, 60e-9, xtol=1e-18)


def parameters(folder, count, steps, precision, dipole_sum, start=""):
    """Return the parameters of one run of so many steps."""
    core = core_diameter()
    diameter = core + 2.0 * SHELL
    unit = ReducedUnits.of(diameter, VISCOSITY, TEMPERATURE).time_s
    moment = material.moment(core, MAGNETISATION)
    text = FILE.format(
        magnetisation=MAGNETISATION,
        core=core * 1e9,
        volume_fraction=VOLUME_FRACTION,
        viscosity=VISCOSITY,
        temperature=TEMPERATURE,
        thickness=THICKNESS * diameter * 1e9,
        count=count,
        field=LANGEVIN * BOLTZMANN * TEMPERATURE / moment * 1e3,
        sum=dipole_sum,
        duration=steps * TIME_STEP * unit * 1e9,
        step=TIME_STEP * unit * 1e9,
        precision=precision,
        start=f'[start]\nkind = "file"\npath = "{start}"' if start else "",
    )
    path = Path(folder) / "film.toml"
    path.write_text(text)
    return sim.load(path)


def cost(folder, count, steps, precision, threads, dipole_sum, start):
    """Return ns per particle and step of one run, as it reports itself."""
    target = Path(folder) / "timed"
    made = sim.simulate(
        parameters(folder, count, steps, precision, dipole_sum, start),
        target,
        threads=threads,
        overwrite=True,
    )
    timing = analysis.open_run(made.directory / "run.h5").timing
    return 1e9 * timing["stepping_s"] / timing["steps"] / count


def beside(command, count, precision, threads):
    """Return the first number that the program beside prints."""
    line = command.format(
        count=count,
        volume_fraction=VOLUME_FRACTION,
        thickness=THICKNESS,
        coupling=COUPLING,
        cutoff=CUTOFF,
        precision={"float32": "f32", "float64": "f64"}[precision],
        threads=threads,
    )
    out = subprocess.run(shlex.split(line), check=True, capture_output=True, text=True).stdout
    return float(re.search(r"\d+\.\d+", out).group())


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--counts", type=int, nargs="+", default=[20000])
    parser.add_argument("--sum", choices=("cutoff", "mesh"), default="cutoff")
    parser.add_argument("--threads", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--beside", help="a program of the same step, timed in turns")
    options = parser.parse_args()
    headline()
    print(f"sum {options.sum}; ns per particle-step, medians of {options.repeats}, (spread)")
    print("particles  pairs    threads    run            program beside   ratio")
    for count in options.counts:
        with tempfile.TemporaryDirectory() as folder:
            table(folder, count, options)


def table(folder, count, options):
    """Print the rows of one number of particles."""
    steps = max(40, min(1000, 20_000_000 // count))
    start = Path(folder) / "start"
    chained = parameters(folder, count, EQUILIBRATION, "float32", "cutoff")
    sim.simulate(chained, start, threads=max(options.threads))
    cases = [(p, t) for p in ("float32", "float64") for t in options.threads]
    found = {case: [] for case in cases}
    other = {case: [] for case in cases}
    for case in cases:  # warm up: the first run of each kind compiles
        cost(folder, count, 40, *case, options.sum, start / "run.h5")
    for _ in range(options.repeats):
        for case in cases:
            found[case].append(cost(folder, count, steps, *case, options.sum, start / "run.h5"))
            if options.beside:
                other[case].append(beside(options.beside, count, *case))
    for precision, threads in cases:
        row = found[precision, threads]
        middle = statistics.median(row)
        spread = max(row) - min(row)
        text = f"{count:9d}  {precision}  {threads:7d}  {middle:7.1f} ({spread:4.1f})"
        if options.beside:
            program = statistics.median(other[precision, threads])
            text += f"   {program:14.1f}  {middle / program:6.2f}"
        print(text, flush=True)


if __name__ == "__main__":
    main()
