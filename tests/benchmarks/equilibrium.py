"""Equilibrium averages of the engine's steps beside those of a sampler that knows no steps.

Run from the top of the project:

    python -m tests.benchmarks.equilibrium [--film 0 1] [--settings auto:6 ...] [--seconds S]
        [--seeds K]

Films of 100 soft cores, fraction 0.05, mesh 1e-3, single precision. Each setting T:n (outer step
in d^2/D, inner steps) runs ``--seconds`` a seed on one thread, and so does the sampler of
``tests.reference.sampler``; the seeds share the processors. Errors are those of blocks of 3 d^2/D
of film time, or of 2000 sweeps.
"""

import argparse
import math
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np

from sim.engines.cpu import CpuEngine
from sim.film.placing import random_state
from tests.benchmarks.machine import headline
from tests.reference.sampler import Sampler
from tests.reference.small_systems import film

FILMS = (
    {"coupling": 3.0, "langevin": 2.0, "direction": (0.0, 0.0, 1.0)},
    {"coupling": 2.0, "langevin": 10.0},
    {"coupling": 3.0, "langevin": 0.0},
)
SETTINGS = ("2.4e-3:6", "4.8e-3:12", "1.3e-4:1")
FILM_TIME, SWEEPS = 0.12, 10
BLOCK_TIME, BLOCK_SWEEPS = 3.0, 2000
NAMES = ("dipolar", "soft core", "magnetisation")


def system_of(number, setting):
    """Return a film with the steps of "T:n"."""
    outer, inner = setting.split(":")
    return film(
        100, fraction=0.05, dipole_sum="mesh", tolerance=1e-3, precision="float32",
        dt=float(outer), inner_steps=int(inner), **FILMS[number],
        list_margin=0.5 if float(outer) < 2.5e-4 else 1.0,
    )  # fmt: skip


def blocks(values, length):
    """Return means of blocks of so many values."""
    whole = len(values) // length * length
    return np.reshape(values[:whole], (-1, length, len(NAMES))).mean(axis=1)


def stepped(number, setting, seconds, seed):
    """Return block means of the engine."""
    system = system_of(number, setting)
    state = random_state(system, seed)
    warm = CpuEngine(system_of(number, SETTINGS[0]), state, 1)
    warm.advance(4000)
    engine = CpuEngine(system, warm.snapshot(), 1)
    along = np.array(FILMS[number].get("direction", (1.0, 0.0, 0.0)))
    every = max(1, round(FILM_TIME / system.dt))
    engine.advance(10 * every)
    found, started = [], time.perf_counter()
    while time.perf_counter() - started < seconds:
        engine.advance(every)
        seen = engine.observe()
        found.append((seen["dipolar"], seen["steric"], seen["magnetisation"] @ along))
    return blocks(found, round(BLOCK_TIME / FILM_TIME))


def sampled(number, _, seconds, seed):
    """Return block means of the sampler."""
    system = system_of(number, SETTINGS[0])
    sampler = Sampler(system, random_state(system, seed), seed)
    sampler.sweep(2000)
    found, started = [], time.perf_counter()
    while time.perf_counter() - started < seconds:
        sampler.sweep(SWEEPS)
        found.append(sampler.observe())
    return blocks(found, BLOCK_SWEEPS // SWEEPS)


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--film", type=int, nargs="+", default=range(len(FILMS)))
    parser.add_argument("--settings", nargs="+", default=SETTINGS)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    headline()
    with ProcessPoolExecutor(options.processes, get_context("spawn")) as pool:
        for number in options.film:
            print(f"\n{FILMS[number]}")
            reference = None
            for setting in ("sampler", *options.settings):
                work = sampled if setting == "sampler" else stepped
                jobs = [
                    pool.submit(work, number, setting, options.seconds, seed)
                    for seed in range(1, options.seeds + 1)
                ]
                found = np.concatenate([job.result() for job in jobs])
                mean = found.mean(axis=0)
                error = found.std(axis=0, ddof=1) / math.sqrt(len(found))
                reference = (mean, error) if reference is None else reference
                line = "   ".join(
                    f"{name} {m:8.4f} ({e:.4f}) {100.0 * (m / r - 1.0):+6.2f}"
                    f" +- {100.0 * math.hypot(e, d) / abs(m):4.2f} %"
                    for name, m, e, r, d in zip(NAMES, mean, error, *reference, strict=True)
                )
                print(f"{setting:>10s} {len(found):5d} blocks   {line}", flush=True)


if __name__ == "__main__":
    main()
