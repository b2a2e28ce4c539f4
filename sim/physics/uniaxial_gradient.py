"""Gradient of the field of a magnet over the film, in SI."""

from __future__ import annotations

from typing import TypeAlias

Gradient: TypeAlias = tuple[float, float, float, float, float, float]


def uniaxial_gradient(strength: float, direction: tuple[float, float, float]) -> Gradient:
    """Gradient of the field of a round magnet on its axis.

    Parameters
    ----------
    strength : float
        Change of the field's part along the axis, along the axis, in T/m.
    direction : tuple of float
        Unit vector of the axis.

    Returns
    -------
    tuple of float
        dB_a/dx_b as (xx, yy, zz, xy, xz, yz) in T/m: ``strength`` along the axis and minus half of
        it across, as the field has no sources in the film (div B = 0, curl B = 0).
    """
    x, y, z = direction
    along = 1.5 * strength
    return (
        along * x * x - 0.5 * strength,
        along * y * y - 0.5 * strength,
        along * z * z - 0.5 * strength,
        along * x * y,
        along * x * z,
        along * y * z,
    )
