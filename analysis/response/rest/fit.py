"""Which rates fit a mean length that a run has shown: all combinations on a grid, each weighed.

Three numbers describe the way to rest (`analysis.response.rest.rates`): the steady rate a at which
single particles meet, the exponent w with which it falls with length, and the length at rest. Of a
and w nothing is known beforehand; of the length at rest what theory of the pair bond says, as a
log-normal law of its excess over one. Combinations are weighed by Bayes' rule, so that early
frames, which know nothing of rest, leave the whole of the prior band, and late ones narrow it down.

Frames are no independent looks: a film that has a chain too many keeps it for a while. Covariances
are those of the number of chains about the best way of the round before, in the linear noise
approximation (N. G. van Kampen, Stochastic Processes in Physics and Chemistry, from memory): with
the rate A(t) of the mean length a deviation of n dies at lambda = A (2 n + 1/K), and each joining
or breaking adds its own, A (n^2 + (1 - n)/K)/N in all. Bonds that flicker from frame to frame add
white noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from analysis.common.arrays import Floats, Integers
from analysis.response.rest.rates import ChainRates, Meetings

FALLS = (0.0, 1.0 / 3.0, 2.0 / 3.0, 1.0)
"""Exponents w that are tried."""

RESTS = 9
"""Lengths at rest for which the equations are solved."""

REFINED = 16
"""Lengths at rest are looked up at so many steps between two that are solved."""

WIDTHS = 3.0
"""Half width of the grid of lengths at rest, in standard deviations of the prior."""

PACES = 61
"""Rates that are tried for each way, over `PACE_SPAN` in ln a about the best."""

PACE_SPAN = 1.5
PACE_STEP = 2.0 * PACE_SPAN / (PACES - 1)

PER_DECADE = 10
"""Frames are averaged over so many equal steps of ln t a decade."""

FEWEST_BINS = 4
COARSE, COARSE_SPAN = 150, 30.0
"""Rates are first sought among so many, over so much in ln a."""

ROUNDING = 1e-8
"""Variance of ln length that stands for what no one counts."""

STEADY_RATE = Meetings(1.0, math.inf)


@dataclass(frozen=True)
class Watched:
    """What a run has shown of a way.

    Attributes
    ----------
    times : (n,) array
        Time in s since the equations hold, rising from 0.
    lengths : (n,) array
        Mean length at each.
    particles : int
        Particles in the chains that are counted.
    first : (C,) array or None
        Particles in each chain at the time 0; None for single particles.
    meetings : Meetings
        How often particles meet; by default at a steady rate.
    before_times, before_lengths : (b,) arrays or None
        Time in s since the way began, rising from 0 to when the equations hold, and mean length at
        each; None where they hold from the beginning.
    """

    times: Floats
    lengths: Floats
    particles: int
    first: Integers | None = None
    meetings: Meetings = STEADY_RATE
    before_times: Floats | None = None
    before_lengths: Floats | None = None

    @property
    def start(self) -> float:
        """Mean length at the time 0."""
        return 1.0 if self.first is None else float(self.first.mean())


@dataclass(frozen=True)
class Expected:
    """What is known of the length at rest: median, and standard deviation of ln(length - 1)."""

    length: float
    spread: float


@dataclass(frozen=True)
class _Bins:
    """Frames averaged over equal steps of ln t: ln length, and the variance of its flicker."""

    times: Floats
    logs: Floats
    flicker: Floats


def _steps(log_times: Floats) -> Integers:
    """Return the number of the equal step of ln t of each time."""
    steps = (log_times - log_times[0]) * PER_DECADE / math.log(10.0)
    return np.asarray(np.floor(steps + 1e-9), dtype=np.int64)


def time_bins(times: Floats) -> int:
    """Return in how many equal steps of ln t some rising times above 0 lie."""
    return len(np.unique(_steps(np.log(times)))) if len(times) else 0


def _binned(watched: Watched) -> _Bins:
    """Average frames after the first over equal steps of ln t."""
    late = watched.times > 0.0
    times, logs = np.log(watched.times[late]), np.log(watched.lengths[late])
    bins = _steps(times)
    many = np.bincount(bins)
    kept = many > 0
    # Neighbouring frames differ by flicker and by little else.
    steps = np.diff(logs)
    own = 0.5 * float(np.median(steps**2)) / 0.4549 if len(steps) else 0.0
    mean = [np.bincount(bins, column)[kept] / many[kept] for column in (times, logs)]
    return _Bins(np.exp(mean[0]), mean[1], own / many[kept])


@dataclass(frozen=True)
class Ways:
    """Solutions for one start: mean length by exponent, length at rest and scaled time.

    Attributes
    ----------
    constants : (R,) array
        ln K, rising.
    times : (T,) array
        ln of a t, rising.
    lengths : (W, R, T) array
        ln of the mean length.
    """

    constants: Floats
    times: Floats
    lengths: Floats

    def at(self, fall: int, rest: int, scaled: Floats) -> Floats:
        """Return ln length of one solution at scaled times ln(a t)."""
        return np.asarray(np.interp(scaled, self.times, self.lengths[fall, rest]))


@lru_cache(maxsize=32)
def _of_singles(expected: Expected) -> Ways:
    """Solve from single particles: alike for all films of one expected length."""
    return _solved(expected, None)


def _solved(expected: Expected, first: Integers | None) -> Ways:
    """Solve at `RESTS` lengths at rest and look the others up between them."""
    excess = math.log(expected.length - 1.0) + expected.spread * np.linspace(-WIDTHS, WIDTHS, RESTS)
    rests = 1.0 + np.exp(excess)
    start = 1.0 if first is None else float(first.mean())
    longest = max(float(rests[-1]), start)
    slowest = 2.0 / longest + 1.0 / (longest * (longest - 1.0))
    end = 15.0 * longest ** FALLS[-1] / slowest
    scaled = np.concatenate([[0.0], np.geomspace(1e-4, end, 240)])
    solved = np.empty((len(FALLS), RESTS, len(scaled) - 1))
    for row, fall in enumerate(FALLS):
        rates = ChainRates.of(longest, fall)
        shares = None if first is None else rates.shares(first)
        for column, rest in enumerate(rests):
            way = rates.mean_length(float(rest * (rest - 1.0)), scaled, shares)
            solved[row, column] = np.log(way[1:])
    from scipy.interpolate import CubicSpline

    fine = np.linspace(excess[0], excess[-1], (RESTS - 1) * REFINED + 1)
    looked_up = CubicSpline(excess, solved, axis=1)(fine)
    lengths = 1.0 + np.exp(fine)
    return Ways(np.log(lengths * (lengths - 1.0)), np.log(scaled[1:]), looked_up)


def _mean_fall(fall: float, lengths: Floats) -> Floats:
    """Return the mean of s^-w over geometric lengths s of given means."""
    if fall == 0.0:
        return np.ones_like(lengths)
    stay = 1.0 - 1.0 / np.maximum(lengths, 1.0 + 1e-9)
    counted = np.arange(1, math.ceil(15.0 * float(lengths.max())) + 1, dtype=np.float64)
    weights = stay[:, None] ** (counted - 1.0)
    return np.asarray(weights @ counted**-fall / weights.sum(axis=1))


def _covariance(
    bins: _Bins, ways: Ways, place: tuple[Any, ...], log_pace: float, watched: Watched
) -> Floats:
    """Return the covariance of ln length at the bins about the way at a place of the grid."""
    fall, rest = int(place[0]), int(place[1])
    pace, constant = np.array(math.exp(log_pace)), math.exp(float(ways.constants[rest]))
    early = bins.times[0] * np.geomspace(1e-2, 0.9, 20)
    between = np.geomspace(bins.times[0], bins.times[-1], 200)
    times = np.unique(np.concatenate([early, between, bins.times]))
    meetings = watched.meetings
    lengths = np.exp(ways.at(fall, rest, np.log(meetings.by(times, pace))))
    chains = 1.0 / lengths
    effective = meetings.rate(times, pace) * _mean_fall(FALLS[fall], lengths)
    dying = effective * (2.0 * chains + 1.0 / constant)
    events = effective * (chains**2 + (1.0 - chains) / constant) / watched.particles
    steps = np.diff(np.concatenate([[0.0], times]))
    passed = dying * steps
    kept = np.exp(-2.0 * passed)
    added = events * steps * np.where(passed > 1e-9, -np.expm1(-2.0 * passed), 0.0)
    added = np.where(passed > 1e-9, added / np.maximum(2.0 * passed, 1e-300), events * steps)
    variance = np.empty_like(times)
    now = 0.0
    for k in range(len(times)):
        now = now * kept[k] + added[k]
        variance[k] = now
    here = np.searchsorted(times, bins.times)
    gone = np.cumsum(passed)[here]
    order = np.minimum(np.arange(len(here))[:, None], np.arange(len(here)))
    table = variance[here][order] * np.exp(-np.abs(gone[:, None] - gone))
    table *= np.outer(lengths[here], lengths[here])
    return np.asarray(table + np.diag(bins.flicker + ROUNDING))


@dataclass(frozen=True)
class _Weighed:
    """All combinations: how well each fits, with its rate.

    Attributes
    ----------
    misfit : (W, R, P) array
        Half the sum of squares, whitened.
    paces : (W, R, P) array
        ln a.
    """

    misfit: Floats
    paces: Floats


def _weighed(
    ways: Ways, bins: _Bins, covariance: Floats, paces: Floats, meetings: Meetings
) -> _Weighed:
    """Weigh all combinations; ``paces`` is (P,), or (W, R, P) about the best of each way."""
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    logs = whiten @ bins.logs
    falls, rests, _ = ways.lengths.shape
    paces = np.broadcast_to(paces, (falls, rests, paces.shape[-1]))
    misfit = np.empty(paces.shape)
    for fall in range(falls):
        for rest in range(rests):
            steady = np.exp(paces[fall, rest])[:, None]
            model = ways.at(fall, rest, np.log(meetings.by(bins.times, steady)))
            misfit[fall, rest] = 0.5 * np.sum((model @ whiten.T - logs) ** 2, axis=1)
    return _Weighed(misfit, paces)


@dataclass(frozen=True)
class Fit:
    """Combinations of exponent, length at rest and rate, and how likely each is.

    Attributes
    ----------
    ways : Ways
        Solutions by exponent and length at rest.
    paces : (W, R, P) array
        ln a.
    weights : (W, R, P) array
        Adding up to 1.
    """

    ways: Ways
    paces: Floats
    weights: Floats


def fitted(watched: Watched, expected: Expected) -> Fit:
    """Weigh all combinations.

    Parameters
    ----------
    watched : Watched
        What the run has shown, at least `FEWEST_BINS` equal steps of ln t of it.
    expected : Expected
        What is known of the length at rest beforehand.

    Returns
    -------
    Fit
        Two rounds find the way about which the film scatters as the last one assumes.
    """
    first = watched.first
    ways = _of_singles(expected) if first is None else _solved(expected, first)
    prior = 0.5 * np.linspace(-WIDTHS, WIDTHS, ways.lengths.shape[1])[:, None] ** 2
    bins = _binned(watched)
    share = np.exp(bins.logs) / (2.0 * watched.particles)
    covariance = np.diag(share + bins.flicker + ROUNDING)
    high = ways.times[-1] - math.log(bins.times[0])
    paces = np.linspace(high - COARSE_SPAN, high, COARSE)
    for _ in range(2):
        found = _weighed(ways, bins, covariance, paces, watched.meetings)
        place = np.unravel_index(int(np.argmin(found.misfit + prior)), found.misfit.shape)
        covariance = _covariance(bins, ways, place, float(found.paces[place]), watched)
    found = _weighed(ways, bins, covariance, paces, watched.meetings)
    centre = np.take_along_axis(found.paces, found.misfit.argmin(axis=2)[:, :, None], axis=2)
    about = centre + np.linspace(-PACE_SPAN, PACE_SPAN, PACES)
    found = _weighed(ways, bins, covariance, about, watched.meetings)
    loss = found.misfit + prior
    weights = np.exp(loss.min() - loss)
    return Fit(ways, found.paces, weights / weights.sum())
