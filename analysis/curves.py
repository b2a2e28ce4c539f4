"""Reads the curves of a measurement for drawing: finite points only, none where absent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.measures import Measurement


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
