"""The pairs that touch, and the groups that they make. No checks, by design."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from analysis.kernels.cells import layers_around, steps_around


@njit(cache=True, error_model="numpy")
def touching_pairs(cells, units, diameters, reach, cosine, place, out):
    """List every pair i < j with r < reach (d_i + d_j)/2, and mark those head to tail.

    Parameters
    ----------
    cells : Cells
        None smaller than the largest bond.
    units (N, 3), diameters (N,) : moments as units, diameters in the unit of the centres.
    reach, cosine : the bond rule, (u_i.n)(u_j.n) > cosine is head to tail.
    place (N,) int64 : where in out the pairs of each particle begin; raised by their number.
    out (M, 5) int64 : filled with i, j, image shift x, image shift y, 1 if head to tail. With no
        row it is left alone, and pairs are only counted.
    """
    sides, order, points = cells.sides, cells.order, cells.points
    columns, rows, layers = cells.shape
    widest = reach * diameters.max()
    for home in range(columns * rows * layers):
        first_column, wide = steps_around(home // (rows * layers), 1, columns)
        first_row, high = steps_around(home // layers % rows, 1, rows)
        first_layer, deep = layers_around(home % layers, 1, layers)
        for own in range(cells.start[home], cells.start[home + 1]):
            i = order[own]
            for a in range(wide):
                for b in range(high):
                    c = ((first_column + a) % columns) * rows + (first_row + b) % rows
                    c = c * layers + first_layer
                    for other in range(cells.start[c], cells.start[c + deep]):
                        j = order[other]
                        if j <= i:
                            continue
                        dx = points[other, 0] - points[own, 0]
                        dy = points[other, 1] - points[own, 1]
                        dz = points[other, 2] - points[own, 2]
                        turn_x = -math.floor(dx / sides[0] + 0.5)
                        turn_y = -math.floor(dy / sides[1] + 0.5)
                        dx += turn_x * sides[0]
                        dy += turn_y * sides[1]
                        square = dx * dx + dy * dy + dz * dz
                        if square >= widest * widest:
                            continue
                        limit = 0.5 * reach * (diameters[i] + diameters[j])
                        if square >= limit * limit:
                            continue
                        found = place[i]
                        place[i] += 1
                        if out.shape[0] == 0:
                            continue
                        ahead = units[i, 0] * dx + units[i, 1] * dy + units[i, 2] * dz
                        behind = units[j, 0] * dx + units[j, 1] * dy + units[j, 2] * dz
                        out[found, 0] = i
                        out[found, 1] = j
                        out[found, 2] = int(turn_x)
                        out[found, 3] = int(turn_y)
                        out[found, 4] = 1 if ahead * behind > cosine * square else 0


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
