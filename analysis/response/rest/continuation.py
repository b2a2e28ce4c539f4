"""A mean length continued to rest, with a band: what fits the run, and what the model may miss.

The combinations of `analysis.response.rest.fit` are drawn by their weight, each followed to rest.
Films do not obey the equations to the last: chains fork, and what is left of the way late takes
longer than any exponential. So each draw strays from what the run has shown by a log-normal factor
on the excess of the length over one, which grows with ln t from the last frame on to the standard
deviation `MODEL_ERROR` at ten times its time; never beyond ten times the time of 90 % of the way,
from where on a run has seen rest itself. How often the bands hold is measured in
tests/benchmarks/README.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats
from analysis.response.rest.fit import FALLS, PACE_STEP, Expected, Watched, Ways, fitted
from analysis.response.rest.rates import rest_length

SHARES = (0.5, 0.9)
"""Shares of the way for which the time is told."""

MODEL_ERROR = 0.2
"""Standard deviation of ln(length - 1) by which films stray from the equations."""

STRAYED = 10.0
"""Ratio of times over which they stray so far."""

SETTLED = 10.0
"""Ratio of the times of rest and of 90 % of the way."""

DRAWS = 1000
STEP = FALLS[1] - FALLS[0]
"""An exponent, or a rate, that is tried stands for all that are nearer to it than to the next."""

LEVELS = (0.025, 0.15866, 0.5, 0.84134, 0.975)
"""Ends of the 95 % band, of that of one standard error, and its middle."""

SHOWN = 3.0
"""The way is told up to so many times that of 90 % of it."""

POINTS, FINE = 60, 200
FIRST = 1e-6
"""Time in s from which on the way is told, or that of the first frame."""


@dataclass(frozen=True)
class Continuation:
    """A way to rest, quantiles at `LEVELS` in all.

    Attributes
    ----------
    rest : (5,) array
        Mean length at rest.
    halfway, mostly : (5,) arrays
        Time in s after which half, and 90 %, of the way is made.
    pace : (5,) array
        Rate a at which single particles meet, in 1/s.
    fall : (5,) array
        Exponent w.
    times : (m,) array
        In s since the way began, from the first frame for which the equations hold to rest.
    lengths : (5, m) array
        Mean length at each.
    """

    rest: Floats
    halfway: Floats
    mostly: Floats
    pace: Floats
    fall: Floats
    times: Floats
    lengths: Floats


def continued(
    watched: Watched, expected: Expected, model_error: float = MODEL_ERROR
) -> Continuation:
    """Continue a way to rest.

    Parameters
    ----------
    watched : Watched
        What the run has shown, at least `analysis.response.rest.fit.FEWEST_BINS` equal steps of
        ln t of it.
    expected : Expected
        What is known of the length at rest beforehand.
    model_error : float
        In place of `MODEL_ERROR`.

    Returns
    -------
    Continuation
        Quantiles over all combinations, each with its weight.
    """
    fit = fitted(watched, expected)
    random = np.random.default_rng(1)
    places = np.searchsorted(np.cumsum(fit.weights), (np.arange(DRAWS) + 0.5) / DRAWS)
    places = random.permutation(np.minimum(places, fit.weights.size - 1))
    fall, rest, _ = np.unravel_index(places, fit.weights.shape)
    between = np.random.default_rng(3).uniform(-0.5, 0.5, DRAWS)
    pace = np.exp(fit.paces.ravel()[places] + PACE_STEP * between)
    rests = np.array([rest_length(math.exp(c)) for c in fit.ways.constants])
    made = _ninety(fit.ways, watched.start, rests)[fall, rest]
    slow = SETTLED * watched.meetings.times(made, pace)
    seen = watched.times[watched.times > 0.0]
    last = max(SETTLED * float(np.quantile(slow, LEVELS[-1])), float(seen[-1]))
    fine = np.geomspace(min(float(seen[0]), FIRST), last, FINE)
    meetings = watched.meetings.by(fine, pace[:, None])
    paths = np.array([fit.ways.at(*one) for one in zip(fall, rest, np.log(meetings), strict=True)])
    # The misses of the draws are spread evenly over their law, in an order of their own.
    from scipy.special import ndtri

    miss = model_error * random.permutation(ndtri((np.arange(DRAWS) + 0.5) / DRAWS))
    far = _strayed(np.minimum(fine, slow[:, None]), float(seen[-1]))
    lengths = 1.0 + (np.exp(paths) - 1.0) * np.exp(miss[:, None] * far)
    ends = 1.0 + (rests[rest] - 1.0) * np.exp(miss * _strayed(slow, float(seen[-1])))
    reached, offset = _reached(watched, fine, lengths, ends)
    end = max(SHOWN * float(np.quantile(reached[1], LEVELS[-2])), float(seen[-1]))
    kept = np.geomspace(fine[0], min(end, last), POINTS)

    def of(values: Floats) -> Floats:
        return np.asarray(np.quantile(values, LEVELS, axis=0))

    return Continuation(
        rest=of(ends),
        halfway=of(reached[0]),
        mostly=of(reached[1]),
        pace=of(pace),
        fall=of(np.clip(np.array(FALLS)[fall] + STEP * random.uniform(-0.5, 0.5, DRAWS), 0, 1)),
        times=offset + kept,
        lengths=np.array([np.interp(np.log(kept), np.log(fine), row) for row in of(lengths)]),
    )


def _strayed(times: Floats, seen: float) -> Floats:
    """Return the share of the model error at times in s: none where a run has seen them."""
    return np.asarray(np.clip(np.log(times / seen) / math.log(STRAYED), 0.0, 1.0))


def _ninety(ways: Ways, start: float, rests: Floats) -> Floats:
    """Return the meetings in which 90 % of each way is made, (W, R)."""
    table = np.empty(ways.lengths.shape[:2])
    for fall, rest in np.ndindex(*table.shape):
        made = (np.exp(ways.lengths[fall, rest]) - start) / (rests[rest] - start)
        table[fall, rest] = np.interp(SHARES[1], np.maximum.accumulate(made), ways.times)
    return np.exp(table)


def _reached(
    watched: Watched, times: Floats, lengths: Floats, ends: Floats
) -> tuple[Floats, float]:
    """Return the times at which ways first pass `SHARES`, (2, D), and when the equations began.

    What lies before that is as the run has shown it, to within the scatter of its chains, at the
    beginning and later each, and a step from frame to frame.
    """
    offset, early, random = 0.0, np.zeros(1), np.random.default_rng(2)
    shown = np.full((len(lengths), 1), watched.start)
    step = 0.0
    if watched.before_times is not None and watched.before_lengths is not None:
        early, offset = watched.before_times, float(watched.before_times[-1])
        scatter = math.sqrt(float(watched.before_lengths[0]) / (2.0 * watched.particles))
        factors = np.exp(scatter * random.standard_normal((len(lengths), 2)))
        shown = 1.0 + (watched.before_lengths - 1.0) * factors[:, [0] + [1] * (len(early) - 1)]
        step = float(np.diff(early).max(initial=0.0))
    grid = np.concatenate([early, offset + times])
    made = (np.hstack([shown, lengths]) - shown[:, :1]) / (ends[:, None] - shown[:, :1])
    found = np.empty((len(SHARES), len(made)))
    for row, share in enumerate(SHARES):
        after = np.clip(np.argmax(made >= share, axis=1), 1, len(grid) - 1)
        each = np.arange(len(made))
        low, high = made[each, after - 1], made[each, after]
        part = np.clip((share - low) / np.where(high > low, high - low, np.inf), 0.0, 1.0)
        found[row] = grid[after - 1] + part * (grid[after] - grid[after - 1])
        own = found[row] <= offset
        found[row] += own * step * (random.random(len(made)) - 0.5)
    return np.maximum(found, 0.0), offset
