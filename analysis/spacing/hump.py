"""A smooth hump of the projected structure factor, fitted to modes of speckle, and its top.

Particles that only keep a distance, or chains that only avoid each other, have no line but a broad
hump. Speckle puts tops on it, sharp ones, which a line shape or a parabola through the highest
points takes for the peak. The hump itself is what such a film has: a low power of the wave number
in ln S, fitted to all modes around. Where its slope is so little known that it may have no top
there, no spacing follows from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

POWERS = (2, 3)
"""Highest powers of ln S that are tried."""

ROUGHEST = 3.0
"""Largest variance of the modes over the hump, 1 for speckle of one structure: above, what stands
there is sharp, and no hump."""

DRAWS = 400
"""Humps as likely as the fitted one, from which error and chance of the top follow."""


@dataclass(frozen=True)
class Hump:
    """A hump, in the units of the modes it was fitted to.

    Attributes
    ----------
    top, error : float
        Where it is highest, and half of the interval that holds 68 of 100 such tops; NaN where none
        has a top inside.
    astray : float
        Share of humps as likely as this one that are highest at an end.
    cost : float
        -ln of the likelihood of the modes, up to a constant.
    parameters : int
        How many were fitted.
    """

    top: float
    error: float
    astray: float
    cost: float
    parameters: int


def fit_hump(
    q: Floats, s: Floats, step: float, power: int, structures: float, reach: float
) -> Hump | None:
    """Fit ln S = polynomial in ln q to modes, and find its top.

    Parameters
    ----------
    q, s : (n,) arrays
        Wave number and intensity of single modes, in units of the guess and of their mean.
    step : float
        Distance between modes: a hump is broader than a few.
    power : int
        Highest power.
    structures : float
        Independent structures in each mode.
    reach : float
        The top is looked for between 1/reach and reach.

    Returns
    -------
    Hump or None
        None where the modes do not fix the polynomial, or it does not describe them.

    Notes
    -----
    Intensities averaged over k structures are gamma distributed about S with the relative variance
    1/k, so this is a generalised linear model with the logarithm as link, fitted by scoring; its
    Fisher information k X'X does not depend on S (McCullagh and Nelder, Generalized Linear Models,
    1989, chapter 8, from memory). Where modes scatter by more than speckle does, the covariance is
    larger by Pearson's ratio.
    """
    x = np.log(q)
    powers = np.arange(power + 1)
    design = x[:, None] ** powers
    if len(np.unique(np.rint(q / step))) < 2 * (power + 1):
        return None
    p = np.zeros(power + 1)
    p[0] = math.log(float(s.mean()))
    solve = np.linalg.pinv(design)
    for _ in range(30):
        move = solve @ np.clip(s * np.exp(-design @ p) - 1, -1.0, 3.0)
        p = p + move
        if np.abs(move).max() < 1e-8:
            break
    ratio = s * np.exp(-design @ p)
    rough = float(((ratio - 1) ** 2).sum()) / (len(q) - power - 1)
    if not rough < ROUGHEST:
        return None
    excess = max(1.0, structures * rough)
    covariance = np.linalg.inv(design.T @ design) * (excess / structures)
    draws = np.random.default_rng(30_000).multivariate_normal(p, covariance, DRAWS)
    places = np.linspace(-math.log(reach), math.log(reach), 121)
    found = (draws @ (places[:, None] ** powers).T).argmax(axis=1)
    inside = (found > 0) & (found < len(places) - 1)
    cost = structures * float((ratio - 1 - np.log(ratio)).sum())
    if not inside.any():
        return Hump(math.nan, math.nan, 1.0, cost, power + 1)
    low, middle, high = np.exp(np.quantile(places[found[inside]], [0.159, 0.5, 0.841]))
    astray = 1 - float(inside.mean())
    return Hump(float(middle), 0.5 * float(high - low), astray, cost, power + 1)
