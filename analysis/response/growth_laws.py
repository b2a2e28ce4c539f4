"""Growth of a mean length as one power of time, or as two with a crossover between them.

Two laws of two powers are fitted to ln length against ln t: lines that meet at a time (broken) and
lines that pass into each other over ``WIDTH`` in ln t (smooth); that of the smaller residuals is
taken. Equal steps of ln t weigh alike. It replaces the single power only where the Bayesian
information criterion (G. Schwarz, Ann. Statist. 6, 461 (1978)) gains more than ``STRONG``: the
squared difference of the exponents over its variance, less 2 ln n for two more parameters and n
independent frames. Two powers are two stages of growth: chains from single particles first, chains
from chains later.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.averages.memory import memory
from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.uncertainty.estimate import NOTHING, Estimate
from analysis.uncertainty.least_squares import covariance, residual_memory

WIDTH = 0.5
"""Half width of a smooth crossover in ln t."""

STRONG = 10.0
"""So great a gain is very strong evidence: R. E. Kass and A. E. Raftery, J. Amer. Statist. Assoc.
90, 773 (1995) (from memory)."""

FEWEST_POINTS = 12

MOST_FRAMES = 400
"""Up to so many frames the noise that a fit follows is put back; of more it is a small part."""

SIDE = math.log(2.0)
"""A crossover lies at least a factor of two in time from either end."""


@dataclass(frozen=True)
class Crossover:
    """Two powers of time: which law, early and late exponent, crossover time in s."""

    law: str
    early: Estimate
    late: Estimate
    time: Estimate


SINGLE = Crossover("single", NOTHING, NOTHING, NOTHING)


def crossover(times: Floats, lengths: Floats, weights: Floats, scatter: float = 0.0) -> Crossover:
    """Return the two powers of a growth curve, or that a single one serves.

    Parameters
    ----------
    times, lengths : (n,) arrays
        Time since switch-on in s, rising, and mean length.
    weights : (n,) array
        Weight of each frame, such that equal steps of ln t weigh alike.
    scatter : float
        Standard error of ln length from the scatter between the chains of a frame, which all
        frames share and the residuals do not show.

    Returns
    -------
    Crossover
        ``law`` is "single", "broken" or "smooth"; exponents and time only for the last two.
    """
    x, y = np.log(times), np.log(lengths)
    if len(x) < FEWEST_POINTS or not x[-1] - x[0] > 2 * SIDE:
        return SINGLE
    fits = [(name, _Kinked.of(x, y, weights, width)) for name, width in LAWS]
    law, best = min(fits, key=lambda one: one[1].square)
    gain = best.gain()
    return Crossover(law, *best.numbers(scatter)) if gain > STRONG else SINGLE


LAWS = (("broken", 0.0), ("smooth", WIDTH))


def _bent(log_time: Floats, middle: float, width: float) -> Floats:
    """Return what turns from 0 before the middle to ln t - middle after it."""
    away = log_time - middle
    if width == 0.0:
        return np.maximum(away, 0.0)
    return np.asarray(width * np.logaddexp(0.0, away / width))


@dataclass(frozen=True)
class _Kinked:
    """A fit of y = a + early x + (late - early) bent(x; middle), with its covariance."""

    log_time: Floats
    best: Floats
    middle: float
    square: float
    spread: Floats
    independent: float

    @classmethod
    def of(cls, x: Floats, y: Floats, weights: Floats, width: float) -> _Kinked:
        """Fit by trying middles all along the curve but for its ends."""
        root = np.sqrt(weights)

        def at(middle: float) -> tuple[float, float, Floats, Floats]:
            table = np.column_stack([np.ones(len(x)), x, _bent(x, middle, width)])
            best = np.linalg.lstsq(table * root[:, None], y * root)[0]
            left = y - table @ best
            return float(left @ (weights * left)), middle, best, left

        coarse = np.linspace(x[0] + SIDE, x[-1] - SIDE, 61)
        around = min((at(middle) for middle in coarse), key=lambda one: one[0])[1]
        reach = coarse[1] - coarse[0]
        fine = np.clip(around + np.linspace(-reach, reach, 41), coarse[0], coarse[-1])
        square, middle, best, left = min((at(m) for m in fine), key=lambda one: one[0])
        step = 1e-3
        moved = (_bent(x, middle + step, width) - _bent(x, middle - step, width)) / (2 * step)
        table = np.column_stack([np.ones(len(x)), x, _bent(x, middle, width), best[2] * moved])
        tau = memory(left).time
        # A kink so weak that its place is free has no covariance.
        flat = np.linalg.matrix_rank(table) < table.shape[1]
        spread = np.full((4, 4), np.inf)
        if not flat:
            own = 1.0
            if len(x) <= MOST_FRAMES:
                slow, variance = residual_memory(table, left, weights)
                if slow > tau:
                    tau, plain = slow, float(left @ left) / max(1.0, len(x) - 4 * 2 * slow)
                    own = max(1.0, variance / plain)
            spread = own * covariance(table, left, tau, weights)
        return cls(x, best, middle, square, spread, len(x) / (2 * tau))

    def gain(self) -> float:
        """Return how much the information criterion gains over a single power."""
        variance = float(self.spread[2, 2])
        if not (0.0 < variance < math.inf):
            return -math.inf
        return float(self.best[2]) ** 2 / variance - 2 * math.log(max(1.0, self.independent))

    def numbers(self, scatter: float) -> tuple[Estimate, Estimate, Estimate]:
        """Return early and late exponent and the crossover time, with errors."""
        x, spread = self.log_time, self.spread
        variances = (
            spread[1, 1], spread[1, 1] + spread[2, 2] + 2 * spread[1, 2], spread[3, 3],
        )  # fmt: skip
        # What the scatter between chains makes of a slope: that of its two ends.
        spans = (self.middle - x[0], x[-1] - self.middle, math.inf)
        freedom = max(1.0, self.independent - 4)
        wide = student_factor(ONE_SIGMA, freedom)
        errors = [
            math.hypot(wide * math.sqrt(max(variance, 0.0)), math.sqrt(2.0) * scatter / span)
            for variance, span in zip(variances, spans, strict=True)
        ]
        time = math.exp(self.middle)
        values = (float(self.best[1]), float(self.best[1] + self.best[2]), time)
        errors[2] *= time
        early, late, middle = (
            Estimate(value, error, max(1, int(self.independent)), freedom)
            for value, error in zip(values, errors, strict=True)
        )
        return early, late, middle
