"""Errors of averages over correlated frames, of ratios over chains, and over replicas.

A frame says something new only after the film has forgotten the one before, so the error of a
time average counts independent frames, not frames. Three estimators share the work: the
integrated autocorrelation time, blocks of automatic length, and, for structures that hardly change
during a run (frozen chains), the scatter between the chains of one frame. An error from few
independent frames is itself uncertain: Student's factor widens it, so that value +- error covers
the truth in 68 of 100 cases and ``Estimate.interval`` in as many as asked for. The measured
coverage stands in tests/benchmarks/README.md.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WINDOW_TIMES = 5.0
"""The autocorrelation is summed up to this many of its own times."""

FEWEST_BLOCKS = 8
"""Below this number of blocks their scatter is too uncertain by itself."""

LONG_BLOCKS = 10
"""So many blocks, as long as a series allows, feel a slow tail that the others miss."""

FEWEST_LONG = 4 * LONG_BLOCKS
"""Frames from which on a slow tail can be felt in ten blocks: fewer only add their own noise."""

FEWEST_SAMPLES = 8
"""A number from fewer independent samples says so: its error holds only roughly."""

ONE_SIGMA = math.erf(math.sqrt(0.5))
"""Share of a normal law within one standard deviation, 0.6827."""


def student_factor(level: float, freedom: float) -> float:
    """Return the half width, in standard errors, of the interval that covers a share of cases.

    Parameters
    ----------
    level : float
        Share of cases, between 0 and 1.
    freedom : float
        Degrees of freedom of the standard error; infinite for one that is known.

    Notes
    -----
    Quantile of the t law; "Student", Biometrika 6, 1 (1908).
    """
    from scipy.special import ndtri, stdtrit

    tail = 0.5 + 0.5 * level
    return float(ndtri(tail) if math.isinf(freedom) else stdtrit(freedom, tail))


@dataclass(frozen=True)
class Estimate:
    """A measured number.

    Attributes
    ----------
    value : float or None
        None where it could not be measured.
    error : float or None
        Standard error, widened by Student's factor: value +- error covers the truth in 68 of 100
        cases.
    samples : int
        Independent samples behind it.
    freedom : float
        Degrees of freedom of the error; infinite for one that is well known.
    """

    value: float | None
    error: float | None
    samples: int
    freedom: float = field(default=math.inf, compare=False)

    def interval(self, level: float = 0.95) -> tuple[float, float] | None:
        """Return the two ends of the interval that covers the truth in this share of cases."""
        if self.value is None or self.error is None:
            return None
        wider = student_factor(level, self.freedom) / student_factor(ONE_SIGMA, self.freedom)
        return self.value - wider * self.error, self.value + wider * self.error

    def as_dict(self) -> dict[str, Any]:
        """Return the entry of measures.json."""
        ends = self.interval()
        return {
            "value": self.value,
            "error": self.error,
            "samples": self.samples,
            "interval_95": None if ends is None else list(ends),
        }


NOTHING = Estimate(None, None, 0)


@dataclass(frozen=True)
class Memory:
    """How long a series remembers: integrated time, its error and the window, all in frames."""

    time: float
    error: float
    window: float

    def freedom(self, count: int) -> float:
        """Return the degrees of freedom of the variance of a mean over so many frames."""
        # var(tau)/tau^2 = 2 (2 W + 1)/n (see ``memory``), which is 2/freedom for a chi-square law.
        return max(1.0, count / (2 * self.window + 1))


def memory(series: ArrayLike) -> Memory:
    """Return the integrated autocorrelation time of a series with its error.

    Parameters
    ----------
    series : (n,) array
        Evenly spaced values.

    Returns
    -------
    Memory
        tau = 1/2 + sum of the normalised autocorrelation, summed over the window W, the first lag
        of at least ``WINDOW_TIMES`` tau; never below 1/2 (uncorrelated) and never above n/2. A
        constant series counts as uncorrelated. Error tau sqrt(2 (2 W + 1)/n).

    Notes
    -----
    Self-consistent window and error after A. Sokal, "Monte Carlo methods in statistical mechanics:
    foundations and new algorithms" (1989), section 3 (from memory).
    """
    values = np.asarray(series, dtype=np.float64)
    count = len(values)
    away = values - values.mean() if count else values
    tau = 0.5
    if count >= 3 and (away**2).sum() > (1e-14 * np.abs(values).max()) ** 2 * count:
        size = 1 << (2 * count - 1).bit_length()
        spectrum = np.fft.rfft(away, size)
        raw = np.fft.irfft(spectrum * spectrum.conj(), size)[:count] / np.arange(count, 0, -1)
        for _ in range(4):
            # The sample mean takes its own variance out of every lag: put it back.
            lost = raw[0] * min(2 * tau / count, 0.5)
            times = np.cumsum((raw + lost) / (raw[0] + lost)) - 0.5
            enough = np.arange(count) >= WINDOW_TIMES * times
            last = min(int(np.argmax(enough)) if enough.any() else count - 1, count // 2)
            tau = min(max(float(times[last]), 0.5), count / 2)
    window = WINDOW_TIMES * tau
    return Memory(tau, tau * math.sqrt(2 * (2 * window + 1) / max(1, count)), window)


def estimate(
    series: ArrayLike,
    *,
    within: ArrayLike | None = None,
    structures: float | None = None,
    parts: ArrayLike | None = None,
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
        What the scatter inside the frames exceeds that from frame to frame by is shared by all
        frames; its variance is added over that number.
    parts : (n, k, 2) array, optional
        Sums of numerators and denominators over k parts of the film that are independent of each
        other, the same parts in all frames. Where ``structures`` is given, their scatter over the
        whole series tells what all frames share better than the scatter inside the frames can.

    Returns
    -------
    Estimate
        ``samples`` is the number of independent frames, at least 1; below ``FEWEST_SAMPLES`` the
        series is too short for its error to hold, and the number is given all the same. Without
        ``parts`` it is at most ``structures``: whether a part of the variance is common to all
        frames a short series cannot know.
    """
    values = np.asarray(series, dtype=np.float64)
    good = np.isfinite(values)
    values = values[good]
    count = len(values)
    if count == 0:
        return NOTHING
    known = memory(values)
    error, freedom, samples = _time_error(values, known)
    inside = _root_mean_square(
        np.asarray(within, dtype=np.float64)[good] if within is not None else np.empty(0)
    )
    known_parts = _parts_error(parts, good) if structures is not None and count >= 4 else None
    if known_parts is not None and error is not None:
        error, freedom, shrunk = _joined((error, freedom), known_parts)
        samples = max(1.0, samples * shrunk)
        return Estimate(float(values.mean()), error, int(samples), freedom)
    if structures is not None:
        samples = max(1.0, min(samples, structures))
    if inside is not None and (structures is not None or count < 4):
        hidden = _hidden(values, known, inside) if count >= 4 else inside
        scatter = hidden / math.sqrt(max(1.0, structures or 1.0))
        if error is None or count < 4:
            error, freedom = max(error or 0.0, inside / math.sqrt(samples)), math.inf
        elif hidden > 0:
            joint = math.hypot(error, scatter)
            samples = max(1.0, min(samples, (inside / joint) ** 2))
            # Degrees of freedom of a sum of variances: Satterthwaite, Biometrics Bull. 2, 110
            # (1946); those of the part inside frames are many.
            freedom = freedom * (joint / error) ** 4 if error > 0 else math.inf
            error = joint
    return Estimate(float(values.mean()), error, int(samples), freedom)


