"""Projected structure factor, and the position of a peak in a noisy curve.

The film is projected along z onto its plane, as light through it sees it. Only the wave vectors
that fit the periodic patch exist, so curves are binned no finer than those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.spacing.waves import sum_waves

Floats = NDArray[np.float64]

MOST_MODES = 160
"""Modes along each half axis; larger patches get a smaller largest wave number, as far as they need
no more."""

FEWEST_ALONG = 8
"""Modes in a row from which on their mean height is known."""

PEAK_TRIALS = 200
"""Noisy copies of a curve from which the error of its peak position follows."""

OVERTONE = 1.6
"""A maximum further than this factor from a peak is another order, not the same peak moved."""


@dataclass(frozen=True)
class ModeGrid:
    """Wave vectors of a patch: ``qx`` from -n to n, ``qy`` from 0 to m, in rad per unit length."""

    qx: Floats
    qy: Floats

    @classmethod
    def of(cls, sides: Floats, shortest: float, needed: float = math.inf) -> ModeGrid:
        """Return all modes down to the wavelength ``shortest``.

        They are at most ``MOST_MODES`` an axis, or as many as reach the wavelength ``needed``.
        """
        limits = [max(MOST_MODES, int(side / needed)) for side in sides]
        most = [
            min(limit, max(1, int(side / shortest)))
            for side, limit in zip(sides, limits, strict=True)
        ]
        return cls(
            2 * math.pi / sides[0] * np.arange(-most[0], most[0] + 1),
            2 * math.pi / sides[1] * np.arange(most[1] + 1),
        )

    def flat(self) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Return qx and qy of every mode, (n, m), and which to use: half plane without q = 0."""
        qx, qy = np.meshgrid(self.qx, self.qy, indexing="ij")
        return qx, qy, (qy > 0) | (qx > 0)


