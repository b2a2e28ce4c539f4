"""A number of one frame with its sums over parts of the film, whose scatter is its error."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.uncertainty.estimate import Estimate, estimate
from analysis.uncertainty.ratio import ratio

Floats = NDArray[np.float64]


class OfParts(NamedTuple):
    """A number of one frame, its error, and numerators and denominators of parts, (parts, 2)."""

    value: float
    error: float
    parts: Floats


def over_parts(value: float, sums: Floats, many: Floats, excess: Floats) -> OfParts:
    """Return a ratio of sums over parts with its error at the film's own number of particles.

    Parameters
    ----------
    value : float
        The ratio of all sums.
    sums, many : (parts,) arrays
        Numerators and denominators.
    excess : (parts,) array
        What each part holds beyond its share of the film; its sum is 0.

    Returns
    -------
    OfParts
        The error is widened by Student's factor; NaN from fewer than two parts.

    Notes
    -----
    A strip holds now more chains, now fewer; the film holds the number that it has. What goes with
    that excess is no error (regression estimator of a ratio; Cochran, Sampling Techniques, 1977,
    chapter 7, from memory).
    """
    square = float(excess @ excess)
    away = sums - value * many
    left = sums - excess * (float(excess @ away) / square if square > 0 else 0.0)
    filled = many > 0
    count = int(filled.sum())
    if count < 2:
        return OfParts(value, math.nan, np.stack([left, many], axis=1))
    free = max(1.0, count - 2.0)
    error = ratio(left[filled], many[filled])[1] * math.sqrt((count - 1) / free)
    return OfParts(value, error * student_factor(ONE_SIGMA, free), np.stack([left, many], axis=1))


def averaged(frames: Sequence[OfParts], structures: float | None) -> Estimate:
    """Return the average over frames of a number with parts; ``structures`` as of `estimate`."""
    found = estimate(
        [one.value for one in frames],
        within=[one.error for one in frames],
        structures=structures,
        parts=[one.parts for one in frames],
    )
    if math.isinf(found.freedom) and found.error is not None:
        # Where the scatter between parts of a frame is the error, it has their freedom.
        return replace(found, freedom=max(1.0, len(frames[0].parts) - 2.0))
    return found
