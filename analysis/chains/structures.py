"""How many independent structures a run has shown, by how long its bonds last."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats


def bond_survival(bonds: list[NDArray[np.int64]], times: Floats, count: int) -> float | None:
    """Return the time in s in which bonds are forgotten, from the averaged frames.

    Parameters
    ----------
    bonds : list of (B, 2) arrays
        Bonded pairs i < j of each frame.
    times : (frames,) array
        Times in s.
    count : int
        Number of particles.

    Returns
    -------
    float or None
        -lag / ln(share of bonds that exist again after the lag), for the longest lag at which
        this share is over 1/e (the shortest lag where none is). Infinite where nothing broke; an
        upper bound where nothing stays; None without bonds or with a single frame.
    """
    if len(bonds) < 2 or all(len(b) == 0 for b in bonds):
        return None
    keys = [b[:, 0] * count + b[:, 1] for b in bonds]
    found: float | None = None
    lag = 1
    lags = []
    while lag < len(keys):
        lags.append(lag)
        lag = max(lag + 1, int(lag * 1.6))
    if lags[-1] != len(keys) - 1:
        lags.append(len(keys) - 1)
    for lag in lags:
        starts = np.unique(np.linspace(0, len(keys) - 1 - lag, 8).astype(int))
        kept = sum(len(np.intersect1d(keys[s], keys[s + lag], assume_unique=True)) for s in starts)
        total = sum(len(keys[s]) for s in starts)
        if total == 0:
            continue
        share = kept / total
        span = float(np.mean([times[s + lag] - times[s] for s in starts]))
        if share >= 1:
            found = math.inf
        elif share > 0 and (found is None or share > math.exp(-1)):
            found = -span / math.log(share)
        if share < math.exp(-1):
            break
    if found is not None:
        return found
    # No bond of all was there at the next frame: fewer than one in so many.
    seen = sum(len(k) for k in keys[:-1])
    step = float(times[-1] - times[0]) / max(1, len(keys) - 1)
    return step / math.log(1.0 + seen) if seen else None


def independent_structures(life: float | None, span: float) -> float | None:
    """Return how many independent structures a span of time has seen, at least 1."""
    if life is None:
        return None
    return max(1.0, span / (2 * life)) if life > 0 else None
