"""Chains in the order of their particles, their bends, their neighbours. No checks, by design."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def walk_chains(partner, ends):
    """Follow chains from one end to the other.

    Parameters
    ----------
    partner (N, 2) int64 : the bonded particles, -1 for none.
    ends (C,) int64 : one end of each chain.

    Returns
    -------
    order (N,), start (C + 1,) : the particles of chain c are ``order[start[c]:start[c + 1]]``.
    """
    order = np.empty(partner.shape[0], np.int64)
    start = np.zeros(ends.shape[0] + 1, np.int64)
    place = 0
    for c in range(ends.shape[0]):
        before = -1
        here = ends[c]
        while here >= 0:
            order[place] = here
            place += 1
            ahead = partner[here, 0]
            if ahead == before or ahead < 0:
                ahead = partner[here, 1]
            if ahead == before:
                ahead = -1
            before = here
            here = ahead
        start[c + 1] = place
    return order[:place].copy(), start


@njit(cache=True, error_model="numpy")
def tangent_sums(tangents, start, batch, sums, counts):
    """Add the products of tangents k bonds apart.

    Parameters
    ----------
    tangents (M, 3), start (C + 1,) : unit vectors along the bonds, bonds of chain c from start[c].
    batch (C,) int64 : the batch that each chain belongs to.
    sums, counts (batches, K) : row b, column k get the products k bonds apart.
    """
    most = sums.shape[1]
    for c in range(start.shape[0] - 1):
        last = start[c + 1]
        b = batch[c]
        for i in range(start[c], last):
            for k in range(min(most, last - i)):
                j = i + k
                sums[b, k] += (
                    tangents[i, 0] * tangents[j, 0]
                    + tangents[i, 1] * tangents[j, 1]
                    + tangents[i, 2] * tangents[j, 2]
                )
                counts[b, k] += 1


@njit(cache=True, error_model="numpy")
def cross_sections(positions, tangents, diameters, sides, chain, members, start, bundle, chosen):
    """Strands and widths of bundles, cut across at chosen particles.

    The cut runs perpendicular to the chain at the particle and is 1.3 diameters thick, so that at
    least one particle of a strand beside it lies in it, shifted by half a particle or not.

    Parameters
    ----------
    positions, tangents (N, 3), diameters (N,), sides (2,) : lengths in one unit.
    chain, bundle (N,) int64 : chain and bundle of each particle.
    members (N,), start (bundles + 1,) : particles sorted by bundle.
    chosen (M,) int64 : particles to cut at.

    Returns
    -------
    strands (M,), width (M,) : different chains in the cut; the largest distance across between
        two particles of the cut, and a diameter.
    """
    strands = np.empty(chosen.shape[0])
    width = np.empty(chosen.shape[0])
    d = np.empty(3)
    for k in range(chosen.shape[0]):
        i = chosen[k]
        first, last = start[bundle[i]], start[bundle[i] + 1]
        across = np.empty((last - first, 3))
        names = np.empty(last - first, np.int64)
        cut = 0
        for place in range(first, last):
            j = members[place]
            for axis in range(3):
                d[axis] = positions[j, axis] - positions[i, axis]
            d[0] -= sides[0] * math.floor(d[0] / sides[0] + 0.5)
            d[1] -= sides[1] * math.floor(d[1] / sides[1] + 0.5)
            along = d[0] * tangents[i, 0] + d[1] * tangents[i, 1] + d[2] * tangents[i, 2]
            if abs(along) < 0.65 * diameters[i]:
                for axis in range(3):
                    across[cut, axis] = d[axis] - along * tangents[i, axis]
                names[cut] = chain[j]
                cut += 1
        strands[k] = 0
        widest = 0.0
        for a in range(cut):
            known = False
            for b in range(a):
                known = known or names[b] == names[a]
                square = 0.0
                for axis in range(3):
                    square += (across[a, axis] - across[b, axis]) ** 2
                widest = max(widest, square)
            strands[k] += 0 if known else 1
        width[k] = math.sqrt(widest) + diameters[i]
    return strands, width
