"""What the film looks like from above: covered area and widths of chains. No checks, by design."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def covered_points(positions, diameters, sides, columns, rows):
    """Points of a columns x rows grid over the patch that a projected particle covers."""
    covered = np.zeros((columns, rows), np.bool_)
    step_x = sides[0] / columns
    step_y = sides[1] / rows
    for i in range(positions.shape[0]):
        radius = 0.5 * diameters[i]
        first = math.ceil((positions[i, 0] - radius) / step_x - 0.5)
        last = math.floor((positions[i, 0] + radius) / step_x - 0.5)
        for column in range(first, last + 1):
            away = (column + 0.5) * step_x - positions[i, 0]
            half = math.sqrt(max(0.0, radius * radius - away * away))
            low = math.ceil((positions[i, 1] - half) / step_y - 0.5)
            high = math.floor((positions[i, 1] + half) / step_y - 0.5)
            for row in range(low, high + 1):
                covered[column % columns, row % rows] = True
    return covered


@njit(cache=True, error_model="numpy")
def widths(positions, diameters, sides, members, start, cluster, lateral, chosen):
    """Projected width of the cluster of each chosen particle, in a strip across its chain.

    The strip runs in the film plane along ``lateral`` and is 1.2 diameters of the particle wide,
    so that of a row beside the chain, shifted by half a particle or not, at least one particle
    lies in it, and none of the chain itself. Each disc of the cluster whose centre is in the
    strip covers its diameter; the width is the unbroken covered stretch that holds the particle.

    Parameters
    ----------
    positions (N, 3), diameters (N,), sides (2,) : lengths in one unit.
    members (N,), start (clusters + 1,), cluster (N,) : particles sorted by cluster, and the
        cluster of each.
    lateral (2,) : unit vector in the film plane.
    chosen (M,) : particles to measure at.

    Returns
    -------
    (M,) widths, in the unit of the positions.
    """
    out = np.empty(chosen.shape[0])
    for k in range(chosen.shape[0]):
        i = chosen[k]
        first = start[cluster[i]]
        last = start[cluster[i] + 1]
        low = np.empty(last - first)
        high = np.empty(last - first)
        cut = 0
        for place in range(first, last):
            j = members[place]
            dx = positions[j, 0] - positions[i, 0]
            dy = positions[j, 1] - positions[i, 1]
            dx -= sides[0] * math.floor(dx / sides[0] + 0.5)
            dy -= sides[1] * math.floor(dy / sides[1] + 0.5)
            off = dx * lateral[1] - dy * lateral[0]
            if abs(off) < 0.6 * diameters[i]:
                middle = dx * lateral[0] + dy * lateral[1]
                low[cut] = middle - 0.5 * diameters[j]
                high[cut] = middle + 0.5 * diameters[j]
                cut += 1
        left = -0.5 * diameters[i]
        right = 0.5 * diameters[i]
        grown = True
        while grown:
            grown = False
            for m in range(cut):
                if low[m] <= right and high[m] >= left:
                    if low[m] < left:
                        left = low[m]
                        grown = True
                    if high[m] > right:
                        right = high[m]
                        grown = True
        out[k] = right - left
    return out
