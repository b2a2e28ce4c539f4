"""Functions of a symmetric positive matrix times a vector, from products with the matrix alone.

Lanczos' method (E. Chow and Y. Saad, SIAM J. Sci. Comput. 36, A588 (2014)): the matrix is
seen through the vectors M v, M M v, ... which it makes of v, as a small tridiagonal one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable


Floats = NDArray[np.float64]

MOST_PRODUCTS = 100
LEAST_PRODUCTS = 3


class UnsettledFlowError(RuntimeError):
    """A function of the mobility was not found within `MOST_PRODUCTS` products."""


def apply_function(
    multiply: Callable[[Floats], Floats],
    vector: Floats,
    function: Callable[[Floats], Floats],
    tolerance: float,
) -> tuple[Floats, int]:
    """Return f(M) v, and the products that it took.

    Parameters
    ----------
    multiply : callable
        Returns M times a vector, in an array that may be used again.
    vector : float64 array
    function : callable
        Of eigenvalues; those that rounding makes negative are given as 0.
    tolerance : float
        Largest change by the last product, relative to the length of the result.

    Raises
    ------
    UnsettledFlowError
        If the result still changes.
    """
    length = _norm(vector)
    if length == 0.0:
        return vector.copy(), 0
    basis = [vector / length]
    diagonal: list[float] = []
    beside: list[float] = []
    before = np.zeros(0)
    for made in range(1, min(MOST_PRODUCTS, vector.size) + 1):
        following = multiply(basis[-1]).copy()
        if made > 1:
            following -= beside[-1] * basis[-2]
        diagonal.append(_dot(basis[-1], following))
        following -= diagonal[-1] * basis[-1]
        values, vectors = np.linalg.eigh(
            np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1)
        )
        weights = vectors @ (function(np.maximum(values, 0.0)) * vectors[0])
        change = weights.copy()
        change[: before.size] -= before
        settled = _norm(change) <= tolerance * _norm(weights) and made >= LEAST_PRODUCTS
        beside.append(_norm(following))
        exhausted = beside[-1] <= 1e-12 * max(map(abs, diagonal)) or made == vector.size
        if settled or exhausted:
            found = np.zeros_like(vector)
            for weight, one in zip(weights, basis, strict=True):
                found += (length * weight) * one
            return found, made
        before = weights
        basis.append(following / beside[-1])
    raise UnsettledFlowError(
        f"the near flow's noise still changes by {_norm(change) / _norm(weights):.2g} of itself "
        f"after {MOST_PRODUCTS} products"
    )


def _dot(one: Floats, other: Floats) -> float:
    """Return the scalar product, added in an order that no library's threads change."""
    return float((one * other).sum())


def _norm(vector: Floats) -> float:
    return float(np.sqrt((vector * vector).sum()))
