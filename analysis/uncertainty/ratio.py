"""Ratios of sums over independent members, such as the chains of a frame."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike


def ratio(numerators: ArrayLike, denominators: ArrayLike) -> tuple[float, float]:
    """Return the ratio of two sums over independent members and its standard error.

    Parameters
    ----------
    numerators, denominators : (n,) arrays
        One pair a member (a chain); weights are the denominators.

    Returns
    -------
    (ratio, error)
        NaN where the denominators sum to zero; error NaN for fewer than two members.

    Notes
    -----
    Linearised: var R = n/(n-1) sum (a - R b)^2 / (sum b)^2; Cochran, Sampling Techniques (1977),
    section 2.11 (from memory).
    """
    top = np.asarray(numerators, dtype=np.float64)
    bottom = np.asarray(denominators, dtype=np.float64)
    total = float(bottom.sum())
    if total == 0:
        return math.nan, math.nan
    value = float(top.sum()) / total
    count = len(top)
    if count < 2:
        return value, math.nan
    scatter = float(((top - value * bottom) ** 2).sum()) * count / (count - 1)
    return value, math.sqrt(scatter) / abs(total)
