"""How often the band of a continued mean length holds what longer runs come to.

Run from the top of the project:

    python -m tests.benchmarks.way_to_rest [--folder DIR] [--seeds N] [--films NAME ...]

Films of 400 soft cores, couplings 3.4 to 5.1, cut-off dipoles, one thread. Each is run with several
seeds into the folder (finished runs are kept) and continued from the first tenth of its way, once
for each seed. The truth is the mean over all seeds: of the length at three and at ten times the
time that was shown, of the length at rest (mean of the last 40 % of the way), and of the times at
which half and 90 % of the way is made. A band holds where the truth lies inside.
"""

import argparse
import dataclasses
import math
import tempfile
import warnings
from pathlib import Path

import numpy as np

import analysis
import sim
from analysis.chains.groups import find_chains
from analysis.chains.series import ChainSeries
from analysis.response.rest.section import way_numbers
from analysis.trajectory.stages import field_series, last_stage
from tests.benchmarks.machine import headline

COUNT, SIDE, THICKNESS = 400, 300.0, 200.0
FILM = """
title = "way to rest"
[particles]
material = "magnetite"
moment = "blocked"
core_diameter = "{core} nm"
size_spread = {spread}
shell_thickness = "2 nm"
volume_fraction = {fraction}
[carrier]
viscosity = "1.5 mPa s"
temperature = "25 degC"
[film]
thickness = "{thickness} nm"
width = ["{length} um", "{side} nm"]
[repulsion]
kind = "soft_core"
[field]
direction = [1, 0, 0]
{field}
[dipoles]
sum = "cutoff"
cutoff_diameters = 6.0
[run]
duration = "{duration} ms"
seed = {seed}
[output]
frames = {frames}
"""
STEP = '[[field.steps]]\nkind = "hold"\nduration = "{} ms"\nstrength = "{} mT"\n'
# Core in nm, field in mT, duration in ms, frames; further keys.
FILMS = {
    "17 nm, 30 mT": (17, 30, 0.5, 500, {}),
    "18 nm, 30 mT": (18, 30, 1.2, 600, {}),
    "18 nm, no field": (18, 0, 1.2, 600, {}),
    "18 nm, spread 0.1, 30 mT": (18, 30, 2.0, 600, {"spread": 0.1}),
    "18.5 nm, 10 mT": (18.5, 10, 2.0, 600, {}),
    "19 nm, no field": (19, 0, 4.0, 800, {}),
    "19 nm, 30 mT": (19, 30, 4.0, 800, {}),
    "19 nm, 1 %, 30 mT": (19, 30, 4.0, 800, {"fraction": 0.01}),
    "18 nm, 30 mT, then off": (18, 30, 1.2, 800, {"off": True}),
    "19 nm, 30 mT, then off": (19, 30, 2.0, 800, {"off": True}),
    # Films on which no setting was chosen.
    "17.5 nm, 5 %, 5 mT": (17.5, 5, 0.8, 500, {"fraction": 0.05}),
    "18.5 nm, 1 %, no field": (18.5, 0, 2.0, 600, {"fraction": 0.01}),
    "18.5 nm, spread 0.15, 30 mT": (18.5, 30, 2.0, 600, {"spread": 0.15}),
    "18.5 nm, 15 mT, then off": (18.5, 15, 2.0, 800, {"off": True}),
}
AT = {"at 3 times": (2.5, 3.5), "at 10 times": (8.0, 10.0)}
SMOOTH = 0.15


def text(name, seed):
    """Return the parameter file of a film."""
    core, field, duration, frames, more = FILMS[name]
    fraction, spread = more.get("fraction", 0.03), more.get("spread", 0.0)
    volume = COUNT * math.pi / 6.0 * (core + 4.0) ** 3 / fraction
    steps = f'strength = "{field} mT"'
    if more.get("off"):
        steps = STEP.format(duration / 2, field) + STEP.format(duration / 2, 0)
    return FILM.format(
        core=core, spread=spread, fraction=fraction, thickness=THICKNESS, side=SIDE,
        length=round(volume / SIDE / THICKNESS / 1000.0, 4), field=steps, duration=duration,
        seed=seed, frames=frames,
    )  # fmt: skip


def simulated(name, seed, folder):
    """Simulate a film, or take it from the folder, and return its run and where the way begins."""
    place = folder / f"{name}, {seed}".replace(", ", "_").replace(" ", "").replace("%", "")
    if not (place / "run.h5").exists():
        file = place.with_suffix(".toml")
        file.write_text(text(name, seed))
        sim.simulate(sim.load(file), place, threads=1, overwrite=True)
    run = analysis.open_run(place)
    return run, 0.5 * run.times[-1] if FILMS[name][4].get("off") else 0.0


def series_of(run):
    """Return the chains of every frame."""
    series = ChainSeries(run.frames, None, None)
    for frame in range(run.frames):
        positions, moments = run.positions(frame), run.moments(frame)
        chains = find_chains(
            positions, moments, run.diameters, run.sides, bond_distance=run.bonds["distance"],
            bond_alignment=run.bonds["alignment"],
        )  # fmt: skip
        series.add(frame, chains, moments)
    return series


