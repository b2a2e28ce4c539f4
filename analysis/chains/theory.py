"""Closed forms to put beside the data, each with its source and its limits."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN
from analysis.common.laws import langevin


def langevin_of_sizes(moments: ArrayLike, field: float, temperature: float) -> float:
    """Return the magnetisation over saturation of free dipoles of different moments.

    Parameters
    ----------
    moments : (N,) array
        Moments in A m2.
    field, temperature : float
        Flux density in T, temperature in K.

    Notes
    -----
    sum m L(m B/kT) / sum m; interactions raise it by about 8 lambda phi/3 of itself at small x.
    """
    m = np.asarray(moments, dtype=np.float64)
    total = float(m.sum())
    if total == 0:
        return 0.0
    return float((m * langevin(m * field / (BOLTZMANN * temperature))).sum() / total)


def chain_length_law(length: ArrayLike, mean: float) -> Floats:
    """Return the share of chains of a length in an ideal mixture of chains of this mean length.

    Notes
    -----
    Geometric law (1 - p) p^(s-1), p = 1 - 1/mean, from mass action with one bond constant;
    Mendelev and Ivanov, Phys. Rev. E 70, 051502 (2004) (from memory); the same shape in
    Reynolds et al., EPL 116, 28001 (2016).
    """
    s = np.asarray(length, dtype=np.float64)
    p = 1 - 1 / max(mean, 1.0)
    return np.asarray((1 - p) * p ** (s - 1))


def random_clear_fraction(diameters: ArrayLike, area: float) -> float:
    """Return the clear share of a patch on which discs lie at random, exp(-covered/area).

    Parameters
    ----------
    diameters : (N,) array
        Disc diameters.
    area : float
        Patch area in the square of their unit.

    Notes
    -----
    Poisson statistics; exp(-1.5 phi h/d) for discs of one size.
    """
    d = np.asarray(diameters, dtype=np.float64)
    return math.exp(-float((math.pi * d**2 / 4).sum()) / area)
