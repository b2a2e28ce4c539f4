"""Errors of the mesh sum against those asked for, and its cost, as a table in Markdown.

Run from the top of the project:  python -m tests.benchmarks.mesh_accuracy [--count N]

Films of 3 % of spheres, thin, cubic and thick (h = 10 W), with plans as the engine makes them;
moments log-normal with a spread of 0.5. Errors of field and force are relative RMS against the
exact sum (the force against the larger of RMS force and RMS field times moment per distance).
The cost is that of a step of a film of soft spheres of these sides in double precision, the mesh
summed every step, over that of a step with the dipoles cut off at 6 (at half the patch where
that is less), from a random start; the medians of engines that take turns.
"""

import argparse
import math
from dataclasses import replace

import numpy as np

from sim.engines.cpu import CpuEngine
from sim.film.reduce import with_mesh
from sim.interactions.mesh.plan import plan_mesh
from sim.interactions.mesh.sum import SlabMesh
from tests.benchmarks.machine import headline
from tests.benchmarks.mesh_cost import seconds
from tests.reference.dipole_sum import dipole_sum, mesh_sum
from tests.reference.mesh_states import FILMS, STATES, relative_errors, state
from tests.reference.mesh_states import film as film_of
from tests.reference.small_systems import film, random_film

TOLERANCES = (1e-2, 1e-3, 1e-4, 1e-6, 1e-8)
NAMES = {"along": "polarised along", "across": "polarised across"}
STEPS, SETTLING = 16, 200


def errors(kind, shape, count):
    """Return the errors (field, force) of a state at each tolerance."""
    positions, moments, sides, thickness = state(kind, shape, count, spread=0.5)
    reference = dipole_sum(positions, moments, sides, "exact")
    square = (moments**2).sum(axis=1)
    ratio = float(np.sqrt((square**2).mean()) / square.mean())
    found = []
    for tolerance in TOLERANCES:
        plan = plan_mesh(sides, thickness, tolerance, len(positions), 1.0, moment_ratio=ratio)
        result = mesh_sum(positions, moments, plan, SlabMesh(plan, len(positions)))
        found.append(relative_errors(result, reference, positions, moments, sides))
    return found


def costs(shape, count):
    """Return the cost of a step at each tolerance over that with a cut-off."""
    sides, thickness = film_of(shape, count)
    cutoff = min(6.0, 0.499 * sides[0])
    plain = film(count, sides=sides, thickness=thickness, cutoff=cutoff, dt=1e-4)
    started = CpuEngine(plain, random_film(plain), 1)
    started.advance(SETTLING)
    begin = replace(started.snapshot(), step=0, time=0.0)
    systems = [replace(with_mesh(replace(plain, tolerance=t)), mesh_every=1) for t in TOLERANCES]
    engines = [CpuEngine(system, begin, 1) for system in (plain, *systems)]
    for engine in engines:
        engine.advance(STEPS)
    first, *others = seconds([lambda engine=engine: engine.advance(STEPS) for engine in engines])
    return [
        other / first if system.mesh is not None else math.nan
        for other, system in zip(others, systems, strict=True)
    ]


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=1000)
    count = parser.parse_args().count
    headline()
    print(f"N = {count}; field / force error; cost over that with a cut-off")
    print("| film | state | " + " | ".join(f"{t:g}" for t in TOLERANCES) + " |")
    print("|---|---|" + "---|" * len(TOLERANCES))
    for shape in FILMS:
        for kind in STATES:
            cells = [
                f"{field:.1e} / {force:.1e}" + ("" if max(field, force) < tolerance else " MISSED")
                for tolerance, (field, force) in zip(
                    TOLERANCES, errors(kind, shape, count), strict=True
                )
            ]
            print(f"| {shape} | {NAMES.get(kind, kind)} | " + " | ".join(cells) + " |", flush=True)
        cells = ["exact" if math.isnan(cost) else f"{cost:.1f}" for cost in costs(shape, count)]
        print(f"| {shape} | cost | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
