"""How often intervals of averages of moments hold the truth in runs shorter than moments turn.

Run from the top of the project:

    python -m tests.benchmarks.coverage_moments [--draws 400] [--films 60] [--seed 1]

Two tables, see `tests.benchmarks.coverage_times` for their columns. "Turning unknown" is the error
of the series alone. First films of free moments, whose truth is Langevin's: 60 particles in 20
frames. Then films of soft cores of coupling 2.5 in a weak field, each sampled until it is at rest
and followed from there (a minute for eight films); their truth is the mean of all samples.
"""

import argparse
import tempfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from scipy.special import ndtri

import analysis
import sim
from analysis.chains.bonds import BondRule
from analysis.chains.groups import find_chains
from analysis.chains.measured_run import MeasuredRun
from analysis.chains.series import ChainSeries
from analysis.chains.turning import MAGNETISATION, MOMENT_ORDER, moment_structures
from analysis.common.constants import BOLTZMANN
from analysis.common.laws import langevin
from sim.parameters.load import from_text
from tests.benchmarks.coverage_times import show
from tests.benchmarks.machine import headline
from tests.reference.planted import DIAMETER, MOMENT, TEMPERATURE, straight_chains
from tests.reference.planted_times import turning_moments

NAMES = (MAGNETISATION, MOMENT_ORDER)
SPANS = (0.2, 1.0, 5.0)
"""Averaged times of followed films, in turning times."""
FILM = """
[particles]
core_diameter = "16.5 nm"
size_spread = 0.1
volume_fraction = 0.03
[film]
thickness = "0.25 um"
count = 150
[repulsion]
kind = "soft_core"
[field]
strength = "3 mT"
[dipoles]
sum = "cutoff"
cutoff_diameters = 4.0
"""


def free(draws, rng):
    """Print averages of free moments, sizes spread by 0.15, and of chains that turn as rods.

    Spans are in turning times of the median particle; chains of 5 turn 20 times as slowly.
    """
    sizes = np.exp(0.15 * ndtri((np.arange(60) + 0.5) / 60))
    one, zeros = np.ones(12), np.zeros(12)
    for xi in (0.0, 3.0):
        for span in (0.1, 1.0, 3.0, 10.0):
            times = np.linspace(0.0, span, 20)
            moved = turning_moments(rng, draws, xi * sizes**3, sizes**3, times)
            case = f"{span:g} turning times, field of {xi:g} kT a moment"
            averages(case, moved, sizes, 60, times, xi)
    for span in (1.0, 10.0, 100.0):
        times = np.linspace(0.0, span, 20)
        rods = turning_moments(rng, draws, zeros, 20.0 * one, times)
        case = f"{span:g} turning times of a particle, chains of 5, no field"
        averages(case, np.repeat(rods, 5, axis=2), np.ones(60), 12, times, 0.0)


def averages(case, moved, sizes, chains, times, xi):
    """Print the averages of films of moments, (films, frames, N, 3), in so many equal chains."""
    size, along = sizes**3, np.array([0.0, 0.0, 1.0])
    field = xi * BOLTZMANN * TEMPERATURE / MOMENT
    run = SimpleNamespace(
        times=times, diameters=sizes * DIAMETER, moment_magnitudes=MOMENT * size, is_sampled=False,
        derived={"brown_time_s": 1.0, "median_diameter_m": DIAMETER, "temperature_k": TEMPERATURE},
    )  # fmt: skip
    starts = 5e-7 * np.stack([np.zeros(chains), np.arange(chains), np.zeros(chains)], axis=1)
    film = straight_chains(starts, [60 // chains] * chains, sides=(1e-5, 1e-4), diameters=DIAMETER)
    bonded = find_chains(film.positions, film.moments, film.diameters, film.sides)
    order = 1 - 3 * langevin(xi * size) / (xi * size) if xi else 0 * size
    truth = dict(zip(NAMES, ((size * v).sum() / size.sum() for v in (langevin(xi * size), order)),
                     strict=True))  # fmt: skip
    found = {(name, known): [] for name in NAMES for known in (True, False)}
    for row in moved:
        series = ChainSeries(len(times), along, along)
        for frame, vectors in enumerate(row):
            series.add(frame, bonded, MOMENT * size[:, None] * vectors)
        gather(found, series, run, np.arange(len(times)), field)
    tell(case, found, truth)


def gather(found, series, run, frames, field):
    """Add the averages of one film over some frames."""
    for name, known in found:
        structures = moment_structures(run, name, frames, field) if known else None
        found[name, known].append(series.average(name, frames, structures))


def tell(case, found, truth):
    """Print the rows of one case."""
    for (name, known), estimates in found.items():
        words = f"{name.replace('_', ' ')}, turning {'known' if known else 'unknown'}"
        show(case, words, estimates, truth[name])


def followed(films, seed):
    """Print averages of films that are followed from rest on; half of a run is averaged."""
    found = {span: {(n, known): [] for n in NAMES for known in (True, False)} for span in SPANS}
    sampled = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(films):
            rest = simulated(
                Path(folder, "rest"), 'dynamics = "monte_carlo"\nsweeps = 2000\nstructures = 8',
                seed + number, 20,
            )  # fmt: skip
            seen = analysis.measure(rest).numbers
            sampled.append([seen["magnetisation"]["relative"]["value"],
                            seen["alignment"]["moment_order"]["value"]])  # fmt: skip
            start = f'[start]\nkind = "file"\npath = "{rest.path}"\n'
            for span, estimates in found.items():
                duration = 2.0 * span * rest.derived["brown_time_s"]
                run = simulated(Path(folder, "run"), f'duration = "{duration:.6g} s"',
                                seed + 1000 + number, 40, start)  # fmt: skip
                seen = MeasuredRun.of(run, BondRule())
                for _ in seen.frames():
                    pass
                field = float(np.linalg.norm(seen.stage.field))
                gather(estimates, seen.series, run, seen.stage.frames, field)
    truth = dict(zip(NAMES, np.mean(sampled, axis=0), strict=True))
    for span, estimates in found.items():
        tell(f"{span:g} turning times, followed from rest", estimates, truth)


def simulated(folder, keys, seed, frames, more=""):
    """Return a run of the film."""
    text = f"{FILM}[run]\n{keys}\nseed = {seed}\n[output]\nframes = {frames}\n{more}"
    parameters = from_text(text, "film.toml")
    return analysis.open_run(sim.simulate(parameters, folder, overwrite=True, threads=1).path)


def main():
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=400, help="films of free moments a row (400)")
    parser.add_argument("--films", type=int, default=60, help="films that are followed (60)")
    parser.add_argument("--seed", type=int, default=1, help="of all films (1)")
    options = parser.parse_args()
    headline()
    print("| case | estimator | 68 % | 95 % | bias | shown |\n|---|---|---|---|---|---|")
    if options.draws:
        free(options.draws, np.random.default_rng([options.seed, 5]))
    if options.films:
        followed(options.films, options.seed)


if __name__ == "__main__":
    main()
