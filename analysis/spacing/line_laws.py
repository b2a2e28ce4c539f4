"""The two laws of a line on a background, fitted to modes of speckle by their likelihood."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FARTHEST = 1.25
"""The line may lie this factor off the top."""

NARROWEST = 0.25
"""Smallest half width in grid steps that is fitted."""

BROADEST = 0.38
"""Largest half width in peak places that is fitted; broader ones do not come down between
orders."""


@dataclass(frozen=True)
class LineFit:
    """One law fitted: parameters of ``shape``, their errors, place of the top, -ln likelihood."""

    p: Floats
    errors: Floats
    skewed: bool
    top: float
    top_error: float
    cost: float


def fit_law(q: Floats, s: Floats, dq: float, skewed: bool, structures: float) -> LineFit | None:
    """Fit one law to modes in units of the guess and of their mean."""
    from scipy.optimize import least_squares

    def residual(p: Floats) -> Floats:
        ratio = s / shape(p, q, skewed)
        return np.asarray(
            np.sign(ratio - 1) * np.sqrt(2 * np.maximum(ratio - 1 - np.log(ratio), 0))
        )

    def slope(p: Floats) -> Floats:
        away = s / shape(p, q, skewed) - 1
        size = np.divide(away, residual(p), out=np.ones_like(away), where=np.abs(away) > 1e-6)
        return np.asarray(-size[:, None] * _log_slopes(p, q, skewed).T)

    low = [-12.0, 1 / FARTHEST, math.log(NARROWEST * dq), -12.0, -8.0]
    high = [12.0, FARTHEST, math.log(max(BROADEST, 2 * NARROWEST * dq)), 6.0, 8.0]
    level, peak = math.log(float(np.median(s))), math.log(float(np.max(s)))
    starts = [np.clip([peak, 1.0, math.log(w), level, 0.0], low, high) for w in (0.5 * dq, 0.15)]
    fits = [
        least_squares(residual, start, jac=slope, bounds=(low, high), max_nfev=60, ftol=1e-6)
        for start in starts
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    p = np.asarray(best.x)
    covariance = _covariance(p, q, skewed, best.cost, structures)
    top = _top(p, skewed)
    if covariance is None or not abs(math.log(top)) < 0.99 * math.log(FARTHEST):
        return None
    errors = np.sqrt(np.diag(covariance))
    if not errors[0] < 1.0:
        return None
    steps = np.diag(1e-4 * np.array([1.0, math.exp(p[2]), 1.0, 1.0, 1.0]))
    along = np.array([(_top(p + d, skewed) - _top(p - d, skewed)) / (2 * d.sum()) for d in steps])
    variance = float(along @ covariance @ along)
    if not math.isfinite(variance):
        return None
    return LineFit(p, errors, skewed, top, math.sqrt(variance), structures * float(best.cost))


def shape(p: Floats, q: Floats, skewed: bool) -> Floats:
    """Return the line: log height, position, log half width, log background, slope of both."""
    if skewed:
        angle = 2 * math.pi * np.exp(p[2]) / p[1]
        chord = 4 * math.sin(0.5 * min(angle, math.pi)) ** 2
        order = 1 + 0.5 * chord - math.sqrt(chord + 0.25 * chord**2)
        h = order ** ((q / p[1]) ** 2)
        comb = (1 - h**2) / (1 - 2 * h * np.cos(2 * math.pi * q / p[1]) + h**2)
        line = np.exp(p[0]) * comb * (1 - order) / (1 + order)
    else:
        line = np.exp(p[0]) / (1 + ((q - p[1]) * np.exp(-p[2])) ** 2)
    return np.asarray((line + np.exp(p[3])) * np.exp(p[4] * (q - 1)))


def _log_slopes(p: Floats, q: Floats, skewed: bool) -> Floats:
    """Return the derivatives of ln S by the parameters, (5, n), by differences."""
    step = 1e-5
    step_of = [step, step * math.exp(p[2]), step, step, step]
    moves = np.diag(step_of)
    return np.array(
        [
            (np.log(shape(p + move, q, skewed)) - np.log(shape(p - move, q, skewed))) / (2 * own)
            for move, own in zip(moves, step_of, strict=True)
        ]
    )


def _top(p: Floats, skewed: bool) -> float:
    """Return where the whole curve is highest near its line, NaN where it is not."""
    place, width = float(p[1]), math.exp(p[2])
    for reach in (2.0, 0.1):
        # A second pass about the top makes the place smooth in the parameters.
        q = place + reach * width * np.linspace(-1, 1, 81)
        s = np.log(shape(p, q, skewed))
        k = int(s.argmax())
        if k in (0, len(q) - 1):
            return math.nan
        bend = s[k - 1] - 2 * s[k] + s[k + 1]
        move = 0.5 * (s[k - 1] - s[k + 1]) / bend if bend < 0 else 0.0
        place = float(q[k] + move * (q[1] - q[0]))
    return place


def _covariance(
    p: Floats, q: Floats, skewed: bool, cost: float, structures: float
) -> Floats | None:
    """Return the covariance of the parameters, (5, 5), None where the modes do not fix them."""
    from scipy.special import digamma

    slopes = _log_slopes(p, q, skewed)
    information = structures * slopes @ slopes.T
    # A background that does not slope, or is not there, is held; so is an unresolved width.
    information += np.diag([0.0, 0.0, 1e-3, 1e-3, 1e-3])
    if not np.isfinite(information).all() or np.linalg.cond(information) > 1e13:
        return None
    expected = 2 * (math.log(structures) - float(digamma(structures)))
    excess = max(1.0, 2 * cost / max(1, len(q) - len(p)) / expected)
    return np.asarray(np.linalg.inv(information) * excess)