def shown(run, series, until):
    """Return what is told of a run that ends at a time, and the curve."""
    frames = int(np.searchsorted(run.times, until * (1.0 + 1e-9), side="right"))
    part = dataclasses.replace(
        run, frames=frames, times=run.times[:frames], steps=run.steps[:frames],
        observables={name: values[:frames] for name, values in run.observables.items()},
    )  # fmt: skip
    field = field_series(part)
    seen = ChainSeries(frames, None, None)
    for table, whole in ((seen.values, series.values), (seen.within, series.within)):
        table.update({name: values[:frames] for name, values in whole.items()})
    seen.lengths = {k: v for k, v in series.lengths.items() if k < frames}
    return way_numbers(part, seen, field, last_stage(part, field), None, [])


def truths(times, lengths, shown_s):
    """Return the truth of each row from the mean curve, times since the way began."""
    found = {
        row: lengths[(times >= low * shown_s) & (times <= high * shown_s)].mean()
        for row, (low, high) in AT.items()
    }
    found["at rest"] = rest = lengths[times >= 0.6 * times[-1]].mean()
    late = times > 0.0
    logs, made = np.log(times[late]), (lengths[late] - lengths[0]) / (rest - lengths[0])
    # A single frame may jump ahead, so that times are those of a running mean.
    smooth = np.array([made[np.abs(logs - at) <= SMOOTH].mean() for at in logs])
    for row, share in (("half", 0.5), ("90 %", 0.9)):
        first = max(1, int(np.argmax(smooth >= share)))
        near = slice(first - 1, first + 1)
        found[row] = math.exp(np.interp(share, smooth[near], logs[near]))
    return found


def band(section, key, curve, row, shown_s):
    """Return the five levels of one row."""
    if row in AT:
        at = math.log(0.5 * sum(AT[row]) * shown_s)
        columns = ("low_95", "low_68", "mean_length", "high_68", "high_95")
        return [float(np.interp(at, np.log(curve["time_s"]), curve[name])) for name in columns]
    names = {"at rest": "rest_length", "half": "half_time_s", "90 %": "rest_time_s"}
    entry = section[f"{key}_{names[row]}"]
    (low, high), (below, above) = entry["interval_95"], entry["interval_68"]
    return [low, below, entry["value"], above, high]


def film_rows(name, seeds, folder):
    """Continue each seed of a film and return {row: (truth, bands)}."""
    seen = []
    for seed in seeds:
        run, start = simulated(name, seed, folder)
        seen.append((run, series_of(run), start))
    key = "switch_off" if FILMS[name][4].get("off") else "switch_on"
    run, _, start = seen[0]
    first = int(np.searchsorted(run.times, start * (1.0 + 1e-9), side="right")) - 1
    times = run.times[first:] - start
    mean = np.mean([series.values["mean_length"][first:] for _, series, _ in seen], axis=0)
    shown_s = 0.1 * times[-1]
    truth = truths(times, mean, shown_s)
    found = {row: (value, []) for row, value in truth.items()}
    for run, series, _ in seen:
        section, curve = shown(run, series, start + shown_s)
        reason = section[f"{key}_reason"]
        if reason is not None:
            print(f"  withheld: {reason}")
            continue
        mine = curve.after == key.replace("_", "-")
        curve = {column: values[mine] for column, values in dict(curve).items()}
        for row in found:
            found[row][1].append(band(section, key, curve, row, shown_s))
    return found


def report(name, found, counts):
    """Print the rows of one film and add to the counts."""
    for row, (truth, bands) in found.items():
        if not bands:
            continue
        table = np.array(bands)
        inner = int(np.sum((table[:, 1] <= truth) & (truth <= table[:, 3])))
        outer = int(np.sum((table[:, 0] <= truth) & (truth <= table[:, 4])))
        counts.setdefault(row, np.zeros(3, int))
        counts[row] += (inner, outer, len(bands))
        low, below, middle, above, high = np.median(table, axis=0)
        print(
            f"| {name} | {row} | {truth:.4g} | {middle:.4g} ({below:.4g} to {above:.4g}; "
            f"{low:.4g} to {high:.4g}) | {inner} | {outer} of {len(bands)} |", flush=True,
        )  # fmt: skip


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--films", nargs="+", default=list(FILMS), choices=list(FILMS))
    options = parser.parse_args()
    headline()
    warnings.simplefilter("ignore")
    counts = {}
    print("| film | | truth | band: middle (68 %; 95 %) | 68 % | 95 % |\n|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as spare:
        folder = options.folder or Path(spare)
        folder.mkdir(parents=True, exist_ok=True)
        for name in options.films:
            found = film_rows(name, range(1, options.seeds + 1), folder)
            report(name, found, counts)
    for row, (inner, outer, count) in counts.items():
        print(f"| all | {row} | | | {inner} | {outer} of {count} |")


if __name__ == "__main__":
    main()
