"""Films at rest from both sides over coupling, field, fraction and repulsion: the table of films.

Run from the top of the project:

    python -m tests.benchmarks.rest_table [--coupling 3 4 5 6 8 10] [--field 2 10 40]
        [--fraction 0.005 0.03] [--repulsion soft_core surfactant] [--spread 0.1] [--count 200]
        [--seconds 60] [--processes 2] [--threads 1] [--length 2] [--keep FOLDER]

Films as their files describe them, dipoles cut off at 6 diameters, 12 diameters thick, ``--length``
times as long as wide; cores of 446 kA/m under 2 nm of surfactant, as large as the coupling at
contact asks for. Soft cores are equal, sizes under surfactant are spread. Each row runs, on one
thread or two, until its film is at rest with 20 structures, or for so many seconds. The time that
dynamics would need is what ``chainfilm check`` says. With ``--keep`` films are kept in a folder
once a minute, and those that are there go on for as many seconds more.
"""

import argparse
import itertools
import math
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from sim.outlook.look_ahead import look_ahead
from sim.parameters import from_text
from sim.physics.units import duration_text
from sim.run.setup import RunSetup
from sim.sampler.engine import SamplerEngine
from tests.benchmarks.machine import headline

MAGNETISATION, SHELL, TEMPERATURE = 446e3, 2e-9, 298.15
VACUUM, BOLTZMANN = 4e-7 * math.pi, 1.380649e-23
THICKNESS, PIECE, STRUCTURES, KEPT_EVERY = 12.0, 100, 20.0, 60.0
FILE = """
[particles]
core_diameter = "{core:.6g} m"
magnetisation = "446 kA/m"
shell_thickness = "2 nm"
size_spread = {spread}
volume_fraction = {fraction}
[film]
thickness = "{thickness:.6g} m"
width = ["{length:.6g} m", "{width:.6g} m"]
[repulsion]
kind = "{repulsion}"
[field]
strength = "{field} mT"
[dipoles]
sum = "cutoff"
cutoff_diameters = {cutoff:.4g}
[run]
dynamics = "monte_carlo"
"""


def coupling_of(core):
    """Return the coupling of two cores of a diameter in m at contact of their shells."""
    moment = MAGNETISATION * math.pi / 6.0 * core**3
    return VACUUM * moment**2 / (4.0 * math.pi * BOLTZMANN * TEMPERATURE * (core + 2 * SHELL) ** 3)


def parameters_of(options, coupling, field, fraction, repulsion):
    """Return the parameters of one row."""
    core = brentq(lambda d: coupling_of(d) - coupling, 5e-9, 60e-9)
    diameter = core + 2.0 * SHELL
    volume = options.count * math.pi / 6.0 / fraction
    width = math.sqrt(volume / THICKNESS / options.length)
    spread = options.spread if repulsion == "surfactant" else 0.0
    return from_text(
        FILE.format(
            core=core, spread=spread, fraction=fraction, repulsion=repulsion, field=field,
            thickness=THICKNESS * diameter, width=width * diameter,
            length=options.length * width * diameter,
            cutoff=min(6.0, 0.49 * width),
        ),
        "film.toml",
    )  # fmt: skip


def keep(engine, seconds, path):
    """Write all that a film needs to go on."""
    flat = {"seconds": seconds}
    for name, item in engine.checkpoint().items():
        parts = item.items() if isinstance(item, dict) else [("", item)]
        flat |= {f"{name}/{part}": value for part, value in parts}
    draft = path.with_suffix(".part.npz")
    np.savez(draft, **flat)
    draft.replace(path)


def go_on(engine, path):
    """Bring a film back to where it was kept; return the seconds that it had taken."""
    kept = {}
    with np.load(path) as flat:
        for name in flat.files:
            first, _, part = name.partition("/")
            if part:
                kept.setdefault(first, {})[part] = flat[name]
            else:
                kept[first] = flat[name]
    engine.restore(kept)
    return float(kept["seconds"])


def row(options, coupling, field, fraction, repulsion):
    """Return one row of the table as text."""
    parameters = parameters_of(options, coupling, field, fraction, repulsion)
    setup = RunSetup(parameters)
    engine = SamplerEngine(setup.system, setup.state, options.threads)
    engine.compile()
    before, path = 0.0, None
    if options.keep:
        path = Path(options.keep, f"{coupling:g}_{field:g}_{fraction:g}_{repulsion}.npz")
        before = go_on(engine, path) if path.exists() else 0.0
    started = kept = time.perf_counter()
    while (now := time.perf_counter()) - started < options.seconds:
        engine.advance(PIECE)
        rest = engine.rest()
        if rest.reached and rest.structures >= STRUCTURES:
            break
        if path and now - kept > KEPT_EVERY:
            kept = now
            keep(engine, before + now - started, path)
    wall, rest = before + time.perf_counter() - started, engine.rest()
    if path:
        keep(engine, wall, path)
    cells = []
    for name, digits in (("mean_length", 1), ("energy", 2), ("magnetisation", 3)):
        side = rest.sides[name]
        both = [(side[f"from_{k}"], side[f"from_{k}_error"]) for k in ("singles", "chains")]
        cells.append(" / ".join(f"{v:.{digits}f} ({e:.{digits}f})" for v, e in both))
    verdict = "at rest" if rest.reached and rest.structures >= STRUCTURES else "not at rest"
    apart = [
        f"{name.removesuffix('_m').replace('_', ' ')} {side['difference_in_errors']:.1f}"
        for name, side in rest.sides.items()
        if (side["difference_in_errors"] or 0.0) > 2.0
    ]
    if apart:
        verdict += ": " + ", ".join(apart)
    if options.more:
        print(rest.sides, engine.shares_taken(), flush=True)
    needed = duration_text(look_ahead(parameters).film_time)
    return (
        f"| {coupling:g} | {repulsion.replace('_', ' ')} | {field:g} | {fraction:g} | "
        f"{' | '.join(cells)} | {engine.step} | {60.0 * rest.structures / wall:.1f} | {wall:.0f} | "
        f"{needed} | {verdict} |"
    )


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--coupling", type=float, nargs="+", default=(3, 4, 5, 6, 8, 10))
    parser.add_argument("--field", type=float, nargs="+", default=(2, 10, 40))
    parser.add_argument("--fraction", type=float, nargs="+", default=(0.005, 0.03))
    parser.add_argument("--repulsion", nargs="+", default=("soft_core", "surfactant"))
    parser.add_argument("--spread", type=float, default=0.1)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--length", type=float, default=2.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--keep", help="a folder where films are kept")
    parser.add_argument("--more", action="store_true", help="print all averages, too")
    options = parser.parse_args()
    headline()
    print(
        "| coupling | repulsion | field (mT) | fraction | mean length | energy (kT) | "
        "magnetisation | sweeps | structures a minute | seconds | dynamics | verdict |\n"
        "|---|---|---|---|---|---|---|---|---|---|---|---|"
    )
    rows = itertools.product(options.coupling, options.field, options.fraction, options.repulsion)
    # the strongest take longest and come first; rows are printed as they are done
    with ProcessPoolExecutor(options.processes, get_context("spawn")) as pool:
        jobs = [pool.submit(row, options, *one) for one in sorted(rows, reverse=True)]
        for done in as_completed(jobs):
            print(done.result(), flush=True)


if __name__ == "__main__":
    main()
