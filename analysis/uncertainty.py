"""Errors of averages over correlated frames, of ratios over chains, and over replicas.

A frame says something new only after the film has forgotten the one before, so the error of a
time average counts independent frames, not frames. Three estimators share the work: the
integrated autocorrelation time, blocks longer than it, and, for structures that hardly change
during a run (frozen chains), the scatter between the chains of one frame.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WINDOW_TIMES = 5.0
"""The autocorrelation is summed up to this many of its own times."""

BLOCK_TIMES = 6.0
"""A block lasts this many autocorrelation times, where the series allows."""

FEWEST_BLOCKS = 8
"""Below this number of blocks their scatter is too uncertain by itself."""


@dataclass(frozen=True)
class Estimate:
    """A measured number: value, standard error, independent samples; None where unmeasured."""

    value: float | None
    error: float | None
    samples: int

    def as_dict(self) -> dict[str, Any]:
        """Return the entry of measures.json."""
        return {"value": self.value, "error": self.error, "samples": self.samples}


NOTHING = Estimate(None, None, 0)


def integrated_time(series: ArrayLike) -> float:
    """Return the integrated autocorrelation time of a series, in frames.

    Parameters
    ----------
    series : (n,) array
        Evenly spaced values.

    Returns
    -------
    float
        tau = 1/2 + sum of the normalised autocorrelation, summed up to ``WINDOW_TIMES`` tau; never
        below 1/2 (uncorrelated) and never above n/2. A constant series counts as uncorrelated.

    Notes
    -----
    Self-consistent window after Sokal, "Monte Carlo methods in statistical mechanics" (1989),
    section 3 (from memory).
    """
    values = np.asarray(series, dtype=np.float64)
    count = len(values)
    away = values - values.mean() if count else values
    if count < 3 or not (away**2).sum() > (1e-14 * np.abs(values).max()) ** 2 * count:
        return 0.5
    size = 1 << (2 * count - 1).bit_length()
    spectrum = np.fft.rfft(away, size)
    raw = np.fft.irfft(spectrum * spectrum.conj(), size)[:count] / np.arange(count, 0, -1)
    tau = 0.5
    for _ in range(4):
        # The sample mean takes its own variance out of every lag: put it back.
        lost = raw[0] * min(2 * tau / count, 0.5)
        times = np.cumsum((raw + lost) / (raw[0] + lost)) - 0.5
        enough = np.arange(count) >= WINDOW_TIMES * times
        window = min(int(np.argmax(enough)) if enough.any() else count - 1, count // 2)
        tau = min(max(float(times[window]), 0.5), count / 2)
    return tau


def estimate(
    series: ArrayLike, *, within: ArrayLike | None = None, structures: float | None = None
) -> Estimate:
    """Return the mean of a series with its standard error.

    Parameters
    ----------
    series : (n,) array
        One value a frame, evenly spaced; values that are not finite are left out.
    within : (n,) array, optional
        Standard error of each value from the scatter inside its frame.
    structures : float, optional
        How many independent structures the series has seen (see ``relaxation.bond_survival``).
        With it, the error is at least the scatter inside a frame over the root of that number.

    Returns
    -------
    Estimate
        ``samples`` is the number of independent frames, at least 1.
    """
    values = np.asarray(series, dtype=np.float64)
    good = np.isfinite(values)
    values = values[good]
    count = len(values)
    if count == 0:
        return NOTHING
    tau = integrated_time(values)
    samples = max(1.0, count / (2 * tau))
    error = _time_error(values, tau)
    inside = _root_mean_square(
        np.asarray(within, dtype=np.float64)[good] if within is not None else np.empty(0)
    )
    if structures is not None:
        samples = max(1.0, min(samples, structures))
    if inside is not None and (structures is not None or count < 4):
        error = max(error or 0.0, inside / math.sqrt(samples))
    return Estimate(float(values.mean()), error, int(samples))


def _time_error(values: Floats, tau: float) -> float | None:
    """Return the standard error of the mean of a correlated series, None for a single value."""
    count = len(values)
    if count < 2:
        return None
    share = min(2 * tau / count, 0.5)
    # The variance about the sample mean is too small by the variance of that mean.
    plain = math.sqrt(float(values.var()) * share / (1 - share))
    length = max(1, math.ceil(BLOCK_TIMES * tau))
    blocks = count // length
    if blocks < FEWEST_BLOCKS:
        return plain
    means = values[count - blocks * length :].reshape(blocks, length).mean(axis=1)
    return max(plain, float(means.std(ddof=1)) / math.sqrt(blocks))


def _root_mean_square(values: Floats) -> float | None:
    """Return the root mean square of the finite values, None without any."""
    finite = values[np.isfinite(values)]
    return float(np.sqrt((finite**2).mean())) if len(finite) else None


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


def combine_replicas(estimates: Iterable[Estimate | dict[str, Any]]) -> Estimate:
    """Return the mean over replicas of one number.

    Parameters
    ----------
    estimates : iterable of Estimate or of entries of measures.json
        One a replica; replicas where the number could not be measured are left out.

    Returns
    -------
    Estimate
        Mean with equal weights. The error is the larger of the scatter between replicas (from
        three replicas on) and the errors of the replicas carried through; ``samples`` is the
        number of replicas that count.
    """
    entries = [e.as_dict() if isinstance(e, Estimate) else e for e in estimates]
    entries = [e for e in entries if e.get("value") is not None]
    count = len(entries)
    if count == 0:
        return NOTHING
    values = np.array([float(e["value"]) for e in entries])
    own = [float(e["error"]) for e in entries if e.get("error") is not None]
    carried = math.sqrt(sum(e * e for e in own)) / count if len(own) == count else None
    scatter = float(values.std(ddof=1)) / math.sqrt(count) if count > 1 else None
    candidates = [
        e for e in (carried, scatter if count > 2 or carried is None else None) if e is not None
    ]
    return Estimate(float(values.mean()), max(candidates) if candidates else None, count)


def combine_measures(measures: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the numbers of measures.json averaged over replicas, same nesting.

    Parameters
    ----------
    measures : sequence of dict
        ``Measurement.numbers`` of each replica.

    Returns
    -------
    dict
        Every entry with ``value`` and ``error`` combined by ``combine_replicas``; other entries
        are left out.
    """
    out: dict[str, Any] = {}
    for key in {k for m in measures for k in m}:
        entries = [m[key] for m in measures if isinstance(m.get(key), dict)]
        if entries and all("value" in e and "error" in e for e in entries):
            out[key] = combine_replicas(entries).as_dict()
        elif entries:
            inner = combine_measures(entries)
            if inner:
                out[key] = inner
    return dict(sorted(out.items()))
