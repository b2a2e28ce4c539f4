"""Functions of a symmetric positive matrix times a vector, from products with the matrix alone.

Lanczos' method (E. Chow and Y. Saad, SIAM J. Sci. Comput. 36, A588 (2014)): the matrix is
seen through the vectors M v, M M v, ... which it makes of v, as a small tridiagonal one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


Floats = NDArray[np.float64]

MOST_PRODUCTS = 100
LEAST_PRODUCTS = 3


class UnsettledFlowError(RuntimeError):
    """A function of the mobility was not found within `MOST_PRODUCTS` products."""


def apply_functions(
    multiply: Callable[[Floats], Floats],
    vectors: Floats,
    functions: Sequence[Callable[[Floats], Floats]],
    tolerance: float,
) -> tuple[Floats, int]:
    """Return f(M) v for several vectors, each with a function of its own, side by side.

    Parameters
    ----------
    multiply : callable
        Returns M times each of several vectors, in an array that may be used again.
    vectors : float64 array, shape (vectors, size)
    functions : sequence of callables
        Of eigenvalues; those that rounding makes negative are given as 0.
    tolerance : float
        Largest change by the last product, relative to the length of a result.

    Returns
    -------
    results : float64 array, shape (vectors, size)
    products : int
        How many were needed, of all vectors at once.

    Raises
    ------
    UnsettledFlowError
        If a result still changes.
    """
    searches = [_Search(v, f) for v, f in zip(vectors, functions, strict=True)]
    for made in range(1, MOST_PRODUCTS + 1):
        products = multiply(np.stack([search.newest for search in searches]))
        for search, product in zip(searches, products, strict=True):
            search.take(product)
        if made >= LEAST_PRODUCTS or made == vectors.shape[1]:
            changes = [search.weigh() for search in searches]
            if max(changes) <= tolerance:
                return np.stack([search.found() for search in searches]), made
    raise UnsettledFlowError(
        f"the near flow's noise still changes by {max(changes):.2g} of itself after "
        f"{MOST_PRODUCTS} products"
    )


class _Search:
    """One vector's way: its basis, the small matrix, and the weights of the result."""

    def __init__(self, vector: Floats, function: Callable[[Floats], Floats]) -> None:
        self._function = function
        self._length = _norm(vector)
        self._basis = [vector / max(self._length, 1e-300)]
        self._diagonal: list[float] = []
        self._beside: list[float] = []
        self._weights = np.zeros(0)
        self._exhausted = self._length == 0.0

    @property
    def newest(self) -> Floats:
        return self._basis[-1]

    def take(self, product: Floats) -> None:
        """Take M times the newest vector, which makes the next one."""
        if self._exhausted:
            return
        following = product.copy()
        if self._beside:
            following -= self._beside[-1] * self._basis[-2]
        self._diagonal.append(float((self.newest * following).sum()))
        following -= self._diagonal[-1] * self.newest
        beside = _norm(following)
        if beside <= 1e-12 * max(map(abs, self._diagonal)):
            self._exhausted = True
            return
        self._beside.append(beside)
        self._basis.append(following / beside)

    def weigh(self) -> float:
        """Find the result's weights in the basis; return how much the last product changed it."""
        size = len(self._diagonal)
        if size == 0:
            return 0.0
        beside = self._beside[: size - 1]
        matrix = np.diag(self._diagonal) + np.diag(beside, 1) + np.diag(beside, -1)
        values, vectors = np.linalg.eigh(matrix)
        weights = vectors @ (self._function(np.maximum(values, 0.0)) * vectors[0])
        change = weights.copy()
        change[: self._weights.size] -= self._weights
        self._weights = weights
        return 0.0 if self._exhausted else _norm(change) / max(_norm(weights), 1e-300)

    def found(self) -> Floats:
        """Return the result."""
        result = np.zeros_like(self._basis[0])
        for weight, one in zip(self._weights, self._basis, strict=False):
            result += (self._length * float(weight)) * one
        return result


def _norm(vector: Floats) -> float:
    """Return the length, added in an order that no library's threads change."""
    return float(np.sqrt((vector * vector).sum()))