def _parts_error(parts: ArrayLike | None, good: NDArray[np.bool_]) -> tuple[float, float] | None:
    """Return the plain error of a ratio from its parts and their freedoms; None from too few."""
    if parts is None:
        return None
    tops, bottoms = np.asarray(parts, dtype=np.float64)[good].sum(axis=0).T
    filled = bottoms > 0
    if filled.sum() < FEWEST_BLOCKS:
        return None
    _, error = ratio(tops[filled], bottoms[filled])
    # Uneven parts count as fewer: (sum b)^2/sum b^2 of them.
    even = float(bottoms.sum()) ** 2 / float((bottoms**2).sum())
    return error, max(1.0, even - 1.0)


def _joined(series: tuple[float, float], parts: tuple[float, float]) -> tuple[float, float, float]:
    """Return the error, its freedoms and the share of samples that is left, of two estimates.

    ``series`` is the error along the frames, widened by Student's factor, with its freedoms;
    ``parts`` that between parts, not widened. The series misses what all frames share, the parts
    miss what moves them alike. Where they agree both count by their freedoms; else the larger.
    """
    along, first = series
    plain = along / student_factor(ONE_SIGMA, first)
    across, second = parts
    if not plain > 0:
        return across * student_factor(ONE_SIGMA, second), second, 0.0
    apart = 1 + math.sqrt(2 / first + 2 / second)
    if across**2 > apart * plain**2:
        joint, freedom = across, second
    elif plain**2 > apart * across**2:
        return along, first, 1.0
    else:
        freedom = first + second
        joint = math.sqrt((first * plain**2 + second * across**2) / freedom)
    return joint * student_factor(ONE_SIGMA, freedom), freedom, min(1.0, (plain / joint) ** 2)


