"""How a quantity falls after switch-off: 1/e time and stretched exponential, with errors."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.averages.memory import memory
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.response.decay_bounds import LEFT, NO_BOUNDS, Bounds, bounds, noise_of
from analysis.uncertainty.estimate import NOTHING, Estimate
from analysis.uncertainty.least_squares import covariance

FEWEST_ON_THE_FALL = 8
"""A stretched exponential needs so many frames within three 1/e times."""

NEAR = (0.2, 0.6)
"""The 1/e time is read off the frames whose share of the fall lies in this range."""

WIDEST = 0.5
"""A time is withheld if its error is a larger share of it than this."""


@dataclass(frozen=True)
class Decay:
    """How a quantity falls after switch-off: 1/e time, stretched-exponential time and exponent.

    Where no time can be given, ``reason`` says why, and ``limits`` what is known all the same.
    """

    time: Estimate
    stretched_time: Estimate
    stretch: Estimate
    reason: str | None
    limits: Bounds = NO_BOUNDS

    @classmethod
    def withheld(cls, reason: str, limits: Bounds = NO_BOUNDS) -> Decay:
        """Return a decay without numbers."""
        return cls(NOTHING, NOTHING, NOTHING, reason, limits)


def decay(
    times: Floats,
    values: Floats,
    floor: float | None = None,
    unsure: float = 0.0,
    within: float | None = None,
) -> Decay:
    """Return the decay of a series from its first value to its final one.

    Parameters
    ----------
    times : (n,) array
        Times in s; the field goes off at the first.
    values : (n,) array
        The quantity.
    floor : float, optional
        Final value where it is known (0 for a magnetisation); else it is fitted, if the last
        quarter has come to rest.
    unsure : float
        Standard error of the time of switch-off in s.
    within : float, optional
        Standard error of a frame from the scatter inside it, where too few frames tell their noise.

    Returns
    -------
    Decay
        A stretched exponential A exp(-(t/tau)^beta) + floor where ``FEWEST_ON_THE_FALL`` frames
        and more lie on the fall, and the 1/e time of the data near that point; without the law the
        first crossing of 1/e. Without either, bounds as far as the frames tell them.
    """
    good = np.isfinite(values)
    t, y = times[good] - times[0] if len(times) else times, values[good]
    if len(t) < 6:
        noise = (math.inf, 1.0) if within is None else (within, math.inf)
        limits = bounds(t, y, floor, noise, unsure) if len(t) > 1 else NO_BOUNDS
        return Decay.withheld("fewer than 6 frames lie after switch-off", limits)
    last = max(3, len(y) // 4)
    tail = y[-last:]
    plain = float(tail.std(ddof=1))
    end = float(tail.mean()) if floor is None else floor
    drop = float(y[0]) - end
    if abs(drop) < 4 * plain or drop == 0:
        # Whether a film that has hardly changed is at rest or slow no frame tells, unless its
        # final value is known.
        limits = NO_BOUNDS
        if floor is not None:
            limits = bounds(t, y, floor, noise_of(t[-last:], tail), unsure)
        return Decay.withheld("the change after switch-off is within its noise", limits)
    pace = float(np.polyfit(t[-last:], tail, 1)[0])
    if floor is None and abs(pace) * (t[-1] - t[0]) > 0.5 * abs(drop):
        limits = bounds(t, y, None, noise_of(t[-last:], tail), unsure)
        return Decay.withheld("it had not come to rest at the end of the run", limits)
    return _timed(t, y, (drop, end, plain), floor is not None, unsure)


def _timed(
    t: Floats, y: Floats, fall: tuple[float, float, float], known: bool, unsure: float
) -> Decay:
    """Return the decay of a series whose depth, final value and noise are known."""
    drop, end, plain = fall
    last = max(3, len(y) // 4)
    limits = bounds(t, y, end, noise_of(t[-last:], y[-last:]), unsure)
    share = (y - end) / drop
    crossing = _crossing(t, share, abs(plain / drop))
    if crossing.value is None or crossing.error is None:
        return Decay.withheld("it had not fallen to 1/e by the end of the run", limits)
    if share[1] < LEFT:
        return Decay.withheld("it fell to 1/e before the first frame after switch-off", limits)
    fit = _Stretched.of(t, y, drop, end, crossing.value, known)
    life = NOTHING if fit is None else fit.life(unsure)
    if fit is not None and life.value is not None and (life.error or 0.0) <= WIDEST * life.value:
        return Decay(life, fit.time(unsure), fit.stretch(), None)
    if not known and (t < 3 * crossing.value).sum() >= FEWEST_ON_THE_FALL:
        # The mean of the last frames is no final value then, and a crossing read with it is too
        # early: 57 instead of 150 where a third of the fall is still to come.
        limits = bounds(t, y, None, noise_of(t[-last:], y[-last:]), unsure)
        return Decay.withheld("the frames leave open to which value it falls", limits)
    error = math.hypot(crossing.error, unsure)
    if error > WIDEST * crossing.value:
        return Decay.withheld("noise or sparse frames hide when it falls to 1/e", limits)
    return Decay(Estimate(crossing.value, error, len(t)), NOTHING, NOTHING, None)


def _crossing(times: Floats, share: Floats, noise: float) -> Estimate:
    """Return when a share first falls under 1/e, by the line between the two frames."""
    below = np.flatnonzero(share < LEFT)
    if len(below) == 0 or below[0] == 0:
        return NOTHING
    k = int(below[0])
    step = float(times[k] - times[k - 1])
    slope = float(share[k - 1] - share[k]) / step
    life = float(times[k - 1]) + float(share[k - 1] - LEFT) / slope
    # Where noise makes the crossing, the fall is gentler than the step that crossed.
    slope = min(slope, (1.0 - LEFT) / max(life, step))
    # The noise of the first frame sets the level; a line between frames is off by its curvature.
    error = math.hypot(noise * math.hypot(1.0, LEFT) / slope, step / math.sqrt(12.0))
    return Estimate(life, error, len(times))


@dataclass(frozen=True)
class _Stretched:
    """A fitted law A exp(-(t/tau)^beta) + floor: ln tau, beta, A (and floor), with covariance."""

    times: Floats
    left: Floats
    best: Floats
    spread: Floats
    remembered: float
    freedom: float

    @classmethod
    def of(
        cls, times: Floats, values: Floats, drop: float, end: float, life: float, known: bool
    ) -> _Stretched | None:
        """Fit by least squares; None where the fall is seen too coarsely or no law fits."""
        if (times < 3 * life).sum() < FEWEST_ON_THE_FALL:
            return None
        from scipy.optimize import least_squares

        def residuals(p: Floats) -> Floats:
            return values - _law(times, p, end if known else p[3])

        low = [math.log(life) - 7.0, 0.1, -np.inf, -np.inf]
        high = [math.log(life) + 7.0, 3.0, np.inf, np.inf]
        first = [math.log(life), 1.0, drop, end]
        count = 3 if known else 4
        found = least_squares(
            residuals, first[:count], bounds=(low[:count], high[:count]),
            x_scale=[1.0, 1.0, abs(drop), abs(drop)][:count],
        )  # fmt: skip
        at_bound = bool(found.active_mask.any())
        if not found.success or at_bound or np.linalg.matrix_rank(found.jac) < count:
            return None
        left = np.asarray(found.fun)
        known_memory = memory(left)
        freedom = min(
            len(times) / (2 * known_memory.time) - count, known_memory.freedom(len(times))
        )
        spread = covariance(found.jac, left, known_memory.time)
        return cls(times, left, found.x, spread, known_memory.time, max(1.0, freedom))

    def _estimate(self, value: float, error: float) -> Estimate:
        """Return a number with its error widened by Student's factor."""
        wide = error * student_factor(ONE_SIGMA, self.freedom)
        samples = max(1, int(len(self.times) / (2 * self.remembered)))
        return Estimate(value, wide, samples, self.freedom)

    def time(self, unsure: float) -> Estimate:
        """Return tau in s."""
        tau = math.exp(self.best[0])
        return self._estimate(tau, math.hypot(tau * math.sqrt(self.spread[0, 0]), unsure))

    def stretch(self) -> Estimate:
        """Return beta."""
        return self._estimate(float(self.best[1]), math.sqrt(self.spread[1, 1]))

    def life(self, unsure: float) -> Estimate:
        """Return the 1/e time: that of the law, moved by what the frames near it deviate."""
        tau, beta, height = math.exp(self.best[0]), float(self.best[1]), float(self.best[2])
        law = np.exp(-((self.times / tau) ** beta))
        near = (law > NEAR[0]) & (law < NEAR[1])
        slope = height * beta * LEFT / tau
        if not near.any():
            return self.time(unsure)
        shift = float(self.left[near].mean()) / slope
        scatter = float(self.left.std()) * math.sqrt(min(1.0, 2 * self.remembered / near.sum()))
        level = LEFT * math.sqrt(self.spread[2, 2])
        if len(self.best) > 3:
            level = math.hypot(level, (1 - LEFT) * math.sqrt(self.spread[3, 3]))
        error = max(math.hypot(scatter, level) / abs(slope), tau * math.sqrt(self.spread[0, 0]))
        return self._estimate(tau + shift, math.hypot(error, unsure))


def _law(times: Floats, p: Floats, floor: float) -> Floats:
    """Return A exp(-(t/tau)^beta) + floor of p = (ln tau, beta, A)."""
    return np.asarray(p[2] * np.exp(-((times / math.exp(p[0])) ** p[1])) + floor)
