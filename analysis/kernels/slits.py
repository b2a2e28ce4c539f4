"""Clear stretches of straight lines over the projected film. No checks, by design."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def ascending(keys):
    """Return the order of keys, (N,), from the least to the largest; numba's takes 2 s to compile.

    Shell's sort with the gaps 1, 4, 13, 40, ... (Knuth, The Art of Computer Programming 3, 5.2.1).
    """
    order = np.arange(keys.shape[0])
    gap = 1
    while 3 * gap < keys.shape[0]:
        gap = 3 * gap + 1
    while gap > 0:
        for k in range(gap, keys.shape[0]):
            moved = order[k]
            place = k
            while place >= gap and keys[order[place - gap]] > keys[moved]:
                order[place] = order[place - gap]
                place -= gap
            order[place] = moved
        gap //= 3
    return order


@njit(cache=True, error_model="numpy")
def gaps_along(positions, diameters, sides, origin, direction, length):
    """Clear stretches that begin on one line over the periodic patch.

    Parameters
    ----------
    positions (N, 3), diameters (N,), sides (2,) : lengths in one unit; discs are projected on z.
    origin, direction (2,) : start of the line and its unit vector.
    length : stretches that begin within this length of the line are listed, whole.

    Returns
    -------
    (G, 4) clear stretches: width, distance along the line at which each begins, distance from there
    to the begin of the next one, and number of discs between the two.
    """
    reach = 2.0 * length  # a stretch may end beyond the piece on which it begins
    radius = 0.5 * diameters.max()
    low = np.empty(2, np.int64)
    high = np.empty(2, np.int64)
    for axis in range(2):
        end = origin[axis] + reach * direction[axis]
        low[axis] = math.floor((min(origin[axis], end) - radius) / sides[axis])
        high[axis] = math.floor((max(origin[axis], end) + radius) / sides[axis])
    begins = np.empty(64)
    ends = np.empty(64)
    count = 0
    for i in range(positions.shape[0]):
        r = 0.5 * diameters[i]
        for a in range(low[0], high[0] + 1):
            dx = positions[i, 0] + a * sides[0] - origin[0]
            for b in range(low[1], high[1] + 1):
                dy = positions[i, 1] + b * sides[1] - origin[1]
                off = dx * direction[1] - dy * direction[0]
                if abs(off) >= r:
                    continue
                middle = dx * direction[0] + dy * direction[1]
                half = math.sqrt(r * r - off * off)
                if middle + half < 0.0 or middle - half > reach:
                    continue
                if count == begins.shape[0]:
                    begins = np.concatenate((begins, np.empty(count)))
                    ends = np.concatenate((ends, np.empty(count)))
                begins[count] = middle - half
                ends[count] = middle + half
                count += 1
    order = ascending(begins[:count])
    out = np.empty((count, 4))
    found = 0
    covered = -1.0
    discs = 0
    for k in range(count):
        at = order[k]
        if covered >= 0.0 and begins[at] > covered:
            if found > 0:
                out[found - 1, 2] = covered - out[found - 1, 1]
                out[found - 1, 3] = discs
            if covered >= length:
                break
            out[found, 0] = begins[at] - covered
            out[found, 1] = covered
            found += 1
            discs = 0
        covered = max(covered, ends[at])
        discs += 1
    else:  # the line ended in a stretch, or before the next one
        if found > 0:
            out[found - 1, 2] = covered - out[found - 1, 1]
            out[found - 1, 3] = discs
    return out[:found].copy()
