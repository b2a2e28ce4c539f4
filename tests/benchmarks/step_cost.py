"""Cost of a step in its parts: ns per particle and step, on one and two threads.

Run from the top of the project:  python -m tests.benchmarks.step_cost [--count N] [--surfactant]

N = 20000 dipoles of coupling 4 with a soft core, volume fraction 0.03, film 20 diameters thick,
cut-off 6, field of Langevin parameter 10 in the plane, in a chained state. Parts are timed one
by one on the arrays of a running engine; integration is what the whole step costs beyond them.
"""

import argparse
import statistics
import time

import numba
import numpy as np
from numba import njit, prange

from sim.engines.cpu import CpuEngine
from sim.initial_state import random_state
from sim.kernels.layout import BLOCKS
from sim.kernels.lists import block_bounds, build_list, sort_slots
from sim.kernels.noise import AXES, BLOCK, normals
from sim.kernels.pair_sums import pair_sums
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film

EQUILIBRATION = 3000
STEPS = 200
REPEATS = 7


@njit(parallel=True, error_model="numpy")
def all_pair_sums(rows, words, neighbours, patch, laws, screening, sums):
    """Sum all pairs, block by block, as a step does."""
    for block in prange(BLOCKS):
        first, end = block_bounds(block, neighbours.start.size)
        out = sums[8 * first : 8 * end]
        pair_sums(first, end, rows, words, neighbours, patch, laws, screening, out)


@njit(parallel=True, error_model="numpy")
def all_normals(identity, step, seed):
    """Draw the noise of all slots."""
    for block in prange(BLOCKS):
        first, end = block_bounds(block, identity.size)
        words = np.empty((AXES, BLOCK), np.uint32)
        out = np.empty((AXES, BLOCK), np.float32)
        for begin in range(first, end, BLOCK):
            normals(identity, begin, min(BLOCK, end - begin), step, seed, words, out)


def median_seconds(call, repeats=REPEATS):
    """Return the median time of a call, after one to warm up."""
    call()
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        call()
        times.append(time.perf_counter() - started)
    return statistics.median(times)


def chained_engine(count, precision, surfactant):
    """Return an engine in a chained state."""
    system = film(
        count,
        cutoff=6.0,
        thickness=20.0,
        precision=precision,
        steric="surfactant" if surfactant else "soft_core",
    )
    engine = CpuEngine(system, random_state(system, 3), 2)
    engine.advance(EQUILIBRATION)
    return engine


def measure(engine, threads):
    """Return ns per particle-step of the whole step and of its parts."""
    engine._threads = threads
    numba.set_num_threads(threads)
    count = engine.system.count
    per = 1e9 / count
    built = engine.timing["lists_built"]
    whole = median_seconds(lambda: engine.advance(STEPS)) / STEPS * per
    made = engine.timing["lists_built"] - built
    every = (REPEATS + 1) * STEPS / max(1, made)
    engine._fresh()
    slots, patch, neighbours = engine._slots, engine._patch, engine._neighbours
    rows, words = engine._rows[engine._flags[0]], engine._words[engine._flags[0]]
    sums = np.zeros(8 * slots.x.size, rows.dtype)
    forces = per * median_seconds(
        lambda: all_pair_sums(rows, words, neighbours, patch, engine._laws, None, sums)
    )
    noise = per * median_seconds(lambda: all_normals(slots.identity, np.uint64(5), np.uint64(7)))

    def lists():
        sort_slots(slots, patch, neighbours, count)
        build_list(slots, patch, neighbours, 64 // rows.itemsize)

    listing = per * median_seconds(lists) / every
    rest = whole - forces - noise - listing
    return whole, forces, listing, noise, rest, every


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=20000)
    parser.add_argument("--surfactant", action="store_true")
    options = parser.parse_args()
    headline()
    kind = "surfactant" if options.surfactant else "soft core"
    print(f"N = {options.count}, {kind}; ns per particle-step, medians of {REPEATS}")
    print("pairs    threads  whole  forces   lists   noise  integration  list every")
    for precision in ("float32", "float64"):
        engine = chained_engine(options.count, precision, options.surfactant)
        for threads in (1, 2):
            whole, forces, lists, noise, rest, every = measure(engine, threads)
            print(
                f"{precision}  {threads:7d} {whole:6.1f} {forces:7.1f} {lists:7.1f} "
                f"{noise:7.1f} {rest:12.1f} {every:11.1f}"
            )


if __name__ == "__main__":
    main()
