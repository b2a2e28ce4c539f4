"""Films at rest by the sampler: both sides, structures a minute, and Brownian dynamics beside them.

Run from the top of the project:

    python -m tests.benchmarks.rest [--coupling 3 4 5] [--langevin 5] [--fraction 0.03]
        [--count 300] [--sum cutoff] [--seconds 120] [--dynamics SECONDS]

Equal soft cores of 1 kT in a patch twice as long as wide, 12 diameters thick. Each row runs until
its film is at rest with 20 structures, or for the seconds of wall time. With ``--dynamics`` the
engine follows the same film for so many seconds, from the last state of the sampler.
"""

import argparse
import dataclasses
import math
import time

import numpy as np

from sim.engines.cpu import CpuEngine
from sim.film.placing import random_state
from sim.sampler.engine import SamplerEngine
from sim.sampler.rest import FOLLOWED, average_of
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film

THICKNESS = 12.0
STRUCTURES = 20.0
PIECE = 50
SHOWN = ("energy", "mean_length", "weight_mean_length", "magnetisation")


def system_of(options, coupling):
    """Return the film of one row."""
    volume = options.count * math.pi / 6.0 / options.fraction
    width = math.sqrt(0.5 * volume / THICKNESS)
    return film(
        options.count, fraction=options.fraction, coupling=coupling, thickness=THICKNESS,
        langevin=options.langevin, sides=(2.0 * width, width),
        cutoff=min(options.cutoff, 0.49 * width), dipole_sum=options.sum, tolerance=1e-3,
        dynamics="monte_carlo",
    )  # fmt: skip


def at_rest(system, seconds, seed=1):
    """Return (engine, rest, wall time) once the film is at rest or the time is up."""
    engine = SamplerEngine(system, random_state(system, seed), 2)
    engine.compile()
    started = time.perf_counter()
    while time.perf_counter() - started < seconds:
        engine.advance(PIECE)
        rest = engine.rest()
        if rest.reached and rest.structures >= STRUCTURES:
            break
    return engine, engine.rest(), time.perf_counter() - started


def followed(system, state, seconds):
    """Return averages of energy and magnetisation of the engine of steps."""
    stepped = dataclasses.replace(system, dynamics="brownian", precision="float32", dt=1e-4)
    engine = CpuEngine(stepped, dataclasses.replace(state, step=0), 2)
    along = np.array(system.field[0].first)
    along = along / max(np.linalg.norm(along), 1e-300)
    rows, started = [], time.perf_counter()
    names = ("dipolar", "steric", "windows", "field")
    while time.perf_counter() - started < seconds:
        engine.advance(400)
        seen = engine.observe()
        rows.append((sum(seen[name] for name in names), seen["magnetisation"] @ along))
    return [average_of(column) for column in np.array(rows).T], engine.step * 1e-4


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--coupling", type=float, nargs="+", default=(3.0, 4.0, 5.0))
    parser.add_argument("--langevin", type=float, default=5.0)
    parser.add_argument("--fraction", type=float, default=0.03)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--sum", default="cutoff")
    parser.add_argument("--cutoff", type=float, default=6.0)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--dynamics", type=float, default=0.0)
    options = parser.parse_args()
    headline()
    print(f"{options.count} particles, fraction {options.fraction:g}, {options.sum}")
    for coupling in options.coupling:
        system = system_of(options, coupling)
        engine, rest, wall = at_rest(system, options.seconds)
        print(
            f"coupling {coupling:g}, alpha {options.langevin:g}: "
            f"{'at rest' if rest.reached else 'not at rest'}, "
            f"{engine.step} sweeps in {wall:.1f} s, "
            f"{rest.structures:.1f} structures ({60.0 * rest.structures / wall:.0f} a minute)"
        )
        for name in SHOWN:
            side = rest.sides[name]
            print(
                f"    {name:20s} {side['from_singles']:9.4f} ({side['from_singles_error']:.4f})"
                f"  {side['from_chains']:9.4f} ({side['from_chains_error']:.4f})"
                f"  {side['difference_in_errors'] or 0.0:.2f} errors"
            )
        taken = {k: v for k, v in engine.shares_taken().items() if v is not None}
        print(
            "    " + ", ".join(f"{name} {share:.3f}" for name, share in taken.items()), flush=True
        )
        if options.dynamics:
            found, lasted = followed(system, engine.snapshot(), options.dynamics)
            for name, one in zip((FOLLOWED[0], FOLLOWED[3]), found, strict=True):
                side = rest.sides[name]
                gap = abs(one.value - side["from_singles"])
                error = math.hypot(one.error, side["from_singles_error"])
                print(
                    f"    dynamics, {lasted:.3g} d^2/D: {name} {one.value:.4f} ({one.error:.4f}), "
                    f"{gap / error:.2f} errors apart",
                    flush=True,
                )


if __name__ == "__main__":
    main()
