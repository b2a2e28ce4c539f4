"""One film at rest by the sampler and by Brownian dynamics, many independent runs of each.

Run from the top of the project:

    python -m tests.benchmarks.rest_and_dynamics [--coupling 4] [--langevin 5] [--fraction 0.03]
        [--count 200] [--sum cutoff] [--ways sampler 2.4e-3:8 1e-4:1] [--seeds 4] [--seconds 60]
        [--processes 2]

The film of `tests.benchmarks.rest`. A way is ``sampler``, or T:n for steps of T d^2/D with n inner
ones (single precision). Each run has a seed and a thread of its own and lasts so many seconds;
runs of dynamics begin after 500 sweeps of the sampler. The first tenth of each is left out. Errors
are those of the mean over all seeds, each weighted alike, from the autocorrelation of each.
"""

import argparse
import dataclasses
import math
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np

from sim.engines.cpu import CpuEngine
from sim.film.placing import random_state
from sim.sampler.rest import average_of
from sim.sampler.sampled import SampledFilm
from tests.benchmarks.machine import headline
from tests.benchmarks.rest import system_of
from tests.reference.small_systems import state_of

NAMES = ("energy", "dipolar", "steric", "windows", "field", "magnetisation")
BEFORE = 500
EVERY = 0.05
"""Film time between two looks at the dynamics, d^2/D."""


def sampled(system, seed, seconds):
    """Return rows of (energy, magnetisation), and sweeps made."""
    film = SampledFilm(system, random_state(system, seed), seed)
    film.compile()
    rows, started = [], None
    while started is None or time.perf_counter() - started < seconds:
        sweep = len(rows) + 1
        film.sweep(sweep)
        film.tune(sweep)
        energy, _, _, magnetisation, *_ = film.followed()
        rows.append((energy, magnetisation))
        if sweep == BEFORE:
            started = time.perf_counter()
    return film, np.array(rows[BEFORE:]), len(rows)


def stepped(system, way, seed, seconds):
    """Return rows of what `NAMES` says, and the film time in d^2/D."""
    outer, inner = way.split(":")
    start, _, _ = sampled(system, seed, 0.0)
    rows = start.film.rows
    state = state_of(rows[:, :3], rows[:, 3:6] / rows[:, 7:8], seed)
    step = dataclasses.replace(
        system, dynamics="brownian", precision="float32", dt=float(outer),
        inner_steps=int(inner), list_margin=0.5 if float(outer) < 2.5e-4 else 1.0,
    )  # fmt: skip
    engine = CpuEngine(step, state, 1)
    along = np.array(system.field[0].first)
    along = along / max(np.linalg.norm(along), 1e-300)
    every = max(1, round(EVERY / step.dt))
    engine.advance(every)
    engine.observe()
    found, started = [], time.perf_counter()
    while time.perf_counter() - started < seconds:
        engine.advance(every)
        seen = engine.observe()
        parts = [seen[name] for name in NAMES[1:5]]
        found.append((sum(parts), *parts, seen["magnetisation"] @ along))
    return np.array(found), engine.step * step.dt


def averages(options, way, seed):
    """Return (values, errors, how long) of one run."""
    system = system_of(options, options.coupling)
    if way == "sampler":
        _, rows, length = sampled(system, seed, options.seconds)
    else:
        rows, length = stepped(system, way, seed, options.seconds)
    late = [average_of(column) for column in rows[len(rows) // 10 :].T]
    return [one.value for one in late], [one.error for one in late], length


def main():
    """Print one line for each way."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--coupling", type=float, default=4.0)
    parser.add_argument("--langevin", type=float, default=5.0)
    parser.add_argument("--fraction", type=float, default=0.03)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--sum", default="cutoff")
    parser.add_argument("--cutoff", type=float, default=6.0)
    parser.add_argument("--ways", nargs="+", default=("sampler", "2.4e-3:8", "1e-4:1"))
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    headline()
    print(f"coupling {options.coupling:g}, alpha {options.langevin:g}, {options.count} particles")
    with ProcessPoolExecutor(options.processes, get_context("spawn")) as pool:
        jobs = {
            way: [pool.submit(averages, options, way, seed + 1) for seed in range(options.seeds)]
            for way in options.ways
        }
        for way, runs in jobs.items():
            values, errors, lengths = zip(*(run.result() for run in runs), strict=True)
            names = NAMES if len(values[0]) == len(NAMES) else (NAMES[0], NAMES[-1])
            mean = np.mean(values, axis=0)
            error = np.sqrt(np.sum(np.square(errors), axis=0)) / len(runs)
            scatter = np.std(values, axis=0, ddof=1) / math.sqrt(len(runs))
            print(f"{way:>10s}, {len(runs)} runs, {sum(lengths):.4g} sweeps or d^2/D in all")
            for name, m, e, s in zip(names, mean, error, scatter, strict=True):
                print(f"    {name:14s} {m:9.4f} ({e:.4f}), by the scatter of runs ({s:.4f})")


if __name__ == "__main__":
    main()
