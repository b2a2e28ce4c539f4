"""Intervals of means over replicas by resampling: lopsided where the replicas are."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from analysis.uncertainty.estimate import Estimate, student_factor

BOOTSTRAP_FROM = 6
"""With fewer replicas the resampled means cannot reach far enough, and Student's interval serves.

The widest resampled interval is that of the replicas themselves, which misses the median of their
law in 2^(1 - n) of all cases: 6 % for 5 replicas.
"""

DRAWS = 2000


def replica_interval(
    values: ArrayLike, mean: Estimate, level: float = 0.95
) -> tuple[float, float] | None:
    """Return the interval of the mean over replicas that covers a share of cases.

    Parameters
    ----------
    values : (n,) array
        The number in each replica.
    mean : Estimate
        Their mean by ``uncertainty.combine_replicas``.
    level : float
        Share of cases.

    Returns
    -------
    (low, high) or None
        From ``BOOTSTRAP_FROM`` replicas on that of the bootstrap, made at least as wide on either
        side as the errors of the replicas carried through, else ``mean.interval(level)``. None
        without an error.

    Notes
    -----
    Percentiles of means of n replicas drawn with replacement (B. Efron, Ann. Statist. 7, 1, 1979).
    Their spread is too small by sqrt((n - 1)/n), and n is small: the percentiles are moved out to
    Phi(-sqrt(n/(n - 1)) t), t the quantile of Student's law (T. C. Hesterberg, Amer. Statist. 69,
    371 (2015), "expanded percentile"; from memory). Draws come from a fixed seed.
    """
    data = np.asarray(values, dtype=np.float64)
    count = len(data)
    plain = mean.interval(level)
    if count < BOOTSTRAP_FROM or plain is None or mean.value is None or mean.error is None:
        return plain
    chosen = np.random.default_rng(count).integers(0, count, (DRAWS, count))
    out = math.sqrt(count / (count - 1)) * student_factor(level, count - 1.0)
    tail = 0.5 * math.erfc(out / math.sqrt(2.0))
    low, high = np.quantile(data[chosen].mean(axis=1), [tail, 1.0 - tail])
    if math.isfinite(mean.freedom):
        return float(low), float(high)
    # The carried errors are the larger: the replicas agree better than they should.
    return min(float(low), plain[0]), max(float(high), plain[1])
