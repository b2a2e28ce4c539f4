"""How often the intervals of measured averages hold the truth, beside their stated rate.

Run from the top of the project:  python -m tests.benchmarks.coverage

Synthetic series have a known mean and a known memory: first-order autoregressive series, and sums
of a fast and a slow one. Blocks of one long run of the engine are compared with the mean of that
run. Replicas are drawn from laws of known mean. A line gives the share of 100 intervals that hold
the truth; a rate from n trials scatters by sqrt(p (1 - p)/n).
"""

import argparse
import math

import numpy as np
from scipy.signal import lfilter

from analysis.common.averages.student import ONE_SIGMA
from analysis.uncertainty.estimate import Estimate, estimate
from analysis.uncertainty.replicas import combine_replicas, replica_interval
from sim.engines.cpu import CpuEngine
from sim.film.placing import random_state
from tests.benchmarks.machine import headline
from tests.reference.small_systems import film

LEVELS = (ONE_SIGMA, 0.95)

# Frames and integrated time; the last of each group is too short and says so.
SINGLE = [(20, 0.5), (50, 0.5), (200, 0.5), (80, 2.0), (200, 2.0), (100, 5.0), (200, 5.0),
          (400, 10.0), (1000, 10.0), (100, 10.0), (100, 25.0)]  # fmt: skip
# Frames, fast and slow integrated time, each with half of the variance.
DOUBLE = [(200, 1.0, 5.0), (400, 1.0, 10.0), (1000, 1.0, 20.0), (400, 1.0, 20.0)]


def autoregressive(rng, trials, count, tau):
    """Return series of mean 0 and variance 1 whose integrated time is exactly tau."""
    keep = (2 * tau - 1) / (2 * tau + 1)
    kicks = rng.standard_normal((trials, count))
    kicks[:, 1:] *= math.sqrt(1 - keep**2)
    return lfilter([1.0], [1.0, -keep], kicks, axis=1)


def two_times(rng, trials, count, fast, slow):
    """Return series of variance 1, half of it of each memory."""
    parts = [autoregressive(rng, trials, count, tau) for tau in (fast, slow)]
    return (parts[0] + parts[1]) / math.sqrt(2.0)


def coverage(estimates, truth):
    """Return the shares of intervals of both levels that hold the truth."""
    ends = np.array([[e.interval(level) for level in LEVELS] for e in estimates])
    return ((ends[:, :, 0] < truth) & (truth < ends[:, :, 1])).mean(axis=0)


def weak_tail(rng, trials, count):
    """Return series of variance 1, of which 5 % remember 10 frames and the rest nothing."""
    fast, slow = (autoregressive(rng, trials, count, tau) for tau in (0.5, 10.0))
    return math.sqrt(0.95) * fast + math.sqrt(0.05) * slow


def show(name, rates, samples):
    """Print one row."""
    print(f"| {name} | {samples:.3g} | {100 * rates[0]:.0f} % | {100 * rates[1]:.0f} % |")


def synthetic(trials):
    """Print the rows of series with a known mean."""
    rng = np.random.default_rng(7)
    for count, tau in SINGLE:
        found = [estimate(s) for s in autoregressive(rng, trials, count, tau)]
        show(f"one time: {count} frames, tau = {tau:g}", coverage(found, 0.0),
             np.median([e.samples for e in found]))  # fmt: skip
    for count, fast, slow in DOUBLE:
        found = [estimate(s) for s in two_times(rng, trials, count, fast, slow)]
        show(f"two times: {count} frames, tau = {fast:g} and {slow:g}", coverage(found, 0.0),
             np.median([e.samples for e in found]))  # fmt: skip
    for count in (100, 400):
        found = [estimate(s) for s in weak_tail(rng, trials, count)]
        show(f"no memory, and 5 % with tau = 10: {count} frames", coverage(found, 0.0),
             np.median([e.samples for e in found]))  # fmt: skip


def long_run(frames):
    """Return series of a chain-forming film of 300 particles at rest: energy and magnetisation."""
    system = film(300, coupling=3.0, langevin=2.0, fraction=0.03, thickness=12.0, cutoff=4.0,
                  dt=2e-4)  # fmt: skip
    engine = CpuEngine(system, random_state(system, 3), 1)
    engine.advance(50_000)
    rows = []
    for _ in range(frames):
        engine.advance(100)
        seen = engine.observe()
        rows.append((seen["dipolar"], seen["magnetisation"][0], seen["steric"]))
    return np.array(rows).T


def blocks_of_a_run(frames):
    """Print the rows of short pieces of one long run against its mean."""
    names = ("dipolar energy", "magnetisation", "steric energy")
    for name, series in zip(names, long_run(frames), strict=True):
        for length in (100, 400):
            pieces = series[: len(series) // length * length].reshape(-1, length)
            # The long mean has an error of its own, under a fifth of that of a piece.
            found = [estimate(piece) for piece in pieces]
            show(f"long run, {name}: {len(pieces)} pieces of {length} frames",
                 coverage(found, series.mean()), np.median([e.samples for e in found]))  # fmt: skip


def replicas(trials):
    """Print the rows of means over replicas, by Student's factor and by bootstrap."""
    rng = np.random.default_rng(8)
    for count in (3, 4, 8, 16):
        for law, draw, truth in (
            ("normal", rng.standard_normal, 0.0),
            ("exponential", rng.standard_exponential, 1.0),
        ):
            values = draw((trials, count))
            found = [combine_replicas([Estimate(v, None, 1) for v in row]) for row in values]
            rates = coverage(found, truth)
            ends = np.array(
                [replica_interval(row, e) for row, e in zip(values, found, strict=True)]
            )
            rates[1] = ((ends[:, 0] < truth) & (truth < ends[:, 1])).mean()
            show(f"{count} replicas, {law} scatter", rates, count)


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--frames", type=int, default=12_000)
    options = parser.parse_args()
    headline()
    print("| series | independent samples, as estimated | 68 % | 95 % |\n|---|---|---|---|")
    synthetic(options.trials)
    replicas(options.trials)
    blocks_of_a_run(options.frames)


if __name__ == "__main__":
    main()
