"""Sums of waves over particles, sum exp(-i q.r), for all modes of a patch.

Few particles are summed one by one. Many are spread over a grid by a smooth window, whose
transform, divided by that of the window, is the same sum to rounding; that costs the same for each
particle, however many modes there are, and memory for the grid alone.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

FEWEST_ON_GRID = 256
"""Fewer particles are summed one by one: the grid has about eight points a mode, a point costs
as much as twenty products of the plain sum, and rows of few modes cost little either way."""

WIDTH = 14
FINER = 2
BETA = 2.30 * WIDTH
"""The window is 14 steps wide on a grid twice as fine as the modes need: errors of 3e-12 sqrt(N),
those of the plain sum (window and beta: Barnett, Magland, af Klinteberg, SIAM J. Sci. Comput. 41,
C479 (2019), from memory)."""


def sum_waves(positions: Floats, sides: Floats, most: tuple[int, int]) -> Complexes:
    """Return sum exp(-i q.r) over particles, on modes of the patch.

    Parameters
    ----------
    positions : (N, 3) array
        Centres; z is not used.
    sides : (2,) array
        Patch, in the unit of the centres.
    most : (n, m)
        Modes along both half axes.

    Returns
    -------
    (2 n + 1, m + 1) array
        At q = 2 pi (k/side_x, l/side_y) with k from -n to n and l from 0 to m.
    """
    if len(positions) < FEWEST_ON_GRID:
        return sum_one_by_one(positions, sides, most)
    return sum_on_grid(positions, sides, most)


def sum_one_by_one(positions: Floats, sides: Floats, most: tuple[int, int]) -> Complexes:
    """Return the sum of ``sum_waves`` term by term; 16 bytes a particle and mode of a half axis."""
    right = _powers(positions[:, 0], 2 * math.pi / sides[0], most[0])
    up = _powers(positions[:, 1], 2 * math.pi / sides[1], most[1])
    return np.asarray(np.concatenate([right[:0:-1].conj(), right]) @ up.T)


def sum_on_grid(positions: Floats, sides: Floats, most: tuple[int, int]) -> Complexes:
    """Return the sum of ``sum_waves`` by a transform of the spread particles."""
    from scipy.fft import fft, next_fast_len, rfft

    from analysis.kernels.spreading import spread_points

    columns, rows = (
        int(next_fast_len(max(FINER * (2 * k + 1), 2 * WIDTH), real=True)) for k in most
    )
    grid = spread_points(positions, sides, (columns, rows), WIDTH, BETA)
    half = rfft(grid, axis=1)[:, : most[1] + 1]
    whole = fft(half, axis=0)
    x, y = np.arange(-most[0], most[0] + 1), np.arange(most[1] + 1)
    window = window_transform(x / columns)[:, None] * window_transform(y / rows)
    return np.asarray(whole[x] / window)


def window_transform(frequency: Floats) -> Floats:
    """Return the transform of the window at so many turns a step of its grid, (n,).

    It is smooth within its width, so that a quadrature of a few nodes has all digits.
    """
    nodes, weights = _nodes()
    window = np.exp(BETA * (np.sqrt(1 - nodes**2) - 1))
    return np.asarray(
        0.5 * WIDTH * np.cos(math.pi * WIDTH * frequency[:, None] * nodes) @ (weights * window)
    )


@cache
def _nodes() -> tuple[Floats, Floats]:
    """Return nodes and weights of Gauss and Legendre over the width of the window."""
    nodes, weights = np.polynomial.legendre.leggauss(8 * WIDTH)
    return nodes, weights


def _powers(coordinate: Floats, step: float, most: int) -> Complexes:
    """Return exp(-i k step x) for k = 0 to ``most``, (most + 1, N), by repeated products."""
    out = np.empty((most + 1, len(coordinate)), dtype=np.complex128)
    out[0] = 1.0
    base = np.exp(-1j * step * coordinate)
    for k in range(1, most + 1):
        # A fresh exponential now and then keeps the rounding of long products down.
        out[k] = np.exp(-1j * k * step * coordinate) if k % 32 == 0 else out[k - 1] * base
    return out
