"""Place of the first maximum of the pair correlation of chain axes, with its error.

A shell may be a bell (a lattice whose places scatter), whose centre is its place, or rise at once
and fall slowly (chains that only keep a distance), which is no spacing. A bell with two widths
tells one from the other; its own mode strays too far in few bins to be the place.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.common.averages.student import ONE_SIGMA, student_factor
from analysis.uncertainty.estimate import Estimate

Floats = NDArray[np.float64]

SUBDIVIDED = 4
"""Points inside a bin at which the law is averaged."""

FEWEST_BLOCKS = 3

WORTH = 0.99
"""Level of the F test from which on a shell counts as lopsided; with few bins beyond the
parameters of the fit it takes a much better one."""

EDGE = math.log(2.5)
"""Log of right over left width from which on a shell is an edge and no spacing."""

BROADEST = 0.22
"""Width over place from which on the flank of the next shell, at twice the place, lies under a
shell and draws its maximum outwards: then it has no place of its own."""

NARROW = 0.5
"""A shell narrower than this share of a bin has its place only to the rectangle of a bin."""

STANDS_OUT = 4.0
"""Least rise of the top above either valley, in its error by parts of the film.

With it 0 of 80 films of 10 chains a row at random show a shell (8 without), 1 of 80 whose chains
keep half a spacing apart (26), 41 of 80 whose gaps scatter by a tenth (72)."""

VALLEY_BINS = 3

STRAYS = 0.03
"""Bins by which the place of a bell strays from that of shells which are none, in quadrature: those
of square and hexagonal lattices in depth lie 0.02 of a bin too near."""


def shell_place(counts: Floats, ideal: Floats, edges: Floats, guess: float) -> Estimate | None:
    """Return the place of the shell around a guess.

    Parameters
    ----------
    counts : (blocks, bins) array
        Pairs counted in each part of the film, summed over frames.
    ideal : (bins,) array
        Pairs that chains at random would give.
    edges : (bins + 1,) array
        Edges of the bins in m, evenly spaced.
    guess : float
        A place within the shell in m.

    Returns
    -------
    Estimate or None
        The error is the jackknife over the parts of the film (Efron and Tibshirani, An
        Introduction to the Bootstrap, 1993, chapter 11, from memory), widened by Student's factor.
        None where the shell has no mode between its two valleys, does not rise above both by
        ``STANDS_OUT`` errors, is an edge (chains at random that only keep a distance) or so broad
        that it merges with the next one, or too few parts hold pairs.
    """
    step = float(edges[1] - edges[0])
    first, last = _valleys(counts.sum(axis=0), ideal, int(guess / step))
    rows = slice(first, last + 1)
    centres = np.asarray(np.arange(first, last + 1) + 0.5 - guess / step, dtype=np.float64)
    inside, level = counts[:, rows], ideal[rows]
    parts = np.flatnonzero(inside.sum(axis=1) > 0)
    if len(centres) < 4 or len(parts) < FEWEST_BLOCKS:
        return None
    total = inside.sum(axis=0)
    high = math.log(max(1e-3, float((total / level).max())))
    bell, cost = _fit(centres, total, level, np.array([0.0, 0.3, high, -3.0]))
    top = float(centres[int((total / level).argmax())])
    edge = np.array([top, -1.2, high, bell[3], bell[1] + 1.7])
    starts = (edge, np.append(bell, 0.0))
    two, two_cost = min((_fit(centres, total, level, p) for p in starts), key=lambda fit: fit[1])
    # Rising at once and falling slowly is the mark of chains that only keep a distance.
    if not centres[0] < bell[0] < centres[-1] or two[4] > EDGE:
        return None
    top_bins = np.abs(centres - bell[0]) <= max(0.5, math.exp(bell[1]))
    if _rise(inside[parts], level, top_bins) < STANDS_OUT:
        return None
    if math.exp(bell[1]) * step > BROADEST * (guess + step * float(bell[0])):
        return None
    places = np.array([_fit(centres, total - inside[k], level, bell)[0][0] for k in parts])
    count = len(parts)
    error = float(_jackknife(places))
    if bell[1] < math.log(NARROW):
        error = math.hypot(error, 1 / math.sqrt(12))
    wide = step * math.hypot(error * student_factor(ONE_SIGMA, count - 1.0), STRAYS)
    # One width more must be worth it: a law with two has its mode less certain.
    free = len(centres) - len(two)
    gain = (cost - two_cost) / max(two_cost, 1e-12 * cost) * free
    if free > 0 and gain > student_factor(WORTH, free) ** 2:
        # No bell: what it has for a maximum is as uncertain as the two laws differ.
        wide = math.hypot(wide, step * float(two[0] - bell[0]))
    return Estimate(guess + step * float(bell[0]), wide, count, count - 1.0)


def _jackknife(without: Floats) -> Floats:
    """Return the error of what was found with each part left out in turn, along the first axis."""
    count = len(without)
    square = ((without - without.mean(axis=0)) ** 2).sum(axis=0)
    return np.asarray(np.sqrt((count - 1) / count * square))


def _rise(counts: Floats, ideal: Floats, top: NDArray[np.bool_]) -> float:
    """Return by how many errors the top rises above the higher of its valleys, at the ends.

    The error is the jackknife over the parts of the film, as that of the place.
    """
    many, bins = counts.shape
    ends = max(1, min(VALLEY_BINS, bins // 4))
    left, right = np.arange(bins) < ends, np.arange(bins) >= bins - ends
    if not top.any():
        return 0.0

    def over(pairs: Floats) -> Floats:
        height = [float(pairs[of].sum() / ideal[of].sum()) for of in (top, left, right)]
        return np.array([height[0] - height[1], height[0] - height[2]])

    total = counts.sum(axis=0)
    without = np.array([over(total - part) for part in counts])
    error = _jackknife(without) * student_factor(ONE_SIGMA, many - 1.0)
    return float((over(total) / np.maximum(error, 1e-300)).min())


def _valleys(counts: Floats, ideal: Floats, top: int) -> tuple[int, int]:
    """Return the bins of the lowest places left and right of a shell, before the next one."""
    g = np.divide(counts, ideal, out=np.zeros_like(counts), where=ideal > 0)
    smooth = np.convolve(np.pad(g, 2, mode="edge"), np.ones(5) / 5, mode="valid")
    top = min(max(top, 1), len(g) - 2)
    around = max(0, top - 3)
    top = around + int(smooth[around : top + 4].argmax())
    half = 0.5 * smooth[top]
    first = last = top
    # Wiggles near the top are noise: a valley ends where the curve has risen by a tenth again.
    for k in range(top - 1, -1, -1):
        if smooth[k] < smooth[first]:
            first = k
        elif smooth[k] > smooth[first] + 0.2 * half or smooth[k] == 0.0:
            break
    for k in range(top + 1, len(g)):
        if smooth[k] < smooth[last]:
            last = k
        elif smooth[k] > smooth[last] + 0.2 * half:
            break
    while ideal[first] <= 0 and first < top:
        first += 1
    return first, last


def _fit(x: Floats, counts: Floats, ideal: Floats, start: Floats) -> tuple[Floats, float]:
    """Fit a bell with x in bins; return (p, cost).

    ``p`` is mode, log width, log height, log base and, where the right width is another one, the
    log of right over left.
    """
    from scipy.optimize import least_squares

    fine = x[:, None] + (np.arange(SUBDIVIDED) + 0.5) / SUBDIVIDED - 0.5
    wanted = counts / ideal
    weight = np.sqrt(ideal / np.maximum(wanted, 0.05 * float(wanted.max())))
    weight /= float(weight.max())

    def residual(p: Floats) -> Floats:
        away = fine - p[0]
        right = math.exp(p[1] + (p[4] if len(p) > 4 else 0.0))
        width = np.where(away < 0, math.exp(p[1]), right)
        law = math.exp(p[2]) * np.exp(-0.5 * (away / width) ** 2).mean(axis=1) + math.exp(p[3])
        return np.asarray(weight * (law - wanted))

    span = float(x[-1] - x[0])
    low = np.array([x[0] - 1, math.log(0.15), -12.0, -12.0, -4.0])[: len(start)]
    high = np.array([x[-1] + 1, math.log(span + 1), 12.0, 12.0, 4.0])[: len(start)]
    found = least_squares(
        residual, np.clip(start, low + 1e-6, high - 1e-6), bounds=(low, high), max_nfev=60,
        ftol=1e-6,
    )  # fmt: skip
    return np.asarray(found.x), float(found.cost)
