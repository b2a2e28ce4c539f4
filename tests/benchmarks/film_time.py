"""Film time a second on the clock, with plain steps and with split ones.

Run from the top of the project:

    python -m tests.benchmarks.film_time [--count N] [--threads 1 2] [--split T:n ...]

Equal soft cores of coupling 4 and the surfactant of the demo (coupling 6.1), volume fraction
0.03, film 20 diameters thick, cut-off 6, field of Langevin parameter 10 along the film, chained;
float32 pairs. T is the outer step in d^2/D, n the inner steps in it; n = 1 is a plain step. Rows
are timed in turns, medians are given.
"""

import argparse
import dataclasses
import statistics
import time

from sim.engines.cpu import CpuEngine
from sim.film.placing import random_state
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film

KINDS = {"soft_core": 4.0, "surfactant": 6.1}
SPLITS = {
    "soft_core": ("1e-4:1", "1.6e-3:6", "2.4e-3:8", "3.2e-3:11"),
    "surfactant": ("1e-4:1", "1.6e-3:10", "2.4e-3:15", "3.2e-3:20"),
}
EQUILIBRATION = 0.3
SECONDS = 1.5


def seconds(engine, film_time):
    """Return the time on the clock that so much film time takes."""
    steps = max(1, round(film_time / engine.system.dt))
    started = time.perf_counter()
    engine.advance(steps)
    return (time.perf_counter() - started) / (steps * engine.system.dt)


def table(kind, options):
    """Print the rows of one repulsion."""
    system = film(
        options.count,
        cutoff=6.0,
        thickness=20.0,
        precision="float32",
        steric=kind,
        coupling=KINDS[kind],
        dipole_sum="mesh" if options.mesh else "cutoff",
        tolerance=1e-3,
        dt=1e-4,
    )
    made = CpuEngine(
        dataclasses.replace(system, dt=1.6e-3, inner_steps=16), random_state(system, 3), 2
    )
    made.advance(round(EQUILIBRATION / 1.6e-3))
    start = dataclasses.replace(made.snapshot(), step=0)
    rows = []
    for text in options.split or SPLITS[kind]:
        outer, inner = text.split(":")
        changed = dataclasses.replace(
            system,
            dt=float(outer),
            inner_steps=int(inner),
            list_margin=options.margin or (0.5 if inner == "1" else 1.0),
        )
        rows += [(changed, threads) for threads in options.threads]
    engines = [CpuEngine(changed, start, threads) for changed, threads in rows]
    paces = [seconds(engine, 0.002) and seconds(engine, 0.01) for engine in engines]
    spent = [[] for _ in engines]
    for _ in range(options.repeats):
        for engine, pace, seen in zip(engines, paces, spent, strict=True):
            seen.append(seconds(engine, SECONDS / pace))
    print(f"\n{kind}, coupling {KINDS[kind]}, {options.count} particles")
    print("T (d^2/D)   inner   threads   film time a second   ns a particle and outer step")
    for (changed, threads), seen in zip(rows, spent, strict=True):
        median = statistics.median(seen)
        cost = 1e9 * median * changed.dt / options.count
        print(
            f"{changed.dt:9.1e} {changed.inner_steps:6d} {threads:8d} {1.0 / median:16.4f}"
            f" {cost:22.0f}",
            flush=True,
        )


def main():
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=20000)
    parser.add_argument("--threads", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--split", nargs="+", default=[])
    parser.add_argument("--kinds", nargs="+", default=list(KINDS))
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--margin", type=float, default=0.0)
    parser.add_argument("--mesh", action="store_true")
    options = parser.parse_args()
    headline()
    for kind in options.kinds:
        table(kind, options)


if __name__ == "__main__":
    main()
