"""Spacing of upright columns with dipoles cut off and with the mesh sum, as a figure and a table.

Run from the top of the project:  python -m tests.benchmarks.column_spacing [--seeds 1 2 3]

A film 6 diameters thick, coupling 24, field across. It starts from straight columns from window
to window, at random places at least 2 diameters apart, 9 diameters apart by their number; the
second half of 15 times d^2/D is measured. The cut-off is at 6 diameters: what columns further
apart do to each other is left out. Distances are those of `analysis`; errors are those of the
mean over seeds.
"""

import argparse
import math
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from analysis.chains.groups import find_chains
from analysis.pictures.style import legend_above, new_figure, publication, save
from analysis.spacing.distances import SpacingFrames
from analysis.spacing.structure_factor import find_peak, profile
from sim.engines.cpu import CpuEngine
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film, moments_of, state_of

PICTURE = Path("runs_demo/columns/long_range.png")
COLUMNS, HEIGHT, COUPLING, APART, LEAST = 100, 6, 24.0, 9.0, 2.0
DT, STEPS, LOOKS = 1.1e-4, 140_000, 40
SUMS = {"cutoff": "cut off at 6 d", "mesh": "mesh"}


def columns_at_random(side, seed):
    """Return places and directions of upright columns at random places in the plane."""
    rng = np.random.default_rng(seed)
    feet = np.empty((0, 2))
    while len(feet) < COLUMNS:
        foot = rng.random(2) * side
        gap = feet - foot
        gap -= side * np.rint(gap / side)
        if np.all(np.hypot(*gap.T) > LEAST):
            feet = np.vstack([feet, foot])
    heights = 0.5 + np.arange(HEIGHT)
    places = np.column_stack([np.repeat(feet, HEIGHT, axis=0), np.tile(heights, COLUMNS)])
    return places, np.tile([0.0, 0.0, 1.0], (len(places), 1))


def measured(job):
    """Return what one run shows: distances of columns, and the structure factor."""
    kind, seed = job
    count = COLUMNS * HEIGHT
    fraction = math.pi / 6.0 / APART**2
    system = film(
        count, coupling=COUPLING, langevin=100.0, direction=(0.0, 0.0, 1.0),
        thickness=float(HEIGHT), fraction=fraction, steric="surfactant", grafting=170.0, dt=DT,
        precision="float32", dipole_sum=kind, cutoff=6.0, tolerance=2e-3, seed=seed,
    )  # fmt: skip
    side = float(system.sides[0])
    state = state_of(*columns_at_random(side, seed), seed=seed)
    engine = CpuEngine(system, state, 1)
    frames = SpacingFrames(
        np.array(system.sides), system.thickness, 2.0 * system.radius, np.array([0.0, 0.0, 1.0])
    )
    alive = []
    for look in range(1, LOOKS + 1):
        engine.advance(STEPS // LOOKS)
        if 2 * look <= LOOKS:
            continue
        state = engine.snapshot()
        chains = find_chains(
            state.positions, moments_of(system, state), 2.0 * system.radius, system.sides,
            bond_distance=1.3, bond_alignment=0.5,
        )  # fmt: skip
        alive.append(float(np.mean(chains.lengths)))
        frames.add(state.positions, chains)
    q, s, error, flat = profile(
        frames.map_sum / frames.map_frames, frames.grid, frames.sides, None, 0.0, 1.0
    )
    return {
        "nearest": float(np.mean([one.value for one in frames.nearest])),
        "length": float(np.mean(alive)),
        "counts": np.sum(frames.nearest_counts, axis=0),
        "edges": frames.edges,
        "structure": (q, s, error, flat),
    }


def averaged(runs):
    """Return the averages over seeds: nearest distance, its distribution, structure factor."""
    root = math.sqrt(len(runs))
    nearest = np.array([run["nearest"] for run in runs])
    shares = np.array([run["counts"] / run["counts"].sum() for run in runs])
    q = np.mean([run["structure"][0] for run in runs], axis=0)
    s = np.array([run["structure"][1] for run in runs])
    error, flat = (np.mean([run["structure"][k] for run in runs], axis=0) / root for k in (2, 3))
    low, high = 2.0 * math.pi / (2.0 * APART), 2.0 * math.pi / (0.5 * APART)
    peak = find_peak(q, s.mean(axis=0), error, flat, low, high)
    return {
        "nearest": (nearest.mean(), nearest.std(ddof=1) / root),
        "length": np.mean([run["length"] for run in runs]),
        "shares": (shares.mean(axis=0), shares.std(axis=0, ddof=1) / root),
        "edges": runs[0]["edges"],
        "structure": (q, s.mean(axis=0), error),
        "peak": peak,
    }


def spacing_text(peak):
    """Return spacing, error and chance of a peak in the structure factor."""
    if peak is None:
        return "no peak"
    spacing = 2.0 * math.pi / peak.position
    error = spacing * peak.error / peak.position
    return f"{spacing:.2f} ± {error:.2f} d, by noise in {100 * peak.chance:.0f} of 100 cases"


def draw(found, path):
    """Draw both distributions and both structure factors."""
    with publication():
        figure = new_figure(width=170 / 25.4, height=70 / 25.4)
        left, right = figure.subplots(1, 2)
        for kind, name in SUMS.items():
            one = found[kind]
            middle = 0.5 * (one["edges"][1:] + one["edges"][:-1])
            share, error = (100.0 * values for values in one["shares"])
            left.errorbar(middle, share, error, label=name, capsize=1.5, linewidth=1.0)
            q, s, error = one["structure"]
            right.errorbar(q, s, error, label=name, capsize=1.5, linewidth=1.0)
        left.set(xlabel="distance to the nearest column (d)", ylabel="share of columns (%)")
        left.set_xlim(0, 1.3 * APART)
        left.set_ylim(0)
        right.set(xlabel="wave number (1/d)", ylabel="structure factor")
        right.set_xlim(0, 2.0)
        right.set_ylim(0)
        for axes in (left, right):
            legend_above(axes)
        save(figure, path)


def main():
    """Run both films for all seeds, print the table and draw the figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--picture", type=Path, default=PICTURE)
    options = parser.parse_args()
    headline()
    jobs = [(kind, seed) for seed in options.seeds for kind in reversed(SUMS)]
    with ProcessPoolExecutor(2, get_context("spawn")) as workers:
        results = list(workers.map(measured, jobs))
    found = {
        kind: averaged([r for job, r in zip(jobs, results, strict=True) if job[0] == kind])
        for kind in SUMS
    }
    print("| dipoles | nearest column | structure factor | mean length |\n|---|---|---|---|")
    for kind, name in SUMS.items():
        one = found[kind]
        print(
            f"| {name} | {one['nearest'][0]:.2f} ± {one['nearest'][1]:.2f} d | "
            f"{spacing_text(one['peak'])} | {one['length']:.2f} |"
        )
    apart = found["mesh"]["nearest"][0] - found["cutoff"]["nearest"][0]
    error = math.hypot(*(found[kind]["nearest"][1] for kind in SUMS))
    print(f"difference {apart:.2f} ± {error:.2f} d, {apart / error:.1f} standard errors")
    draw(found, options.picture)


if __name__ == "__main__":
    main()
