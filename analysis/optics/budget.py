"""Where the light of one wavelength goes, all of it, and at which angles it is scattered."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.optics.projection import wave_vectors

Floats = NDArray[np.float64]


FEWEST_PAIRS = 3
"""Pairs of orders from which on their scatter tells an error."""


def rest_of_light(
    shares: list[Floats],
    mixed: list[Floats],
    sides: Floats,
    wavelength: float,
    outer_index: float,
    aperture: float,
) -> dict[str, float]:
    """Return what is neither in the direct beam nor in the aperture, with errors.

    Parameters
    ----------
    shares, mixed : lists of arrays
        ``far_field.diffracted`` of each frame, and after the other law of mixing in beads (none of
        particles of one core).
    sides : (2,) array
        Patch in m.
    wavelength, outer_index, aperture : float
        Vacuum wavelength in m, index of the outer medium, numerical aperture.

    Returns
    -------
    dict of float
        ``wide`` (scattered past the aperture), ``trapped`` (beyond total reflection) and
        ``absorbed`` shares of the incident light, each with its ``_error``: speckle of the orders
        as in ``far_field.collect``, of absorption the scatter between frames (NaN of one frame).
    """
    qx, qy = wave_vectors(shares[0].shape, sides)
    sine = np.hypot(qx, qy) * wavelength / (2 * math.pi * outer_index)
    inside = (sine < 1) & (sine <= aperture / outer_index * (1 + 1e-12))
    mean = np.mean(shares, axis=0)
    other = np.mean(mixed, axis=0) - mean if mixed else np.zeros_like(mean)
    out = {}
    for name, where in (("wide", (sine < 1) & ~inside), ("trapped", sine >= 1)):
        speckle = math.sqrt(2 * float((mean[where] ** 2).sum()))
        out[name] = float(mean[where].sum())
        out[f"{name}_error"] = math.hypot(speckle, float(other[where].sum()))
    kept = np.array([float(one.sum()) for one in shares])
    scatter = float(kept.std(ddof=1)) if len(kept) > 1 else math.nan
    out["absorbed"] = 1.0 - float(kept.mean())
    out["absorbed_error"] = math.hypot(scatter, float(other.sum()))
    return out


def angular_spread(
    sine_x: Floats, sine_y: Floats, share: Floats, lateral: Floats | None
) -> dict[str, float]:
    """Return root mean square angles of scattered light in degrees, with errors.

    Parameters
    ----------
    sine_x, sine_y, share : (M,) arrays
        Directions of orders and their light; the direct beam counts for nothing.
    lateral : (2,) array or None
        Direction across the chains in the plane of the film.

    Returns
    -------
    dict of float
        ``angle`` from the film normal and ``across`` (in the plane across the chains; NaN without
        a direction), each with its ``_error``.

    Notes
    -----
    Speckle: each pair of opposite orders has a light of its own, exponentially distributed (see
    ``far_field.collect``). The square of such a light is twice that of its mean on average, so that
    the variance of the weighted mean m of s^2 is sum w^2 (s^2 - m)^2/(sum w)^2 for one structure.
    """
    moved = (sine_x != 0) | (sine_y != 0)
    x, y, light = sine_x[moved], sine_y[moved], share[moved]
    squares = {"angle": x**2 + y**2}
    if lateral is not None:
        squares["across"] = (x * lateral[0] + y * lateral[1]) ** 2
    out = dict.fromkeys(("angle", "angle_error", "across", "across_error"), math.nan)
    total = float(light.sum())
    if not total > 0:
        return out
    known = len(light) >= 2 * FEWEST_PAIRS
    for name, square in squares.items():
        mean = float((light * square).sum()) / total
        error = math.sqrt(float((light**2 * (square - mean) ** 2).sum())) / total
        sine = min(1.0, math.sqrt(mean))
        out[name] = math.degrees(math.asin(sine))
        # d(asin sqrt m) = dm/(2 sqrt(m (1 - m)))
        slope = 2 * math.sqrt(max(mean * (1 - mean), 1e-12))
        out[f"{name}_error"] = math.degrees(error / slope) if known else math.nan
    return out
