"""Means over replicas: their errors, and intervals by resampling, lopsided where replicas are."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.uncertainty.estimate import NOTHING, Estimate

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
        Their mean by ``combine_replicas``.
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


def combine_replicas(estimates: Iterable[Estimate | dict[str, Any]]) -> Estimate:
    """Return the mean over replicas of one number.

    Parameters
    ----------
    estimates : iterable of Estimate or of entries of measures.json
        One a replica; replicas where the number could not be measured are left out.

    Returns
    -------
    Estimate
        Mean with equal weights. The error is the larger of the scatter between replicas, widened
        by Student's factor (from three replicas on), and the errors of the replicas carried
        through; ``samples`` is the number of replicas that count.
    """
    entries = [e.as_dict() if isinstance(e, Estimate) else e for e in estimates]
    entries = [e for e in entries if e.get("value") is not None]
    count = len(entries)
    if count == 0:
        return NOTHING
    values = np.array([float(e["value"]) for e in entries])
    own = [float(e["error"]) for e in entries if e.get("error") is not None]
    mean = float(values.mean())
    found: list[tuple[float, float]] = []
    if len(own) == count:
        found.append((math.sqrt(sum(e * e for e in own)) / count, math.inf))
    if count > 2 or (count == 2 and not found):
        freedom = count - 1.0
        scatter = float(values.std(ddof=1)) / math.sqrt(count)
        found.append((scatter * student_factor(ONE_SIGMA, freedom), freedom))
    if not found:
        return Estimate(mean, None, count)
    error, freedom = max(found)
    return Estimate(mean, error, count, freedom)
