"""How often intervals of averages, susceptibilities, lives, decays and moments hold a truth put in.

Run from the top of the project:  python -m tests.benchmarks.coverage_times

A row gives the share of 100 intervals of one error, and of 95 %, that hold the truth, by how much
the mean of what is shown is off, and how many of 100 draws are shown at all; the others are
withheld with a reason. A rate from n draws scatters by sqrt(p (1 - p)/n). Of pictures of noise
the share that yields a spacing is told; that should be none.
"""

import argparse
import math
from types import SimpleNamespace

import numpy as np
from scipy.special import ndtri

from analysis.chains.groups import find_chains
from analysis.chains.lives import rejoining_life, sharp
from analysis.chains.series import ChainSeries
from analysis.chains.turning import MAGNETISATION, MOMENT_ORDER, moment_structures
from analysis.common.averages.student import ONE_SIGMA
from analysis.common.constants import BOLTZMANN
from analysis.common.laws import langevin
from analysis.micrograph.measure import measure_picture
from analysis.micrograph.picture import Picture
from analysis.response.decay import decay
from analysis.response.susceptibility import Removed, fluctuation_spectrum, static_susceptibility
from analysis.uncertainty.estimate import estimate
from tests.benchmarks.coverage import autoregressive
from tests.benchmarks.machine import headline
from tests.reference.planted import DIAMETER, MOMENT, TEMPERATURE, straight_chains
from tests.reference.planted_pictures import blurred_noise, striped_noise
from tests.reference.planted_times import films_in_parts, rejoining_bonds, turning_moments


def show(case, name, found, truth):
    """Print one row of estimates, of which those without a value are withheld."""
    told = [one for one in found if one.value is not None and one.error is not None]
    share = f"{100 * len(told) / len(found):.0f} %"
    if not told:
        print(f"| {case} | {name} | - | - | - | {share} |", flush=True)
        return
    rates = [
        np.mean([low < truth < high for low, high in (one.interval(level) for one in told)])
        for level in (ONE_SIGMA, 0.95)
    ]
    off = np.mean([one.value for one in told]) - truth
    bias = f"{100 * off / truth:+.1f} %" if truth else f"{off:+.3f}"
    print(
        f"| {case} | {name} | {100 * rates[0]:.0f} % | {100 * rates[1]:.0f} % | {bias} | {share} |",
        flush=True,
    )


def averages(draws, rng):
    """Print averages of films of which a part of the variance is common to all frames."""
    for count, tau, frozen in (
        (8, 0.5, 0.0), (40, 0.5, 0.0), (200, 0.5, 0.0), (100, 5.0, 0.0), (12, 0.5, 0.3),
        (40, 0.5, 0.3), (200, 0.5, 0.05), (40, 10.0, 0.3), (40, 0.5, 1.0),
    ):  # fmt: skip
        case = f"{count} frames, tau = {tau:g}, {frozen:g} of the variance frozen"
        films = list(films_in_parts(rng, draws, count, tau, frozen))
        within = np.ones(count)
        parts = [estimate(v, within=within, structures=1.0, parts=p) for v, p in films]
        show(case, "average, parts known", parts, 0.0)
        alone = [estimate(v, within=within, structures=1.0) for v, _ in films]
        show(case, "average, parts unknown (says 1 sample)", alone, 0.0)


def moments_that_turn(draws, rng):
    """Print averages of moments over runs shorter and longer than the time in which they turn.

    60 particles in 20 frames, sizes spread by 0.15; spans in turning times of the median particle.
    The last are chains of 5 that turn as stiff rods, 20 times as slowly as a particle.
    """
    sizes = np.exp(0.15 * ndtri((np.arange(60) + 0.5) / 60))
    one, zeros = np.ones(12), np.zeros(12)
    for xi in (0.0, 3.0):
        for span in (0.1, 1.0, 3.0, 10.0):
            times = np.linspace(0.0, span, 20)
            moved = turning_moments(rng, draws, xi * sizes**3, sizes**3, times)
            case = f"{span:g} turning times, field of {xi:g} kT a moment"
            moments(case, moved, sizes, 60, times, xi)
    for span in (1.0, 10.0, 100.0):
        times = np.linspace(0.0, span, 20)
        rods = turning_moments(rng, draws, zeros, 20.0 * one, times)
        case = f"{span:g} turning times of a particle, chains of 5, no field"
        moments(case, np.repeat(rods, 5, axis=2), np.ones(60), 12, times, 0.0)


def moments(case, moved, sizes, chains, times, xi):
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
    truth = {
        MAGNETISATION: (size * langevin(xi * size)).sum() / size.sum(),
        MOMENT_ORDER: (size * second_rank(xi * size)).sum() / size.sum(),
    }
    found = {(name, known): [] for name in truth for known in (True, False)}
    rows = np.arange(len(times))
    for row in moved:
        series = ChainSeries(len(times), along, along)
        for frame, vectors in enumerate(row):
            series.add(frame, bonded, MOMENT * size[:, None] * vectors)
        for name, known in found:
            structures = moment_structures(run, name, rows, field) if known else None
            found[name, known].append(series.average(name, rows, structures))
    for (name, known), estimates in found.items():
        words = f"{name.replace('_', ' ')}, turning {'known' if known else 'unknown'}"
        show(case, words, estimates, truth[name])


