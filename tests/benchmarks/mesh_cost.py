"""Cost of a step with the mesh beside that with a cut-off of 6, by the number of particles.

Run from the top of the project:
    python -m tests.benchmarks.mesh_cost [--counts 1000 20000] [--tolerances 1e-3] [--library]

Films of 3 % of soft spheres, 20 diameters thick, coupling 4, chained, single precision. The
engines of a row take turns, and the medians of their times are compared: "every step" sums the
mesh each step, "as planned" keeps its field as long as the tolerance allows. --library adds the
transforms of finufft (pip install finufft), a well-kept library of non-uniform transforms, with
the same wave numbers and tolerance: three charges in, three fields and six gradients out, on the
faster of its two grids; beside it what our own smooth part takes.
"""

import argparse
import math
import statistics
import time
from dataclasses import replace

import numpy as np

from sim.engines.cpu import CpuEngine
from sim.film.reduce import with_mesh
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film, random_film

THICKNESS = 20.0
REPEATS = 7
STEPS = 48
SETTLING = 1500


def seconds(calls):
    """Return the median time of each of some calls that take turns."""
    times = [[] for _ in calls]
    for _ in range(REPEATS + 1):
        for call, found in zip(calls, times, strict=True):
            started = time.perf_counter()
            call()
            found.append(time.perf_counter() - started)
    return [statistics.median(found[1:]) for found in times]


def library_call(plan, slots, count, finer):
    """Return finufft's transforms for the waves that the plan's grid carries."""
    import finufft

    reach = plan.cloud_shape / plan.cutoff
    periods = [n * h for n, h in zip(plan.points, plan.spacing, strict=True)]
    modes = tuple(2 * math.ceil(reach * p / (2.0 * math.pi)) + 1 for p in periods)
    scaled = [
        (2.0 * math.pi * values[:count] / period % (2.0 * math.pi)).astype(np.float32)
        for values, period in zip((slots.x, slots.y, slots.z), periods, strict=True)
    ]
    charges = np.ones((3, count), np.complex64)
    waves = np.ones((9, *modes), np.complex64)
    options = {"eps": plan.tolerance, "dtype": np.complex64, "nthreads": 1, "upsampfac": finer}
    spreader = finufft.Plan(1, modes, 3, **options)
    gatherer = finufft.Plan(2, modes, 9, **options)

    def run():
        spreader.setpts(*scaled)
        spreader.execute(charges)
        gatherer.setpts(*scaled)
        gatherer.execute(waves)

    return run


def compare_library(engine, per):
    """Print the time of finufft's transforms beside that of our own smooth part."""
    mesh, slots, found = engine._mesh, engine._slots, engine._content.long_range
    other = [library_call(engine.system.mesh, slots, engine.system.count, f) for f in (2.0, 1.25)]
    own, *times = seconds([lambda: mesh.sum(slots, found), *other])
    print(
        f"  smooth part: own {own * per:.0f} ns, finufft {min(times) * per:.0f} ns, "
        f"{min(times) / own:.1f} times as long"
    )


def row(state, plain, tolerance, threads, library):
    """Print one row of the table."""
    meshed = with_mesh(replace(plain, tolerance=tolerance))
    each = replace(with_mesh(replace(plain, tolerance=tolerance, dt=1.0)), dt=plain.dt)
    engines = [CpuEngine(system, state, threads) for system in (plain, each, meshed)]
    for engine in engines:
        engine.advance(STEPS)
    times = seconds([lambda engine=engine: engine.advance(STEPS) for engine in engines])
    per = 1e9 / plain.count / STEPS
    cells = " | ".join(f"{t * per:.0f}" for t in times)
    ratios = " | ".join(f"{t / times[0]:.2f}" for t in times[1:])
    points = " x ".join(str(n) for n in meshed.mesh.points)
    print(
        f"| {plain.count} | {threads} | {tolerance:g} | {meshed.mesh.cutoff:.2f} | "
        f"{meshed.mesh.width} | {points} | {meshed.mesh_every} | {cells} | {ratios} |",
        flush=True,
    )
    if library:
        compare_library(engines[1], 1e9 / plain.count)


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--counts", type=int, nargs="+", default=[1000, 5000, 20000, 200000])
    parser.add_argument("--tolerances", type=float, nargs="+", default=[1e-2, 1e-3, 1e-4])
    parser.add_argument("--threads", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--library", action="store_true")
    options = parser.parse_args()
    headline()
    print(f"ns per particle-step, medians of {REPEATS} in turns; ratios to the cut-off")
    print("| N | threads | tolerance | range | width | grid | kept for | cut-off | every step | "
          "as planned | ratio | ratio |")  # fmt: skip
    print("|" + "---|" * 12)
    for count in options.counts:
        plain = film(count, thickness=THICKNESS, cutoff=6.0, precision="float32", dt=1e-4)
        settling = CpuEngine(plain, random_film(plain), 2)
        settling.advance(SETTLING)
        state = replace(settling.snapshot(), step=0, time=0.0)
        for threads in options.threads:
            for tolerance in options.tolerances:
                row(state, plain, tolerance, threads, options.library and threads == 1)


if __name__ == "__main__":
    main()
