"""A function of a symmetric positive matrix times vectors, from products with the matrix alone.

Lanczos' method (E. Chow and Y. Saad, SIAM J. Sci. Comput. 36, A588 (2014)): the matrix is
seen through the vectors M v, M M v, ... which it makes of v, as a small tridiagonal one. Several
vectors go side by side; what comes of one does not depend on the others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

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


def apply_function(
    multiply: Callable[[Floats], Floats],
    vectors: Floats,
    function: Callable[[Floats], Floats],
    tolerance: float,
    library: Any = np,
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
    library : module
        Whose arrays the vectors are: numpy, or that of a card.

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

    def column(values: Floats) -> Floats:
        """Return a number for each vector, beside it."""
        found: Floats = library.asarray(values)[:, None]
        return found

    length = _norms(vectors)
    basis = [vectors / column(np.maximum(length, TINY))]
    diagonal: list[Floats] = []
    beside: list[Floats] = []
    weights = np.zeros((len(length), 0))  # of the results in the basis
    done = length == 0.0
    for made in range(1, MOST_PRODUCTS + 1):
        newest = basis[-1]
        following = multiply(newest).copy()
        if beside:
            following -= column(beside[-1]) * basis[-2]
        diagonal.append(_dots(newest, following))
        following -= column(diagonal[-1]) * newest
        weights, changes = _weigh(diagonal, beside, function, weights, done)
        step = _norms(following)
        # a vector whose products span no more is found: what follows is nothing
        exhausted = step <= 1e-12 * np.max(np.abs(diagonal), axis=0)
        if made >= LEAST_PRODUCTS or made == vectors.shape[1]:
            done |= changes <= tolerance
        done |= exhausted
        if np.all(done):
            return _combined(basis, [column(one) for one in (length[:, None] * weights).T]), made
        beside.append(np.where(exhausted, 0.0, step))
        following *= column(np.where(exhausted, 0.0, 1.0 / np.maximum(step, TINY)))
        basis.append(following)
    raise UnsettledFlowError(
        f"the near flow's noise still changes by {np.max(changes[~done]):.2g} of itself after "
        f"{MOST_PRODUCTS} products"
    )


def _weigh(
    diagonal: list[Floats],
    beside: list[Floats],
    function: Callable[[Floats], Floats],
    before: Floats,
    done: NDArray[np.bool_],
) -> tuple[Floats, Floats]:
    """Return each result's weights in the basis, and how much the last product changed them.

    Those that are done stay as they were.
    """
    size = len(diagonal)
    place = np.arange(size)
    matrix = np.zeros((len(done), size, size))
    matrix[:, place, place] = np.stack(diagonal, axis=1)
    if beside:
        matrix[:, place[1:], place[:-1]] = np.stack(beside, axis=1)  # the lower half is read
    values, vectors = np.linalg.eigh(matrix)
    along = function(np.maximum(values, 0.0)) * vectors[:, 0, :]
    weights = (vectors * along[:, None, :]).sum(axis=2)
    kept = np.pad(before, ((0, 0), (0, 1)))
    changes = _norms(weights - kept) / np.maximum(_norms(weights), TINY)
    return np.where(done[:, None], kept, weights), changes


def _combined(basis: list[Floats], weights: list[Floats]) -> Floats:
    """Return the sum of the basis with weights, a column for each product."""
    result = 0.0 * basis[0]
    for weight, one in zip(weights, basis, strict=False):
        result += weight * one
    return result


def _dots(one: Any, other: Any) -> Floats:
    """Return the products of rows on this machine, in an order that no threads change."""
    found = (one * other).sum(axis=1)
    return np.asarray(found.get() if hasattr(found, "get") else found)


def _norms(vectors: Floats) -> Floats:
    """Return the lengths of rows."""
    return np.asarray(np.sqrt(_dots(vectors, vectors)))
