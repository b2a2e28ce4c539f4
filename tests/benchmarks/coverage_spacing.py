"""How often the intervals of spacings and slits hold the truth, in planted films of known order.

Run from the top of the project:  python -m tests.benchmarks.coverage_spacing

Every film is one frame of 160 chains, measured as a run is. Places of the first shell and of the
peak of S(q) are judged against closed forms; distances of nearest neighbours and slits against
means over further films of the same law, measured by plain loops over chains. A line gives the
shares of intervals of one error and of 95 % that hold the truth among the films that show a
number, the mean of what they show, and in how many films that is. A rate from n films scatters by
sqrt(p (1 - p)/n).
"""

import argparse

import numpy as np

from analysis.chains.groups import find_chains
from analysis.spacing.curves import axis_correlation, structure_curves
from analysis.spacing.distances import SpacingFrames
from analysis.spacing.section import spacing_numbers
from analysis.spacing.slits import SlitFrames
from tests.benchmarks.machine import headline
from tests.reference.planted_spacing import (
    CASES,
    LENGTH,
    ROWS,
    clear_slits,
    nearest_distances,
)

ESTIMATORS = {
    "axis_correlation_m": "first shell of the axes",
    "structure_factor_m": "peak of S(q)",
    "nearest_neighbour_m": "nearest neighbour",
    "nearest_neighbour_in_plane_m": "nearest, seen through",
    "nearest_neighbour_spread_m": "spread of the nearest",
    "slits_mean_m": "mean slit",
    "slits_median_m": "median slit",
    "slits_spread_m": "spread of slits",
}
FURTHER = 1_000_000
"""Seeds of the films that ensemble means come from begin so far on."""


def measured(film, *later, structures=1.0):
    """Entries of ``ESTIMATORS`` for one film, seen once, or in further frames of it.

    ``structures``: as how many independent ones the frames count.
    """
    axis, sides = np.array([1.0, 0.0, 0.0]), np.array(film.sides)
    frames = SpacingFrames(sides, film.thickness, film.diameters, axis)
    slits = SlitFrames(sides, film.diameters, axis)
    for seen in (film, *later):
        frames.add(seen.positions, find_chains(*seen.frame()))
        slits.add(seen.positions)
    _, radial = structure_curves(frames, structures, LENGTH)
    out, _ = spacing_numbers(frames, radial, axis_correlation(frames), structures, [])
    out |= {f"slits_{key}": entry for key, entry in slits.numbers(structures).items()}
    return {key: out[key] for key in ESTIMATORS}


def partly_frozen(case, seed, rows, count=12):
    """Frames of one film of which so many rows of chains stay where they are."""
    films = [case.make(1000 * seed + k) for k in range(count)]
    same = len(films[0].positions) * rows // ROWS
    for film in films[1:]:
        film.positions[:same] = films[0].positions[:same]
    return films


def truths(case, films, seed):
    """True values: closed forms where there are, means over so many further films else."""
    near, plane, wide = [], [], []
    for k in range(films):
        film = case.make(FURTHER + seed + k)
        near.append(nearest_distances(film))
        plane.append(nearest_distances(film, plane=True))
        wide.append(clear_slits(film))
    near, plane, wide = (np.concatenate(rows) for rows in (near, plane, wide))
    return {
        "axis_correlation_m": case.pair,
        "structure_factor_m": case.light,
        "nearest_neighbour_m": near.mean(),
        "nearest_neighbour_in_plane_m": plane.mean(),
        "nearest_neighbour_spread_m": near.std(),
        "slits_mean_m": wide.mean(),
        "slits_median_m": np.median(wide),
        "slits_spread_m": wide.std(),
    }


def row(case, key, entries, truth):
    """One line of the table."""
    shown = [e for e in entries if e["value"] is not None]
    head = f"| {case} | {ESTIMATORS[key]} |"
    if not shown:
        return f"{head} | | | | 0 |"
    values = np.array([e["value"] for e in shown])
    if isinstance(truth, np.ndarray):  # one of each film
        truth = truth[[e["value"] is not None for e in entries]]
    if truth is None:
        return f"{head} | | none | {1e9 * values.mean():.1f} | {len(shown)} |"
    errors = np.array([e["error"] for e in shown])
    ends = np.array([e["interval_95"] for e in shown])
    one = 100 * (np.abs(values - truth) <= errors).mean()
    both = 100 * ((ends[:, 0] <= truth) & (truth <= ends[:, 1])).mean()
    mean = f"{1e9 * np.mean(truth):.1f} | {1e9 * values.mean():.1f}"
    return (
        f"{head} {one:.0f} % | {both:.0f} % | {mean} | "
        f"{1e9 * values.std():.2g} | {1e9 * np.median(errors):.2g} | {len(shown)} |"
    )


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", nargs="*", help="parts of the names of cases; all if none")
    parser.add_argument("--films", type=int, default=100)
    parser.add_argument("--seed", type=int, default=300_000, help="that of the first film")
    parser.add_argument("--further", type=int, default=400, help="films behind ensemble means")
    parser.add_argument(
        "--frozen", type=int, help="rows of chains, of 4, that stay in 12 frames (one frame)"
    )
    parser.add_argument(
        "--structures", type=int, help="independent frames that are averaged (one frame)"
    )
    parser.add_argument("--estimators", default="", help="a part of the names of estimators")
    options = parser.parse_args()
    headline()
    print(f"{options.films} films a case, seeds from {options.seed}")
    print("| case | estimator | 68 % | 95 % | truth, nm | mean | scatter | error | shown |")
    print("|---" * 9 + "|")
    for name, case in CASES.items():
        if options.cases and not any(part in name for part in options.cases):
            continue
        truth = truths(case, options.further, options.seed)
        seeds = range(options.seed, options.seed + options.films)
        if options.structures is not None:
            many = options.structures
            found = [
                measured(*(case.make(many * seed + k) for k in range(many)), structures=float(many))
                for seed in seeds
            ]
        elif options.frozen is None:
            found = [measured(case.make(seed)) for seed in seeds]
        else:
            found = [measured(*partly_frozen(case, seed, options.frozen)) for seed in seeds]
        if case.light is not None:
            truth["structure_factor_m"] = np.array([case.light_of(seed) for seed in seeds])
        for key in ESTIMATORS:
            if options.estimators in ESTIMATORS[key]:
                print(row(name, key, [entry[key] for entry in found], truth[key]), flush=True)


if __name__ == "__main__":
    main()
