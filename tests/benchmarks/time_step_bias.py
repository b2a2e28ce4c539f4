"""What the time step and the split into inner steps do to averages, by repulsion.

Run from the top of the project:

    python -m tests.benchmarks.time_step_bias [--count N] [--film-time T] [--seeds K] [--kinds ...]
        [--settings soft_core=2e-5:1,4e-4:1,1.6e-3:4 ...] [--euler 5e-5 ...] [--growth]

A chained state is made once with a short step. From it, each setting T:n (outer step in d^2/D,
inner steps; 1 is a plain step of averaged noise) runs the same film time with several seeds;
averages are over the second half, biases against the first setting, errors standard errors over
the seeds (of a bias: of both). "bond" is the mean distance of pairs closer than 1.25 d, "steric a
bond" the steric energy over their number. "euler" rows are plain Euler-Maruyama steps. With
--growth runs start from random places instead, and the mean length of chains is printed over
time.
"""

import argparse
import dataclasses
import math

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sim.engines.cpu import CpuEngine, StepError
from sim.film.placing import random_state
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film

SETTINGS = {
    "soft_core": "2e-5:1,1e-4:1,4e-4:1,1.6e-3:6,2.4e-3:8,3.2e-3:8",
    "surfactant": "2e-5:1,1e-4:1,2e-4:1,1.6e-3:10,2.4e-3:15,3.2e-3:16",
}
COUPLING = {"soft_core": 4.0, "surfactant": 6.1}
SAMPLES = 100
NEAR = 1.25
NAMES = ("dipolar", "steric", "bond", "steric a bond", "length")


def pairs_of(engine):
    """Return distances and numbers of all pairs closer than a bond is."""
    state, sides = engine.snapshot(), engine.system.sides
    box = np.array([*sides, 10.0 * engine.system.thickness])
    found = cKDTree(state.positions, boxsize=box).query_pairs(NEAR, output_type="ndarray")
    gaps = state.positions[found[:, 0]] - state.positions[found[:, 1]]
    gaps[:, :2] -= np.array(sides) * np.rint(gaps[:, :2] / sides)
    return np.linalg.norm(gaps, axis=1), found


def seen(engine):
    """Return the quantities of NAMES."""
    observed = engine.observe()
    count = engine.system.count
    distance, pairs = pairs_of(engine)
    bonds = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (count, count))
    chains, _ = connected_components(bonds, directed=False)
    steric = observed["steric"]
    return (
        observed["dipolar"], steric, distance.mean(), steric * count / len(distance),
        count / chains,
    )  # fmt: skip


def euler_step(engine, steps):
    """Make plain Euler-Maruyama steps: all of the noise is new, none from the step before."""
    for _ in range(steps):
        engine._slots.last_noise[:] = 0.0
        made, status = engine._film.advance(1)
        if made != 1 or status != 0:
            raise StepError("an Euler step failed", -1, engine.step, "")


def started(system, start, seed, euler):
    """Return an engine at the start, and what advances it."""
    engine = CpuEngine(system, dataclasses.replace(start, seed=seed, step=0, time=0.0), 1)
    engine.compile()
    if not euler:
        return engine, engine.advance
    for name in ("kick", "twist"):
        getattr(engine._slots, name)[:] *= 2.0
    return engine, lambda steps: euler_step(engine, steps)


def averages(system, start, film_time, seed, euler):
    """Return the means of NAMES over the second half of a run."""
    engine, advance = started(system, start, seed, euler)
    every = max(1, round(film_time / 2.0 / SAMPLES / system.dt))
    advance(round(film_time / 2.0 / system.dt))
    found = []
    for _ in range(SAMPLES):
        advance(every)
        found.append(seen(engine))
    return np.mean(found, axis=0)


def growth(system, start, film_time, seed, euler):
    """Return the mean length of chains at four times."""
    engine, advance = started(system, start, seed, euler)
    found = []
    for _ in range(4):
        advance(round(film_time / 4.0 / system.dt))
        found.append(seen(engine)[-1])
    return np.array(found)


def split(text):
    """Return (outer step, inner steps) of "T:n"."""
    outer, inner = text.split(":")
    return float(outer), int(inner)


def table(kind, options, settings):
    """Print the table of one repulsion."""
    system = film(
        options.count, steric=kind, coupling=COUPLING[kind], cutoff=4.0, precision="float64",
        dt=5e-5, **({"dipole_sum": "mesh", "tolerance": 1e-3} if options.mesh else {}),
    )  # fmt: skip
    start = random_state(system, 1)
    measured, names = growth, [f"length {k}/4" for k in range(1, 5)]
    if not options.growth:
        engine = CpuEngine(system, start, 2)
        engine.advance(20000)
        start = engine.snapshot()
        measured, names = averages, list(NAMES)
    rows = [(*split(text), False) for text in settings.split(",")]
    rows += [(step, 1, True) for step in options.euler]
    print(f"\n{kind}, coupling {COUPLING[kind]}, {options.count} particles, {options.seeds} seeds")
    print("  T (d^2/D)     n   " + "   ".join(f"{name:>28s}" for name in names), flush=True)
    reference = None
    for outer, inner, euler in rows:
        changed = dataclasses.replace(
            system, dt=outer, inner_steps=inner, list_margin=0.5 if outer < 2.5e-4 else 0.8
        )
        seeds = range(1, options.seeds + 1)
        try:
            found = np.array(
                [measured(changed, start, options.film_time, seed, euler) for seed in seeds]
            )
        except StepError:
            print(f"{outer:10.1e} {inner:5d}   stopped by the guard of the step", flush=True)
            continue
        mean = found.mean(axis=0)
        error = found.std(axis=0, ddof=1) / math.sqrt(len(seeds))
        if reference is None:
            reference = mean, error
        bias = 100.0 * (mean / reference[0] - 1.0)
        doubt = 100.0 * np.hypot(error, reference[1]) / abs(mean)
        print(
            f"{outer:10.1e} {inner:5d}   "
            + "   ".join(
                f"{m:9.5f} {b:+6.2f} +- {d:4.2f} %"
                for m, b, d in zip(mean, bias, doubt, strict=True)
            )
            + ("   Euler" if euler else ""),
            flush=True,
        )


def main():
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--film-time", type=float, default=0.8)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--kinds", nargs="+", default=list(COUPLING))
    parser.add_argument("--settings", nargs="+", default=[])
    parser.add_argument("--euler", nargs="*", type=float, default=[])
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--mesh", action="store_true")
    options = parser.parse_args()
    headline()
    given = dict(text.split("=", 1) for text in options.settings)
    for kind in options.kinds:
        table(kind, options, given.get(kind, SETTINGS[kind]))


if __name__ == "__main__":
    main()
