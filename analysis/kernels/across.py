"""Distances between chain axes, measured across the chains. No checks, by design."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from analysis.kernels.cells import layers_around, steps_around


@njit(cache=True, error_model="numpy")
def distances_across(cells, chain, block, axis, window, reach, nearest, counts):
    """Nearest other chain of every chain particle, and the counts of all distances.

    Two particles of different chains are level when they are less than ``window`` apart along
    ``axis``; their distance across is that perpendicular to ``axis``, in three dimensions.

    Parameters
    ----------
    cells : Cells
        Of any size, with the particles of chains alone.
    chain, block (N,) : chain of each particle, and the part of the film in which it is counted.
    axis (3,) : direction of the chains, a unit vector.
    window, reach : see above; distances beyond reach are left out.
    nearest (N,) : filled with the smallest distance across where it is infinite and there is one
        within reach; particles that have one are passed over.
    counts (blocks, bins) int64 : ordered pairs are added to it, in the row block[i] and the bin of
        width reach/bins; without bins nothing is counted.
    """
    sides, points = cells.sides, cells.points
    columns, rows, layers = cells.shape
    bins = counts.shape[1]
    # Half sizes of the box that holds all displacements in question, in cells.
    extent = np.empty(3)
    for k in range(3):
        extent[k] = window * abs(axis[k]) + reach * math.sqrt(max(0.0, 1.0 - axis[k] * axis[k]))
    far_column = int(extent[0] / (sides[0] / columns)) + 1
    far_row = int(extent[1] / (sides[1] / rows)) + 1
    far_layer = int(extent[2] / (cells.height / layers)) + 1 if layers > 1 else 0
    for home in range(columns * rows * layers):
        first_column, wide = steps_around(home // (rows * layers), far_column, columns)
        first_row, high = steps_around(home // layers % rows, far_row, rows)
        first_layer, deep = layers_around(home % layers, far_layer, layers)
        for own in range(cells.start[home], cells.start[home + 1]):
            i = cells.order[own]
            if nearest[i] < np.inf:
                continue
            best = np.inf
            for a in range(wide):
                for b in range(high):
                    c = ((first_column + a) % columns) * rows + (first_row + b) % rows
                    c = c * layers + first_layer
                    for other in range(cells.start[c], cells.start[c + deep]):
                        if chain[cells.order[other]] == chain[i]:
                            continue
                        dx = points[other, 0] - points[own, 0]
                        dy = points[other, 1] - points[own, 1]
                        dz = points[other, 2] - points[own, 2]
                        dx -= sides[0] * math.floor(dx / sides[0] + 0.5)
                        dy -= sides[1] * math.floor(dy / sides[1] + 0.5)
                        along = dx * axis[0] + dy * axis[1] + dz * axis[2]
                        if abs(along) >= window:
                            continue
                        across = math.sqrt(max(0.0, dx * dx + dy * dy + dz * dz - along * along))
                        if across < reach:
                            best = min(best, across)
                            if bins > 0:
                                counts[block[i], int(across / reach * bins)] += 1
            nearest[i] = best
