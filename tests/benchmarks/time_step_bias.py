"""How the mean energies depend on the time step, for the soft core and for the surfactant.

Run from the top of the project:  python -m tests.benchmarks.time_step_bias

A chained state is made once with a short step. From it, each step size runs the same film time
with several seeds; the energies are averaged over the second half and compared with those of
the shortest step. Errors are standard errors over the seeds; the bias of the steric energy is
what the step gets wrong first.
"""

import argparse
import dataclasses
import math

import numpy as np

from sim.engines.cpu import CpuEngine, StepError
from sim.initial_state import random_state
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film

# Steps in d0^2/D0; the surfactant's automatic step is 1.1e-4 for equal particles.
STEPS = (2e-5, 5e-5, 1e-4, 1.5e-4, 2e-4, 3e-4, 4e-4)
SAMPLES = 200


def energies(system, start, film_time, seed):
    """Return mean dipolar and steric energy of a particle over the second half of a run."""
    engine = CpuEngine(system, dataclasses.replace(start, seed=seed, step=0, time=0.0), 1)
    steps = math.ceil(film_time / system.dt)
    every = max(1, steps // (2 * SAMPLES))
    engine.advance(steps // 2)
    seen = []
    for _ in range(SAMPLES):
        engine.advance(every)
        observed = engine.observe()
        seen.append((observed["dipolar"], observed["steric"]))
    return np.mean(seen, axis=0)


def table(kind, count, film_time, seeds):
    """Print the table of one repulsion."""
    coupling = 4.0 if kind == "soft_core" else 6.1
    settings = {"steric": kind, "coupling": coupling, "cutoff": 4.0, "precision": "float64"}
    system = film(count, dt=5e-5, **settings)
    engine = CpuEngine(system, random_state(system, 1), 2)
    engine.advance(20000)
    start = engine.snapshot()
    curvature = 0.5 * math.pi * 172.8 / (1.0 / 12.0) * (20.0 / 24.0) ** 2
    print(f"\n{kind}, coupling {coupling}, {count} particles, {len(seeds)} seeds")
    print("dt (d^2/D)   k D dt   dipolar (kT)          bias   steric (kT)            bias")
    reference = None
    for dt in STEPS:
        changed = dataclasses.replace(system, dt=dt)
        try:
            found = np.array([energies(changed, start, film_time, seed) for seed in seeds])
        except StepError:
            print(f"{dt:10.1e}   stopped by the guard of the step")
            continue
        mean = found.mean(axis=0)
        error = found.std(axis=0, ddof=1) / math.sqrt(len(seeds))
        if reference is None:
            reference = mean
        bias = 100.0 * (mean / reference - 1.0)
        stiff = f"{curvature * dt:8.2f}" if kind == "surfactant" else "        "
        print(
            f"{dt:10.1e} {stiff}   {mean[0]:8.4f} +- {error[0]:6.4f} {bias[0]:+7.2f} %"
            f"   {mean[1]:8.5f} +- {error[1]:7.5f} {bias[1]:+7.2f} %"
        )


def main():
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--film-time", type=float, default=0.8)
    parser.add_argument("--seeds", type=int, default=4)
    options = parser.parse_args()
    headline()
    for kind in ("soft_core", "surfactant"):
        table(kind, options.count, options.film_time, range(1, options.seeds + 1))


if __name__ == "__main__":
    main()
