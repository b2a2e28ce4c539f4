"""How often intervals of averages, susceptibilities, lives and decays hold a truth put in.

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

from analysis.chains.lives import rejoining_life, sharp
from analysis.common.averages.student import ONE_SIGMA
from analysis.micrograph.measure import measure_picture
from analysis.micrograph.picture import Picture
from analysis.response.decay import decay
from analysis.response.susceptibility import Removed, fluctuation_spectrum, static_susceptibility
from analysis.uncertainty.estimate import estimate
from tests.benchmarks.coverage import autoregressive
from tests.benchmarks.machine import headline
from tests.reference.planted_pictures import blurred_noise, striped_noise
from tests.reference.planted_times import films_in_parts, rejoining_bonds


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
         (lives, few), (pictures, min(60, options.draws))]
    ):  # fmt: skip
        part(draws, np.random.default_rng([options.seed, k]))


if __name__ == "__main__":
    main()
