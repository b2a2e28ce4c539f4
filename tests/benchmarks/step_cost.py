"""Cost of a step in its parts: ns per particle and step.

Run from the top of the project:

    python -m tests.benchmarks.step_cost [--count N] [--surfactant] [--mesh] [--threads 1 2]

N = 20000 dipoles of coupling 4 with a soft core, volume fraction 0.03, film 20 diameters thick,
cut-off 6, field of Langevin parameter 10 in the plane, in a chained state. Each part is a kernel
of the running engine, timed by itself on the arrays of that engine; "between" is what the whole
step costs beyond them. On one thread the processor's own time counts, which other programs change
less than the time on the wall.
"""

import argparse
import statistics
import time

import numba

from sim.engines.cpu import CpuEngine
from sim.film.placing import random_state
from sim.kernels.steps import step
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film

EQUILIBRATION = 3000
STEPS = 200
REPEATS = 9


def median_seconds(call, threads):
    """Return the median time of a call, after one to warm up."""
    clock = time.process_time if threads == 1 else time.perf_counter
    call()
    times = []
    for _ in range(REPEATS):
        started = clock()
        call()
        times.append(clock() - started)
    return statistics.median(times)


def chained_engine(count, precision, options):
    """Return an engine in a chained state."""
    system = film(
        count,
        cutoff=6.0,
        thickness=20.0,
        precision=precision,
        steric="surfactant" if options.surfactant else "soft_core",
        dipole_sum="mesh" if options.mesh else "cutoff",
        tolerance=1e-3,
    )
    engine = CpuEngine(system, random_state(system, 3), max(options.threads))
    engine.advance(EQUILIBRATION)
    return engine


def measure(engine, threads):
    """Return {name: ns per particle-step} of the whole step and of its parts."""
    engine._threads = threads
    numba.set_num_threads(threads)
    held = engine._film
    per = 1e9 / engine.system.count
    before = dict(engine.timing)
    found = {"whole": per / STEPS * median_seconds(lambda: engine.advance(STEPS), threads)}
    made = engine.timing["lists_built"] - before["lists_built"]
    every = (REPEATS + 1) * STEPS / max(1, made)
    held.fresh()
    saved = engine.checkpoint()
    names = {}
    for part in held.parts_of(engine.system):
        name = part.__name__.removesuffix("_part")
        names[name] = per * median_seconds(lambda part=part: held.run(*[part] * 10), threads) / 10
    engine.restore(saved)

    def lists():
        held.content.flags[step.STALE] = 1
        held.fresh()

    names["lists"] = per / every * median_seconds(lists, threads)
    if engine.system.mesh is not None:
        every = engine.system.mesh_every
        found_far = held.content.long_range
        names["mesh"] = (
            per / every
            * median_seconds(lambda: engine._mesh.sum(held.content.slots, found_far), threads)
        )  # fmt: skip
    return {**found, **names, "between": found["whole"] - sum(names.values())}


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=20000)
    parser.add_argument("--surfactant", action="store_true")
    parser.add_argument("--mesh", action="store_true")
    parser.add_argument("--threads", type=int, nargs="+", default=[1, 2])
    options = parser.parse_args()
    headline()
    kind = "surfactant" if options.surfactant else "soft core"
    print(f"N = {options.count}, {kind}; ns per particle-step, medians of {REPEATS}")
    for precision in ("float32", "float64"):
        engine = chained_engine(options.count, precision, options)
        for threads in options.threads:
            row = measure(engine, threads)
            print(f"{precision}, {threads} threads: " + ", ".join(
                f"{name} {value:.1f}" for name, value in row.items()
            ), flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
