"""Cells of a film, for loops over near particles. No checks, by design.

Lengths are in any one unit. The patch is periodic in x and y and open in z.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from analysis.kernels.layout import Cells


@njit(cache=True, error_model="numpy", inline="always")
def step_of(place, side, cells):
    """Cell of a place from 0 to side, the first or last one for what rounding puts beyond."""
    return min(cells - 1, max(0, int(place / side * cells)))


@njit(cache=True, error_model="numpy")
def cell_of(point, sides, bottom, height, shape):
    """Return the number of the cell that holds a point (3,); see ``Cells``."""
    column = step_of(point[0], sides[0], shape[0])
    row = step_of(point[1], sides[1], shape[1])
    layer = step_of(point[2] - bottom, height, shape[2]) if shape[2] > 1 else 0
    return (column * shape[1] + row) * shape[2] + layer


@njit(cache=True, error_model="numpy")
def sort_into_cells(positions, sides, bottom, height, shape):
    """Sort particles, (N, 3), into cells; the arguments are those of ``Cells``."""
    count = positions.shape[0]
    cells = shape[0] * shape[1] * shape[2]
    start = np.zeros(cells + 1, np.int64)
    for i in range(count):
        start[cell_of(positions[i], sides, bottom, height, shape) + 1] += 1
    for c in range(cells):
        start[c + 1] += start[c]
    place = start[:-1].copy()
    order = np.empty(count, np.int64)
    points = np.empty((count, 3))
    for i in range(count):
        c = cell_of(positions[i], sides, bottom, height, shape)
        order[place[c]] = i
        for axis in range(3):  # a row as a whole takes longer to compile than all else
            points[place[c], axis] = positions[i, axis]
        place[c] += 1
    return Cells(sides, bottom, height, shape, start, order, points)


@njit(cache=True, error_model="numpy")
def steps_around(centre, reach, cells):
    """First cell and number of cells so that each cell within reach comes once."""
    if 2 * reach + 1 >= cells:
        return 0, cells
    return centre - reach, 2 * reach + 1


@njit(cache=True, error_model="numpy")
def layers_around(centre, reach, cells):
    """First cell and number of cells within reach where there is no way round."""
    first = max(0, centre - reach)
    return first, min(cells, centre + reach + 1) - first