def _hidden(values: Floats, known: Memory, inside: float) -> float:
    """Return the standard deviation that all frames share and their series does not show.

    The variance of a frame about the truth is that seen along the series and a hidden rest. The
    former is taken one standard error high, so that frames that are independent, and show all of
    it, keep the error of their series.
    """
    count = len(values)
    share = min(2 * known.time / count, 0.5)
    shown = float(values.var()) / (1 - share)
    freedom = max(1.0, count / (2 * known.time) - 1.0)
    return math.sqrt(max(0.0, inside**2 - shown * (1 + math.sqrt(2 / freedom))))


def _time_error(values: Floats, known: Memory) -> tuple[float | None, float, float]:
    """Return the error of the mean of a series, its degrees of freedom, independent samples."""
    count = len(values)
    samples = max(1.0, count / (2 * known.time))
    if count < 2:
        return None, math.inf, samples
    variance = float(values.var())
    share = min(2 * known.time / count, 0.5)
    # The variance about the sample mean is too small by the variance of that mean.
    plain = math.sqrt(variance * share / (1 - share))
    freedom = known.freedom(count)
    error = plain * student_factor(ONE_SIGMA, freedom)
    lengths = [automatic_length(count, known.time)]
    if count >= FEWEST_LONG:
        lengths.append(count // LONG_BLOCKS)
    elif _independent(values):
        # Few frames without a sign of memory: their plain scatter, textbook n - 1 freedoms. The
        # noise of a summed autocorrelation would only widen it.
        scatter = math.sqrt(variance / (count - 1))
        return scatter * student_factor(ONE_SIGMA, count - 1.0), count - 1.0, float(count)
    # All estimate one number. A weak slow tail is lost in the noise of the autocorrelation and
    # lifts the blocks alone: the largest counts.
    for length in lengths:
        blocked, blocks = block_error(values, length)
        if blocks < FEWEST_BLOCKS:
            continue
        wide = blocked * student_factor(ONE_SIGMA, blocks - 1.0)
        if wide > error:
            error, freedom = wide, blocks - 1.0
            samples = max(1.0, min(samples, variance / blocked**2))
    return error, freedom, samples


def _independent(values: Floats) -> bool:
    """Return whether neighbouring values show no likeness: less than one standard error of it.

    Notes
    -----
    Of independent values the first autocorrelation is -1/n with the error 1/sqrt(n): M. S.
    Bartlett, J. R. Stat. Soc. Suppl. 8, 27 (1946) (from memory).
    """
    away = values - values.mean()
    square = float(away @ away)
    return square > 0 and float(away[1:] @ away[:-1]) / square < len(values) ** -0.5


def automatic_length(count: int, tau: float) -> int:
    """Return the length in frames of blocks of a series with this integrated time in frames.

    Notes
    -----
    (2 n (2 tau)^2)^(1/3) weighs what blocks leave correlated against the scatter of their error: U.
    Wolff, Comput. Phys. Commun. 156, 143 (2004); R. M. Lee and others, Phys. Rev. E 83, 066706
    (2011) (from memory).
    """
    return max(1, round(math.cbrt(2 * count * (2 * tau) ** 2)))


def block_error(values: Floats, length: int) -> tuple[float, int]:
    """Return the standard error of a mean from the scatter of blocks, and their number.

    Parameters
    ----------
    values : (n,) array
        Evenly spaced values.
    length : int
        Frames in a block.

    Returns
    -------
    error : float
        Not widened by Student's factor; NaN for fewer than two blocks.
    blocks : int
        Whole blocks; the first frames that fill none are left out.

    Notes
    -----
    H. Flyvbjerg and H. G. Petersen, J. Chem. Phys. 91, 461 (1989).
    """
    count = len(values)
    blocks = count // length if length > 0 else 0
    if blocks < 2:
        return math.nan, blocks
    means = values[count - blocks * length :].reshape(blocks, length).mean(axis=1)
    return float(means.std(ddof=1)) / math.sqrt(blocks), blocks


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
