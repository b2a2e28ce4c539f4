"""Slopes of a field in free space: by differences, and as the six numbers that they come to."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from analysis.common.arrays import Floats

_WEIGHTS = (4.0 / 3.0, -1.0 / 3.0)
"""Of the slopes over 2 and 4 steps: central, fourth order (Abramowitz, table 25.2)."""


def differences(field: Callable[[Floats], Floats], points: Floats, step: Floats) -> Floats:
    """Give the gradient of a field in free space by central differences of fourth order.

    Those along x and y are taken; d/dz follows from div B = 0 and curl B = 0.

    Parameters
    ----------
    field : callable
        Gives the field (n, 3) in T at places (n, 3) in m.
    points : ndarray, shape (n, 3)
        Places in m.
    step : ndarray, shape (n,)
        Step at each place in m; two of them are taken to each side.

    Returns
    -------
    ndarray, shape (n, 3, 3)
        dB_a/dx_b in T/m at [:, a, b].
    """
    moves = [(axis, count, sign) for axis in (0, 1) for count in (1, 2) for sign in (1, -1)]
    shifts = np.zeros((len(moves), *points.shape))
    for shift, (axis, count, sign) in zip(shifts, moves, strict=True):
        shift[:, axis] = sign * count * step
    # Rounded as the places are, so that the difference is divided by its true length.
    places = (points + shifts).reshape(2, 2, 2, *points.shape)
    found = field(places.reshape(-1, 3)).reshape(places.shape)
    gradient = np.zeros((len(points), 3, 3))
    for axis in (0, 1):
        for count, weight in enumerate(_WEIGHTS):
            length = (places[axis, count, 0] - places[axis, count, 1])[:, axis]
            slope = (found[axis, count, 0] - found[axis, count, 1]) / length[:, None]
            gradient[:, :, axis] += weight * slope
    return with_third_axis(gradient)


def with_third_axis(gradient: Floats) -> Floats:
    """Fill in d/dz of a gradient (n, 3, 3): a field in free space has no sources and no curl."""
    gradient[:, 0, 2], gradient[:, 1, 2] = gradient[:, 2, 0], gradient[:, 2, 1]
    gradient[:, 2, 2] = -gradient[:, 0, 0] - gradient[:, 1, 1]
    return gradient


def six_slopes(gradient: Floats) -> Floats:
    """Give gradients (n, 3, 3) as (n, 6): xx, yy, zz, xy, xz, yz.

    Differences leave about 1e-8 of an asymmetry and of a trace, which no field in a film has; they
    are taken out.
    """
    slope = 0.5 * (gradient + gradient.transpose(0, 2, 1))
    slope -= np.eye(3) * np.trace(slope, axis1=1, axis2=2)[:, None, None] / 3.0
    return np.asarray(slope[:, (0, 1, 2, 0, 0, 1), (0, 1, 2, 1, 2, 2)])
