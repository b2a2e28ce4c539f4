"""A function of a symmetric positive matrix times vectors, from products with the matrix alone.

Lanczos' method (E. Chow and Y. Saad, SIAM J. Sci. Comput. 36, A588 (2014)): the matrix is
seen through the vectors M v, M M v, ... which it makes of v, as a small tridiagonal one. Several
vectors go side by side; what comes of one does not depend on the others.
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
TINY = 1e-300


class UnsettledFlowError(RuntimeError):
    """A function of the mobility was not found within `MOST_PRODUCTS` products."""


class Weights:
    """How much a result takes of each vector that products have made, from their sizes alone.

    The basis is v / |v| and what each product leaves of its newest vector, perpendicular to all
    before: of w = M b less ``beside`` times the one before b, ``diagonal`` is b w, and what is left
    of w - diagonal b has the length ``step``. Each is a number for each of several vectors.

    Parameters
    ----------
    length : float64 array, shape (vectors,)
        Of the vectors.
    size : int
        Numbers of a vector.
    function, tolerance
        See `apply_function`.

    Attributes
    ----------
    made : int
        Products so far.
    beside : list of float64 array, shape (vectors,)
        Of each product; 0 where products span no more, and the vector is found.
    """

    def __init__(
        self,
        length: Floats,
        size: int,
        function: Callable[[Floats], Floats],
        tolerance: float,
    ) -> None:
        self.made = 0
        self.beside: list[Floats] = []
        self._size, self._function, self._tolerance = size, function, tolerance
        self._done = length == 0.0
        vectors = len(length)
        self._matrix = np.zeros((vectors, MOST_PRODUCTS, MOST_PRODUCTS))  # its lower half
        self._values = np.zeros((vectors, MOST_PRODUCTS))
        self._largest = np.zeros(vectors)

    @property
    def values(self) -> Floats:
        """Weights of the basis for vectors of length 1, (vectors, products)."""
        return self._values[:, : self.made]

    def take(self, diagonal: Floats, step: Floats) -> bool:
        """Take in one more product, and say whether all results are found.

        Raises
        ------
        UnsettledFlowError
            If a result still changes by the last product that is allowed.
        """
        self._matrix[:, self.made, self.made] = diagonal
        if self.made > 0:
            self._matrix[:, self.made, self.made - 1] = self.beside[-1]
        self.made += 1
        np.maximum(self._largest, np.abs(diagonal), out=self._largest)
        # a vector whose products span no more is found: what follows is nothing
        exhausted = step <= 1e-12 * self._largest
        may_end = self.made >= LEAST_PRODUCTS or self.made == self._size
        if may_end or self.made == LEAST_PRODUCTS - 1 or exhausted.any():
            changes = self._weigh()
            if may_end:
                self._done |= changes <= self._tolerance
            self._done |= exhausted
            if self._done.all():
                return True
            if self.made == MOST_PRODUCTS:
                raise UnsettledFlowError(
                    f"the near flow's noise still changes by {changes[~self._done].max():.2g} of "
                    f"itself after {MOST_PRODUCTS} products"
                )
        self.beside.append(np.where(exhausted, 0.0, step))
        return False

    def _weigh(self) -> Floats:
        """Find the weights anew, but for results that are done; return their changes."""
        values, vectors = np.linalg.eigh(self._matrix[:, : self.made, : self.made])
        along = self._function(np.maximum(values, 0.0)) * vectors[:, 0, :]
        weights = (vectors * along[:, None, :]).sum(axis=2)
        changes = _norms(weights - self.values) / np.maximum(_norms(weights), TINY)
        self.values[:] = np.where(self._done[:, None], self.values, weights)
        return changes


def apply_function(
    multiply: Callable[[Floats], Floats],
    vectors: Floats,
    function: Callable[[Floats], Floats],
    tolerance: float,
) -> tuple[Floats, int]:
    """Return f(M) v for several vectors, side by side.

    Parameters
    ----------
    multiply : callable
        Returns M times each of the vectors, in an array that may be used again.
    vectors : float64 array, shape (vectors, size)
    function : callable
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
    length = _norms(vectors)
    weights = Weights(length, vectors.shape[1], function, tolerance)
    basis = [vectors / np.maximum(length, TINY)[:, None]]
    while True:
        newest = basis[-1]
        following = multiply(newest).copy()
        if weights.beside:
            following -= weights.beside[-1][:, None] * basis[-2]
        diagonal = _dots(newest, following)
        following -= diagonal[:, None] * newest
        if weights.take(diagonal, _norms(following)):
            return _combined(basis, (length[:, None] * weights.values).T), len(basis)
        beside = weights.beside[-1]
        following *= np.where(beside == 0.0, 0.0, 1.0 / np.maximum(beside, TINY))[:, None]
        basis.append(following)


def _combined(basis: list[Floats], weights: Floats) -> Floats:
    """Return the sum of the basis with weights, (products, vectors)."""
    result = 0.0 * basis[0]
    for weight, one in zip(weights, basis, strict=True):
        result += weight[:, None] * one
    return result


def _dots(one: Floats, other: Floats) -> Floats:
    """Return the products of rows, in an order that no threads change."""
    found: Floats = (one * other).sum(axis=1)
    return found


def _norms(vectors: Floats) -> Floats:
    """Return the lengths of rows."""
    return np.asarray(np.sqrt(_dots(vectors, vectors)))
