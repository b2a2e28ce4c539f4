"""Distances between chain axes, measured across the chains. No checks, by design."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from analysis.kernels.pairs import steps_around


@njit(cache=True, error_model="numpy")
def distances_across(
    positions, chain, block, axis, sides, shape, start, order, window, reach, counts
):
    """Nearest other chain of every chain particle, and the counts of all distances.

    Two particles of different chains are level when they are less than ``window`` apart along
    ``axis``; their distance across is that perpendicular to ``axis``, in three dimensions.

    Parameters
    ----------
    positions (N, 3), chain (N,) : chain index, -1 for particles that count for no chain.
    block (N,) : part of the film in which a particle is counted.
    axis (3,), sides (2,) : direction of the chains (unit), patch.
    shape (columns, rows), start, order : cells of any size.
    window, reach : see above; distances beyond reach are left out.
    counts (blocks, bins) int64 : ordered pairs are added to it, in the row block[i] and the bin of
        width reach/bins.

    Returns
    -------
    nearest (N,) : smallest distance across, infinite where there is none within reach.
    """
    columns, rows = shape
    bins = counts.shape[1]
    nearest = np.full(positions.shape[0], np.inf)
    # Half sizes of the box that holds all displacements in question.
    extent_x = window * abs(axis[0]) + reach * math.sqrt(max(0.0, 1.0 - axis[0] * axis[0]))
    extent_y = window * abs(axis[1]) + reach * math.sqrt(max(0.0, 1.0 - axis[1] * axis[1]))
    far_column = int(extent_x / (sides[0] / columns)) + 1
    far_row = int(extent_y / (sides[1] / rows)) + 1
    for i in range(positions.shape[0]):
        if chain[i] < 0:
            continue
        column = min(columns - 1, max(0, int(positions[i, 0] / sides[0] * columns)))
        row = min(rows - 1, max(0, int(positions[i, 1] / sides[1] * rows)))
        first_column, wide = steps_around(column, far_column, columns)
        first_row, high = steps_around(row, far_row, rows)
        best = np.inf
        for a in range(wide):
            for b in range(high):
                c = ((first_column + a) % columns) * rows + (first_row + b) % rows
                for place in range(start[c], start[c + 1]):
                    j = order[place]
                    if chain[j] < 0 or chain[j] == chain[i]:
                        continue
                    dx = positions[j, 0] - positions[i, 0]
                    dy = positions[j, 1] - positions[i, 1]
                    dz = positions[j, 2] - positions[i, 2]
                    dx -= sides[0] * math.floor(dx / sides[0] + 0.5)
                    dy -= sides[1] * math.floor(dy / sides[1] + 0.5)
                    along = dx * axis[0] + dy * axis[1] + dz * axis[2]
                    if abs(along) >= window:
                        continue
                    across = math.sqrt(max(0.0, dx * dx + dy * dy + dz * dz - along * along))
                    if across < reach:
                        counts[block[i], int(across / reach * bins)] += 1
                        best = min(best, across)
        nearest[i] = best
    return nearest