def second_rank(parameter):
    """Return the mean of (3 cos^2 - 1)/2 of free moments, 1 - 3 L(xi)/xi."""
    return 1 - 3 * langevin(parameter) / parameter if parameter.all() else 0 * parameter


def susceptibilities(draws, rng):
    """Print static susceptibility and magnetisation time of series at rest and in a swing."""
    tau = 8.0
    for count in (400, 800, 3000):
        rows = autoregressive(rng, draws, count, tau)[:, :, None]
        angles = np.arange(count) / tau
        waves = np.column_stack(
            [np.ones(count)]
            + [f(k * angles) for k in (1, 2, 3) for f in (np.cos, np.sin)]
        )  # fmt: skip
        for name, removed in (("at rest", Removed(0.0, 0)), ("in a swing", Removed(1 / tau, 3))):
            left = rows
            if removed.waves:
                left = [row - waves @ np.linalg.lstsq(waves, row)[0] for row in rows]
            case = f"{count / tau:.0f} memories, {name}"
            static = [static_susceptibility(row, 1.0, removed) for row in left]
            show(case, "static susceptibility", static, 1.0)
            times = [fluctuation_spectrum(row, 1.0, 1.0, None, removed).time for row in left]
            show(case, "magnetisation time", times, tau)


def lives(draws, rng):
    """Print lives of bonds of pairs that part and rejoin as a telegraph."""
    for ratio in (0.3, 1.0, 3.0, 10.0):
        for step in (0.1, 0.3, 1.0):
            times = step * np.arange(100)
            found = []
            for _ in range(draws):
                bonds, count = rejoining_bonds(rng, 200, 1.0, ratio, times)
                found.append(sharp(rejoining_life(bonds, times, count)))
            show(f"rejoining {ratio:g} times a life, frames at {step:g}", "life of a bond", found,
                 1.0)  # fmt: skip


def decays(draws, rng):
    """Print 1/e times of falls with a known and an unknown end, and the bounds where none is."""
    for end, floor, remembered in (
        (8.0, 0.0, 0.5), (8.0, 0.0, 3.0), (8.0, None, 0.5), (8.0, None, 3.0), (3.0, None, 0.5),
        (2.0, None, 0.5), (0.5, 0.0, 3.0), (0.5, None, 0.5), (4000.0, 0.0, 0.5),
    ):  # fmt: skip
        times = np.linspace(0, end, 200)
        law = (0.0 if floor == 0.0 else 2.0) + 0.8 * np.exp(-times)
        noise = 0.02 * autoregressive(rng, draws, 200, remembered)
        found = [decay(times, law + row, floor) for row in noise]
        known = "known" if floor == 0.0 else "unknown"
        case = f"{end:g} decay times, end {known}, noise remembers {remembered:g} frames"
        show(case, "decay time", [one.time for one in found], 1.0)
        limits = [one.limits for one in found if one.time.value is None]
        told = [b for b in limits if b.longer_than is not None or b.shorter_than is not None]
        if len(told) > 0.1 * draws:
            hold = [(b.longer_than or 0.0) <= 1.0 <= (b.shorter_than or math.inf) for b in told]
            share = f"{100 * len(told) / draws:.0f} %"
            print(f"| {case} | bound of the decay time | - | {100 * np.mean(hold):.0f} % | - |"
                  f" {share} |", flush=True)  # fmt: skip


def pictures(draws, rng):
    """Print how many pictures of noise yield a spacing, and spacings of waves behind it."""

    def spacing(brightness):
        found = measure_picture(Picture(brightness, 1.0, (0, 0), 1, "made")).numbers["spacing_m"]
        value, error = found["value"], found["error"]
        ends = {ONE_SIGMA: 1.0, 0.95: 1.96}
        return SimpleNamespace(
            value=value,
            error=error,
            interval=lambda level: (value - ends[level] * error, value + ends[level] * error),
        )

    for blur in (0.0, 1.0, 2.0, 3.0):
        found = [spacing(blurred_noise(rng, blur)) for _ in range(draws)]
        share = 100 * np.mean([one.value is not None for one in found])
        print(f"| noise behind a blur of {blur:g} pixels | spacing of a picture | - | - | - |"
              f" {share:.0f} % |", flush=True)  # fmt: skip
    for blur, contrast in ((0.0, 0.4), (1.0, 0.6), (2.0, 0.8), (2.0, 1.2)):
        waves = [
            spacing(striped_noise(rng, 11.3, contrast, blur)) for _ in range(max(2, draws // 3))
        ]
        show(f"wave of {contrast:g} of the noise, blur {blur:g}", "spacing of a picture", waves,
             11.3)  # fmt: skip


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=400, help="films a row (400)")
    parser.add_argument("--seed", type=int, default=1, help="of all draws (1)")
    options = parser.parse_args()
    headline()
    print(f"{options.draws} draws a row, of lives an eighth, of pictures 60 (waves 20) at most\n")
    print("| case | estimator | 68 % | 95 % | bias | shown |\n|---|---|---|---|---|---|")
    few = max(2, options.draws // 8)
    for k, (part, draws) in enumerate(
        [(averages, options.draws), (susceptibilities, options.draws), (decays, options.draws),
         (lives, few), (pictures, min(60, options.draws)), (moments_that_turn, options.draws)]
    ):  # fmt: skip
        part(draws, np.random.default_rng([options.seed, k]))


if __name__ == "__main__":
    main()
