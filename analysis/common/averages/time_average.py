"""Errors of averages over correlated frames: from their memory, and from blocks of them."""

from __future__ import annotations

import math

from analysis.common.arrays import Floats
from analysis.common.averages.memory import Memory
from analysis.common.averages.student import ONE_SIGMA, student_factor

FEWEST_BLOCKS = 8
"""Below this number of blocks their scatter is too uncertain by itself."""

LONG_BLOCKS = 10
"""So many blocks, as long as a series allows, feel a slow tail that the others miss."""

FEWEST_LONG = 4 * LONG_BLOCKS
"""Frames from which on a slow tail can be felt in ten blocks: fewer only add their own noise."""


def time_error(values: Floats, known: Memory) -> tuple[float | None, float, float]:
    """Return the error of the mean of a series, its degrees of freedom, independent samples.

    Parameters
    ----------
    values : (n,) array
        Evenly spaced values.
    known : Memory
        How long they remember.

    Returns
    -------
    error, freedom, samples : float or None, float, float
        The error is widened by Student's factor; None of a single value.
    """
    count = len(values)
    samples = max(1.0, count / (2 * known.time))
    if count < 2:
        return None, math.inf, samples
    variance = float(values.var())
    plain = memory_error(values, known)
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


def memory_error(values: Floats, known: Memory) -> float:
    """Return the error of the mean of a series by its memory alone, not widened."""
    share = min(2 * known.time / len(values), 0.5)
    # The variance about the sample mean is too small by the variance of that mean.
    return math.sqrt(float(values.var()) * share / (1 - share))


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
