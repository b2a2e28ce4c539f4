"""Points spread over a grid by a smooth window, for sums of waves. No checks, by design.

The window of width w is exp(beta (sqrt(1 - z^2) - 1)) at z = 2 t/w, t in steps of the grid
(Barnett, Magland, af Klinteberg, SIAM J. Sci. Comput. 41, C479 (2019), from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy", inline="always")
def window_row(place, width, beta, row):
    """Fill row with the window around a place in steps of the grid; return the first point."""
    first = math.ceil(place - 0.5 * width)
    for k in range(width):
        z = (first + k - place) * (2.0 / width)
        row[k] = math.exp(beta * (math.sqrt(max(0.0, 1.0 - z * z)) - 1.0))
    return first


@njit(cache=True, error_model="numpy")
def spread_points(points, sides, shape, width, beta):
    """Sum of the windows of all points on a periodic grid.

    Parameters
    ----------
    points (N, 2 or more), sides (2,) : x and y of each, and the patch, in one unit.
    shape (columns, rows), width : points of the grid, each at least the width of the window.
    beta : see above.

    Returns
    -------
    (columns, rows) sums; point (a, b) stands at a/columns, b/rows of the patch.
    """
    columns, rows = shape
    # Windows hang over the edges; a frame takes that, so that the inner loop need not wrap.
    grid = np.zeros((columns + 2 * width, rows + 2 * width))
    along_x = np.empty(width)
    along_y = np.empty(width)
    for i in range(points.shape[0]):
        x = points[i, 0] / sides[0]
        y = points[i, 1] / sides[1]
        a = window_row((x - math.floor(x)) * columns, width, beta, along_x) + width
        b = window_row((y - math.floor(y)) * rows, width, beta, along_y) + width
        for k in range(width):
            for m in range(width):
                grid[a + k, b + m] += along_x[k] * along_y[m]
    for k in range(width):
        for b in range(grid.shape[1]):
            grid[columns + k, b] += grid[k, b]
            grid[width + k, b] += grid[columns + width + k, b]
    for a in range(grid.shape[0]):
        for k in range(width):
            grid[a, rows + k] += grid[a, k]
            grid[a, width + k] += grid[a, rows + width + k]
    return grid[width : columns + width, width : rows + width].copy()
