"""Closed forms that are told before a run and stand beside what it measures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike


def langevin(parameter: ArrayLike) -> Any:
    """Return the Langevin function coth x - 1/x: magnetisation of free dipoles over saturation.

    Parameters
    ----------
    parameter : array_like
        x = m B/kT.

    Returns
    -------
    float or ndarray
        A float for a single number.

    Notes
    -----
    Langevin, Ann. Chim. Phys. 5, 70 (1905). Below |x| = 0.02 the series x/3 - x^3/45 + 2x^5/945,
    because coth x - 1/x cancels.
    """
    x = np.asarray(parameter, dtype=np.float64)
    small = np.abs(x) < 0.02
    safe = np.where(small, 1.0, x)
    series = x / 3 - x**3 / 45 + 2 * x**5 / 945
    found = np.where(small, series, 1 / np.tanh(safe) - 1 / safe)
    return found if found.ndim else float(found)


def bond_life(diffusion_time: float, coupling: float) -> float:
    """Return the mean life of a bond by detailed balance, in order of magnitude.

    Parameters
    ----------
    diffusion_time : float
        d^2/D0 in s.
    coupling : float
        Coupling lambda; below 1 there is no bond to speak of and 1 is taken.

    Returns
    -------
    float
        (d^2/D0) exp(2 lambda)/(144 lambda^2) in s.

    Notes
    -----
    Until the pair has diffused apart for good: pairs that part and rejoin at once still stand, as
    in ``bond_life_standing_s`` of measures.json, not as in ``bond_life_s``, which ends at the first
    parting.
    """
    strength = max(coupling, 1.0)
    return diffusion_time * math.exp(min(2.0 * strength, 700.0)) / (144.0 * strength**2)
