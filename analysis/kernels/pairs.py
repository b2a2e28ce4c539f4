"""Cells in the plane of the film and the pairs that touch. No checks, by design.

Lengths are in any one unit. The patch is periodic in x and y and open in z; the film is thin, so
a cell is a column that reaches through it.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def sort_into_cells(positions, sides, columns, rows):
    """Sort particles into columns x rows cells.

    Returns
    -------
    start (columns*rows + 1,), order (N,), cell (N,) : the particles of cell c are
        ``order[start[c]:start[c + 1]]`` in rising order.
    """
    count = positions.shape[0]
    cell = np.empty(count, np.int64)
    start = np.zeros(columns * rows + 1, np.int64)
    for i in range(count):
        column = min(columns - 1, max(0, int(positions[i, 0] / sides[0] * columns)))
        row = min(rows - 1, max(0, int(positions[i, 1] / sides[1] * rows)))
        cell[i] = column * rows + row
        start[cell[i] + 1] += 1
    for c in range(columns * rows):
        start[c + 1] += start[c]
    place = start[:-1].copy()
    order = np.empty(count, np.int64)
    for i in range(count):
        order[place[cell[i]]] = i
        place[cell[i]] += 1
    return start, order, cell


@njit(cache=True, error_model="numpy")
def steps_around(centre, reach, cells):
    """First cell and number of cells so that each cell within reach comes once."""
    if 2 * reach + 1 >= cells:
        return 0, cells
    return centre - reach, 2 * reach + 1


@njit(cache=True, error_model="numpy")
def touching_pairs(positions, units, diameters, sides, shape, start, order, reach, cosine, out):
    """List every pair i < j with r < reach (d_i + d_j)/2, and mark those head to tail.

    Parameters
    ----------
    positions, units (N, 3), diameters (N,), sides (2,) : lengths in one unit, moments as units.
    shape (columns, rows), start, order : cells no smaller than the largest bond.
    reach, cosine : the bond rule, (u_i.n)(u_j.n) > cosine is head to tail.
    out (M, 5) int64 : filled with i, j, image shift x, image shift y, 1 if head to tail.

    Returns
    -------
    int
        Number of pairs; those beyond M are counted but not stored.
    """
    found = 0
    columns, rows = shape
    for i in range(positions.shape[0]):
        column = min(columns - 1, max(0, int(positions[i, 0] / sides[0] * columns)))
        row = min(rows - 1, max(0, int(positions[i, 1] / sides[1] * rows)))
        first_column, wide = steps_around(column, 1, columns)
        first_row, high = steps_around(row, 1, rows)
        for a in range(wide):
            for b in range(high):
                c = ((first_column + a) % columns) * rows + (first_row + b) % rows
                for place in range(start[c], start[c + 1]):
                    j = order[place]
                    if j <= i:
                        continue
                    dx = positions[j, 0] - positions[i, 0]
                    dy = positions[j, 1] - positions[i, 1]
                    dz = positions[j, 2] - positions[i, 2]
                    turn_x = -math.floor(dx / sides[0] + 0.5)
                    turn_y = -math.floor(dy / sides[1] + 0.5)
                    dx += turn_x * sides[0]
                    dy += turn_y * sides[1]
                    square = dx * dx + dy * dy + dz * dz
                    limit = 0.5 * reach * (diameters[i] + diameters[j])
                    if square >= limit * limit:
                        continue
                    if found < out.shape[0]:
                        ahead = units[i, 0] * dx + units[i, 1] * dy + units[i, 2] * dz
                        behind = units[j, 0] * dx + units[j, 1] * dy + units[j, 2] * dz
                        out[found, 0] = i
                        out[found, 1] = j
                        out[found, 2] = int(turn_x)
                        out[found, 3] = int(turn_y)
                        out[found, 4] = 1 if ahead * behind > cosine * square else 0
                    found += 1
    return found


@njit(cache=True, error_model="numpy")
def label_groups(count, pairs):
    """Label the connected groups of a bond list and unfold them across the patch.

    Parameters
    ----------
    count : int
        Particles.
    pairs (B, 5) int64 : i, j, image shifts of j as seen from i.

    Returns
    -------
    label (N,), image (N, 2), degree (N,), spanning (groups,) : groups are numbered by their
        lowest particle; adding image * side makes a group whole; spanning says that a group
        closes on itself through the patch.
    """
    degree = np.zeros(count, np.int64)
    for k in range(pairs.shape[0]):
        degree[pairs[k, 0]] += 1
        degree[pairs[k, 1]] += 1
    start = np.zeros(count + 1, np.int64)
    for i in range(count):
        start[i + 1] = start[i] + degree[i]
    place = start[:-1].copy()
    partner = np.empty((2 * pairs.shape[0], 3), np.int64)
    for k in range(pairs.shape[0]):
        for side in range(2):
            i = pairs[k, side]
            sign = 1 - 2 * side
            partner[place[i], 0] = pairs[k, 1 - side]
            partner[place[i], 1] = sign * pairs[k, 2]
            partner[place[i], 2] = sign * pairs[k, 3]
            place[i] += 1
    label = np.full(count, -1, np.int64)
    image = np.zeros((count, 2), np.int64)
    spanning = np.zeros(count, np.bool_)
    stack = np.empty(count, np.int64)
    groups = 0
    for seed in range(count):
        if label[seed] >= 0:
            continue
        label[seed] = groups
        stack[0] = seed
        depth = 1
        while depth > 0:
            depth -= 1
            i = stack[depth]
            for k in range(start[i], start[i + 1]):
                j = partner[k, 0]
                x = image[i, 0] + partner[k, 1]
                y = image[i, 1] + partner[k, 2]
                if label[j] < 0:
                    label[j] = groups
                    image[j, 0] = x
                    image[j, 1] = y
                    stack[depth] = j
                    depth += 1
                elif image[j, 0] != x or image[j, 1] != y:
                    spanning[groups] = True
        groups += 1
    return label, image, degree, spanning[:groups].copy()
