"""Makes columns of curves fit for drawing: finite points, known errors, pooled lengths."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def finite_rows(*columns: ArrayLike) -> list[NDArray[np.float64]]:
    """Columns reduced to the rows in which the first two are finite.

    Parameters
    ----------
    columns : (n,) arrays
        Abscissa, ordinate, then errors or further columns, all of one length.

    Returns
    -------
    list of (m,) arrays
        The columns.
    """
    whole = [np.asarray(column, dtype=np.float64) for column in columns]
    keep = np.isfinite(whole[0]) & np.isfinite(whole[1])
    return [column[keep] for column in whole]


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
