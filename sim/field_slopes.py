"""Slopes of a field in free space: by differences, and as the six numbers that they come to."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["differences", "six_slopes"]

Floats = NDArray[np.float64]

_WEIGHTS = (0.75, -0.15, 1.0 / 60.0)
"""Of the differences over 2, 4 and 6 steps: central, sixth order (Abramowitz, table 25.2)."""


def differences(field: Callable[[Floats], Floats], points: Floats, step: Floats) -> Floats:
    """Give the gradient of a field by central differences of sixth order.

    Parameters
    ----------
    field : callable
        Gives the field (n, 3) in T at places (n, 3) in m.
    points : ndarray, shape (n, 3)
        Places in m.
    step : ndarray, shape (n,)
        Step at each place in m; three of them are taken to each side.

    Returns
    -------
    ndarray, shape (n, 3, 3)
        dB_a/dx_b in T/m at [:, a, b].
    """
    gradient = np.zeros((len(points), 3, 3))
    for axis in range(3):
        for count, weight in enumerate(_WEIGHTS, start=1):
            shift = np.zeros(points.shape)
            shift[:, axis] = count * step
            # Rounded as the places are, so that the difference is divided by its true length.
            above, below = points + shift, points - shift
            length = (above - below)[:, axis]
            slope = (field(above) - field(below)) / length[:, None]
            gradient[:, :, axis] += 2.0 * count * weight * slope
    return gradient


def six_slopes(gradient: Floats) -> Floats:
    """Give gradients (n, 3, 3) as (n, 6): xx, yy, zz, xy, xz, yz.

    Differences leave about 1e-8 of an asymmetry and of a trace, which no field in a film has; they
    are taken out.
    """
    slope = 0.5 * (gradient + gradient.transpose(0, 2, 1))
    slope -= np.eye(3) * np.trace(slope, axis1=1, axis2=2)[:, None, None] / 3.0
    return np.asarray(slope[:, (0, 1, 2, 0, 0, 1), (0, 1, 2, 1, 2, 2)])
