"""Errors of the mesh sum against those asked for, as a table in Markdown.

Run from the top of the project:  python -m tests.benchmarks.mesh_accuracy [--count N]

Films of 3 % of spheres, thin, cubic and thick (h = 10 W), with plans as the engine makes them;
moments log-normal with a spread of 0.5. Errors of field and force are relative RMS against the
exact sum (the force against the larger of RMS force and RMS field times moment per distance).
"""

import argparse

import numpy as np

from sim.interactions.mesh import SlabMesh, mesh_sum, plan_mesh
from sim.interactions.slab_sum import dipole_sum
from tests.benchmarks.machine import headline
from tests.reference.mesh_states import FILMS, STATES, relative_errors, state

TOLERANCES = (1e-2, 1e-3, 1e-4, 1e-6, 1e-8)
NAMES = {"along": "polarised along", "across": "polarised across"}


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=1000)
    count = parser.parse_args().count
    headline()
    print(f"N = {count}; field / force error")
    print("| film | state | " + " | ".join(f"{t:g}" for t in TOLERANCES) + " |")
    print("|---|---|" + "---|" * len(TOLERANCES))
    for shape in FILMS:
        for kind in STATES:
            positions, moments, sides, thickness = state(kind, shape, count, spread=0.5)
            reference = dipole_sum(positions, moments, sides, "exact")
            square = (moments**2).sum(axis=1)
            ratio = float(np.sqrt((square**2).mean()) / square.mean())
            cells = []
            for tolerance in TOLERANCES:
                plan = plan_mesh(
                    sides, thickness, tolerance, len(positions), 1.0, moment_ratio=ratio
                )
                mesh = SlabMesh(plan, len(positions))
                result = mesh_sum(positions, moments, plan, mesh)
                field, force = relative_errors(result, reference, positions, moments, sides)
                late = "" if max(field, force) < tolerance else " MISSED"
                cells.append(f"{field:.1e} / {force:.1e}{late}")
            print(f"| {shape} | {NAMES.get(kind, kind)} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()
