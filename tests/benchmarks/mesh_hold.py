"""Error of a smooth field that is kept for some steps, in a film of chains.

Run from the top of the project:  python -m tests.benchmarks.mesh_hold [--count N] [--averages]

Films of 3 % of soft spheres, 10 diameters thick, coupling 4, field along the film; each row is
the mean over the steps for which one sum of the mesh serves. Errors are relative RMS: of the field
against the whole field of the dipoles, of the force against the larger of the RMS force and the
RMS of field times moment. The angle is the RMS turn of a moment in the mean age of the sum, as
`steps_between_sums` reckons it; the share, error of the field over angle, is its constant.

--averages prints instead whether keeping it changes any average: a film in rest of coupling 3
without a field, whose bonds open and close, means over seeds
with standard errors, and their differences from the mesh summed every step.
"""

import argparse
import math
from dataclasses import replace

import numpy as np

from analysis.chains.groups import find_chains
from sim.engines.cpu import CpuEngine
from sim.film.reduce import with_mesh
from sim.interactions.mesh.sum import SlabMesh
from tests.benchmarks.machine import headline
from tests.reference.dipole_sum import add_short_range
from tests.reference.small_systems import film, moments_of, random_film

SETTLING = 4000
SAMPLES = 12
HOLDS = (2, 4, 8)
STEPS = (2.5e-5, 1e-4, 2e-4)
# The averages: dt, steps before the first look, looks, steps between them.
AVERAGED = (1.4e-4, 4000, 40, 300)


def smooth(mesh, system, state):
    """Return field and force of the clouds, and of all dipoles, at a state."""
    x, y, z = np.ascontiguousarray(state.positions.T)
    moments = system.moment[:, None] * state.directions
    mx, my, mz = np.ascontiguousarray(moments.T)
    field, force = np.empty((system.count, 3)), np.empty((system.count, 3))
    mesh.smooth_field_force(x, y, z, mx, my, mz, system.count, field, force)
    whole_field, whole_force = field.copy(), force.copy()
    add_short_range(state.positions, moments, system.mesh, whole_field, whole_force)
    return (field, force), (whole_field, whole_force)


def size(rows):
    """Return the root of the mean square of vectors."""
    return math.sqrt(float(np.mean(np.sum(rows**2, axis=1))))


def errors(system, engine, hold):
    """Return the errors of field and force by keeping the smooth part for ``hold`` steps."""
    mesh = SlabMesh(system.mesh, system.count)
    field = force = whole_field = whole_force = 0.0
    for _ in range(SAMPLES):
        kept, _ = smooth(mesh, system, engine.snapshot())
        for _ in range(hold - 1):
            engine.advance(1)
            now, whole = smooth(mesh, system, engine.snapshot())
            field += size(now[0] - kept[0]) ** 2
            force += size(now[1] - kept[1]) ** 2
        whole_field += size(whole[0]) ** 2
        whole_force += size(whole[1]) ** 2
        engine.advance(1)
    strength = math.sqrt(whole_field / SAMPLES)
    pull = max(math.sqrt(whole_force / SAMPLES), strength * float(system.moment.mean()))
    uses = SAMPLES * hold
    return math.sqrt(field / uses) / strength, math.sqrt(force / uses) / pull


def averages(count, tolerance, hold, seed):
    """Return the mean dipolar energy a particle and the mean chain length of one film."""
    dt, settling, looks, apart = AVERAGED
    plain = film(
        count, coupling=3.0, langevin=0.0, fraction=0.05, dt=dt, tolerance=tolerance,
        precision="float32", seed=seed,
    )  # fmt: skip
    system = replace(with_mesh(plain), mesh_every=hold)
    engine = CpuEngine(system, random_film(system, seed), 1)
    engine.advance(settling)
    rows = []
    for _ in range(looks):
        engine.advance(apart)
        state = engine.snapshot()
        chains = find_chains(
            state.positions, moments_of(system, state), 2.0 * system.radius, system.sides,
            bond_distance=1.3, bond_alignment=0.5,
        )  # fmt: skip
        rows.append((engine.observe()["dipolar"], float(np.mean(chains.lengths))))
    return np.mean(rows, axis=0)


def print_averages(count, tolerance, seeds):
    """Print the table of averages."""
    names = ("dipolar energy (kT)", "mean length")
    print("| kept for | " + " | ".join(f"{name} | difference" for name in names) + " |")
    print("|---|" + "---|" * (2 * len(names)))
    root = math.sqrt(seeds)
    first = None
    for hold in (1, 4, 8):
        found = np.array([averages(count, tolerance, hold, seed) for seed in range(seeds)])
        first = found if first is None else first
        mean, error = found.mean(axis=0), found.std(axis=0, ddof=1) / root
        apart = mean - first.mean(axis=0)
        spread = np.hypot(error, first.std(axis=0, ddof=1) / root)
        cells = [
            f"{mean[k]:.4f} ± {error[k]:.4f} | "
            + ("" if hold == 1 else f"{apart[k]:+.4f} ± {spread[k]:.4f}")
            for k in range(len(names))
        ]
        print(f"| {hold} steps | " + " | ".join(cells) + " |", flush=True)


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--tolerance", type=float, default=1e-3)
    parser.add_argument("--averages", action="store_true")
    parser.add_argument("--seeds", type=int, default=6)
    options = parser.parse_args()
    headline()
    if options.averages:
        print_averages(options.count, options.tolerance, options.seeds)
        return
    plain = film(options.count, dt=1e-4, tolerance=options.tolerance)
    settled = CpuEngine(with_mesh(plain), random_film(plain), 1)
    settled.advance(SETTLING)
    state = settled.snapshot()
    print("| dt | kept for | field error | force error | angle | share |")
    print("|---|---|---|---|---|---|")
    for dt in STEPS:
        for hold in HOLDS:
            system = replace(with_mesh(replace(plain, dt=dt)), mesh_every=1)
            engine = CpuEngine(system, replace(state, step=0, time=0.0), 1)
            field, force = errors(system, engine, hold)
            angle = math.sqrt(2.0 * (hold - 1) * float(system.turning[0]) * dt)
            print(
                f"| {dt:g} | {hold} steps | {field:.1e} | {force:.1e} | {angle:.4f} | "
                f"{field / angle:.3f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
