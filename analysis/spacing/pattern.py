"""Direction, order and widths of a striped pattern from its power spectrum.

The spectrum is that of a film's projected structure factor or of a picture of a film: one
estimator serves both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.spacing.structure_factor import ModeGrid

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Stripes:
    """Direction of stripes in a plane.

    Attributes
    ----------
    across : (2,) array
        Unit vector across the stripes.
    order : float
        Mean of cos 2a over the power, a from ``across``: 1 for straight stripes, 0 without any
        direction.
    streak : float
        Root mean square of the wave number off ``across``, rad per unit length.
    """

    across: Floats
    order: float
    streak: float

    @property
    def direction_deg(self) -> float:
        """Direction of the stripes from x towards y, from -90 (left out) to 90 deg."""
        angle = math.degrees(math.atan2(self.across[0], -self.across[1]))
        return 90.0 - (90.0 - angle) % 180.0


def stripes(power: Floats, grid: ModeGrid, low: float, high: float) -> Stripes:
    """Return the direction of a pattern from the modes between two wave numbers.

    Parameters
    ----------
    power : (2n + 1, m + 1) array
        Spectrum on the half grid, its flat background taken off.
    grid : ModeGrid
        Wave vectors.
    low, high : float
        Modes between these wave numbers count, rad per unit length.
    """
    qx, qy, use = grid.flat()
    number = np.hypot(qx, qy)
    use &= (number >= low) & (number <= high)
    x, y, weight = qx[use], qy[use], power[use]
    total = float(weight.sum())
    square = x**2 + y**2
    if len(x) == 0 or total <= 0:
        return Stripes(np.array([0.0, 1.0]), 0.0, 0.0)
    real = float((weight * (x**2 - y**2) / square).sum()) / total
    imaginary = float((weight * 2 * x * y / square).sum()) / total
    angle = 0.5 * math.atan2(imaginary, real)
    across = np.array([math.cos(angle), math.sin(angle)])
    off = x * across[1] - y * across[0]
    streak = math.sqrt(max(0.0, float((weight * off**2).sum()) / total))
    return Stripes(across, min(1.0, math.hypot(real, imaginary)), streak)


def half_width(q: Floats, s: Floats, peak: float) -> float:
    """Return the half width at half height of a peak above its surroundings, in the unit of q.

    Parameters
    ----------
    q, s : (n,) arrays
        Curve, q rising.
    peak : float
        Position of the peak.

    Returns
    -------
    float
        Half the distance of the places on both sides where the curve has fallen half way from
        the top to its lower neighbouring minimum; at least half a step of q. NaN without a curve.
    """
    if len(q) < 3 or not peak > 0:
        return math.nan
    top = int(np.argmin(np.abs(q - peak)))
    # The position is a fit; the top of the curve may be a neighbour.
    near = slice(max(0, top - 1), top + 2)
    top = near.start + int(np.argmax(s[near]))
    floor = max(float(s[: top + 1].min()), float(s[top:].min()))
    level = 0.5 * (float(s[top]) + min(floor, float(s[top])))
    edges = []
    for step in (-1, 1):
        k = top
        while 0 <= k + step < len(q) and s[k] > level:
            k += step
        inner = k - step if k != top else k
        rise = s[inner] - s[k]
        part = float((s[inner] - level) / rise) if rise > 0 else 0.0
        edges.append(float(q[inner] + min(max(part, 0.0), 1.0) * (q[k] - q[inner])))
    return max(0.5 * (edges[1] - edges[0]), 0.5 * float(np.median(np.diff(q))))
