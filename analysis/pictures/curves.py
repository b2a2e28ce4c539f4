"""Reads the curves of a measurement for drawing: finite points only, none where absent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement


def column(measurement: Measurement, curve: str, name: str) -> NDArray[np.float64]:
    """One column of a curve as floats, empty where the curve or the column is missing."""
    table = measurement.curves.get(curve) or {}
    values = table.get(name)
    if values is None:
        return np.empty(0)
    return np.atleast_1d(np.asarray(values, dtype=float))


def finite_rows(*columns: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Columns reduced to the rows in which the first two are finite.

    Parameters
    ----------
    columns : ndarray, shape (n,)
        Abscissa, ordinate, then errors or further columns. A further column of another length
        stands for values that are not known, and comes out as NaN.

    Returns
    -------
    list of ndarray, shape (m,)
        The columns, all of one length; empty where the first two do not match.
    """
    first, second = columns[0], columns[1]
    if first.shape != second.shape:
        return [np.empty(0) for _ in columns]
    keep = np.isfinite(first) & np.isfinite(second)
    return [c[keep] if c.shape == first.shape else np.full(keep.sum(), np.nan) for c in columns]


def known_errors(errors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Errors fit for drawing: those not known, or negative, become zero length."""
    return np.where(np.isfinite(errors) & (errors > 0), errors, 0.0)


def pooled_lengths(
    length: NDArray[np.float64],
    share: NDArray[np.float64],
    error: NDArray[np.float64],
    certainty: float = 2.0,
) -> tuple[NDArray[np.float64], ...]:
    """Pool neighbouring chain lengths until a share stands out of its error.

    Parameters
    ----------
    length, share, error : ndarray, shape (n,)
        Rising chain lengths, share of chains of each, standard errors. A length that is left out
        has the share zero.
    certainty : float
        A pool is closed once its share is this many times its error.

    Returns
    -------
    tuple of ndarray, shape (m,)
        First and last length of each pool, mean share per length in it, and its error. The last
        pool takes what is left, certain or not.

    Notes
    -----
    Errors of single lengths are added in quadrature, as for independent counts.
    """
    pools = []
    begin, total, variance = float(length[0]), 0.0, 0.0
    for index, end in enumerate(length.tolist()):
        total += float(share[index])
        variance += float(error[index]) ** 2
        if total > 0 and (total >= certainty * variance**0.5 or index == len(length) - 1):
            span = end - begin + 1.0
            pools.append((begin, end, total / span, variance**0.5 / span))
            begin, total, variance = end + 1.0, 0.0, 0.0
    first, last, mean, spread = np.array(pools).T
    return first, last, mean, spread