def structure_factor(positions: Floats, grid: ModeGrid) -> Floats:
    """Return the projected structure factor |sum exp(-i q.r)|^2/N on the half grid.

    Parameters
    ----------
    positions : (N, 3) array
        Centres; z is not used.
    grid : ModeGrid
        Wave vectors that fit the patch.

    Returns
    -------
    (2n + 1, m + 1) array
        S at ``qx``, ``qy``; 1 for particles at random, the value at q = 0 is N.
    """
    count = len(positions)
    if count == 0:
        return np.zeros((len(grid.qx), len(grid.qy)))
    most = (len(grid.qx) // 2, len(grid.qy) - 1)
    sides = 2 * math.pi / np.array([grid.qx[most[0] + 1], grid.qy[1]])
    amplitude = sum_waves(positions, sides, most)
    return np.asarray((amplitude.real**2 + amplitude.imag**2) / count)


def full_map(half: Floats) -> Floats:
    """Return S on qx from -n to n, qy from -m to m, as (qy, qx), from the half grid."""
    upper = half.T
    return np.concatenate([upper[:0:-1, ::-1], upper])


def profile(
    average: Floats,
    grid: ModeGrid,
    sides: Floats,
    across: Floats | None,
    band: float,
    structures: float,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the structure factor against the wave number, with errors.

    Parameters
    ----------
    average : (2n + 1, m + 1) array
        Time average of ``structure_factor``.
    grid, sides : ModeGrid, (2,) array
        Modes and patch.
    across : (2,) array or None
        Unit vector in the plane across the chains: modes less than ``band`` off it count, against
        their wave number along it. None averages over all directions.
    band : float
        Half width of the band of modes, rad per unit length.
    structures : float
        Independent structures in the average: frames of frozen chains do not average the speckle.

    Returns
    -------
    q, s, error, flat : (bins,) arrays
        Bins of one mode spacing, q weighted with s; empty bins are left out. The error is that of
        speckle: each mode of each independent structure is exponentially distributed, so its
        variance is half its mean square.
    """
    qx, qy, use = grid.flat()
    if across is None:
        number = np.hypot(qx, qy)
        width = 2 * math.pi / math.sqrt(sides[0] * sides[1])
        largest = min(grid.qx[-1], grid.qy[-1])
    else:
        number = np.abs(qx * across[0] + qy * across[1])
        off = np.abs(qx * across[1] - qy * across[0])
        use = use & (off <= band * (1 + 1e-9))
        width = 2 * math.pi / (sides[0] * abs(across[0]) + sides[1] * abs(across[1]))
        largest = math.inf
    bins = np.floor(number / width + 0.5).astype(np.int64)
    keep = use & (bins > 0) & (number <= largest)
    bins, number, value = bins[keep], number[keep], average[keep]
    many = np.bincount(bins)
    filled = many > 0
    modes = many[filled]
    total = np.bincount(bins, value)[filled]
    s = total / modes
    # Where the light of a bin sits: exact for a regular film whose peak is one mode.
    plain = np.bincount(bins, number)[filled] / modes
    weighted = np.bincount(bins, number * value)[filled]
    q = np.divide(weighted, total, out=plain, where=total > 0)
    square = np.bincount(bins, value**2)[filled] / modes
    # At least the error of equal modes: with few modes their mean square scatters itself.
    free = modes * max(1.0, structures)
    if across is not None:
        free *= alike(np.rint(off[keep] / (width * 1e-3)), value)
    return q, s, np.sqrt(np.maximum(square / 2, s**2) / free), 1 / np.sqrt(free)


def alike(streak: Floats, value: Floats) -> float:
    """Return the share of modes that count: those of one bin differ in height along a streak.

    Of heights L, (sum L)^2/(n sum L^2) count: modes off the direction across see the chains'
    length, and copies of one row along the chains leave but one of them.
    """
    _, own, many = np.unique(streak, return_inverse=True, return_counts=True)
    level = np.bincount(own, value) / many
    enough = many >= FEWEST_ALONG
    square = float((level[enough] ** 2 * many[enough]).sum() * many[enough].sum())
    if enough.sum() < 2 or square <= 0:
        return 1.0
    return float((level[enough] * many[enough]).sum()) ** 2 / square


@dataclass(frozen=True)
class Peak:
    """Position of a maximum, its error, and the chance that noise alone makes such a maximum."""

    position: float
    error: float
    chance: float


def find_peak(
    x: Floats,
    y: Floats,
    error: Floats,
    flat: Floats,
    low: float,
    high: float,
    share: float = 0.5,
) -> Peak | None:
    """Return the inner maximum of a noisy curve that stands out most.

    Parameters
    ----------
    x, y, error : (n,) arrays
        Curve, nowhere negative, with the standard error of each point.
    flat : (n,) array
        Relative error that each point would have if the curve were flat.
    low, high : float
        The maximum is looked for between these.
    share : float
        The first maximum that stands out by this share of the one that does most is taken.

    Returns
    -------
    Peak or None
        None where the curve has no inner maximum there, or no errors. The position is the vertex
        of a parabola through the top; its error is the scatter of the positions found in
        ``PEAK_TRIALS`` copies of the curve with noise, overtones left out, at least a quarter of
        the width of a bin (a rectangular law would give 0.29 of it).

    Notes
    -----
    Intensities and counts have errors in proportion to themselves, so noise multiplies: each
    point is scaled by a gamma variable of mean 1 and of its relative error. ``chance`` is the
    share of flat curves with that noise in which a maximum stands out as far.
    """
    inside = (x >= low) & (x <= high) & np.isfinite(y)
    x, y = x[inside], y[inside]
    if len(x) < 5 or y.max() <= 0:
        return None
    top = _vertex(x, y, share)
    if top is None:
        return None
    if not np.isfinite(error[inside]).all():
        return None
    noise = error[inside] / np.maximum(y, 1e-3 * y.max())
    near = (x > top[0] / OVERTONE) & (x < top[0] * OVERTONE)
    found = (_vertex(x[near], copy, share) for copy in _copies(y[near], noise[near]))
    places = [v[0] for v in found if v]
    ends = np.quantile(places, [0.159, 0.841]) if places else (x[0], x[-1])
    flats = _copies(np.ones(len(x)), flat[inside])
    # Strong noise is skew, its median far below its mean: each curve is measured by its own.
    rises = [v[1] / _level(copy) if v else 0.0 for copy in flats for v in [_rise(copy, share)]]
    chance = float(np.mean(np.array(rises) >= top[1] / _level(y)))
    floor = 0.25 * float(np.median(np.diff(x)))
    return Peak(top[0], max(0.5 * float(ends[1] - ends[0]), floor), chance)


def _copies(y: Floats, relative: Floats) -> Floats:
    """Return ``PEAK_TRIALS`` copies of a curve, each point with its relative noise."""
    if len(y) < 3:
        return np.empty((0, len(y)))
    shape = 1 / np.clip(relative, 1e-6, 3.0) ** 2
    return y * np.random.default_rng(20_000).gamma(shape, 1 / shape, (PEAK_TRIALS, len(y)))


def _level(y: Floats) -> float:
    """Return the height of a curve away from its peaks."""
    return float(np.median(y)) or float(y.mean())


def _rise(y: Floats, share: float) -> tuple[int, float, Floats] | None:
    """Return place and rise of the inner maximum that stands out most, and the smoothed curve."""
    smooth = np.convolve(np.pad(y, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")
    inner = np.flatnonzero((smooth[1:-1] >= smooth[:-2]) & (smooth[1:-1] >= smooth[2:])) + 1
    if len(inner) == 0:
        return None
    left = np.minimum.accumulate(smooth)
    right = np.minimum.accumulate(smooth[::-1])[::-1]
    rises = (smooth - np.maximum(left, right))[inner]
    # What counts is how far a maximum stands out on both sides; of several that stand out, the
    # first is the spacing and the others are its overtones.
    best = int(np.argmax(rises >= share * rises.max()))
    k, rise = int(inner[best]), float(rises[best])
    return (k, rise, smooth) if rise > 0 else None


def highest(y: Floats, share: float = 0.5) -> int | None:
    """Return the place of the inner maximum of a curve that `find_peak` would take."""
    found = _rise(y, share)
    return None if found is None else found[0]


def _vertex(x: Floats, y: Floats, share: float) -> tuple[float, float] | None:
    """Return position and rise of the inner maximum of the smoothed curve that stands out most."""
    found = _rise(y, share)
    if found is None:
        return None
    k, rise, smooth = found
    low = high = k
    limit = smooth[k] - 0.5 * rise
    while low > 0 and smooth[low - 1] > limit:
        low -= 1
    while high < len(x) - 1 and smooth[high + 1] > limit:
        high += 1
    low, high = min(low, max(0, k - 1)), max(high, min(len(x) - 1, k + 1))
    return _parabola(x[low : high + 1], y[low : high + 1], float(x[k])), rise


def _parabola(x: Floats, y: Floats, fallback: float) -> float:
    """Return the vertex of a parabola through the top, the centre of mass where it has none."""
    scale = float(x[-1] - x[0]) or 1.0
    t = (x - fallback) / scale
    # Errors grow with the height, so every point of the top weighs the same in proportion.
    coefficients = np.linalg.lstsq(np.stack([np.ones_like(t), t, t**2], axis=1), y, rcond=None)[0]
    if coefficients[2] < 0:
        vertex = -coefficients[1] / (2 * coefficients[2])
        if t[0] <= vertex <= t[-1]:
            return float(fallback + vertex * scale)
    above = np.maximum(y - y.min(), 0.0)
    return float((x * above).sum() / above.sum()) if above.sum() > 0 else fallback
