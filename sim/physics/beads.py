"""What follows from material data for multicore beads: moments, susceptibility, induction.

A bead holds many superparamagnetic cores, all alike, that fill a share of its volume. They turn
within times far shorter than the bead moves, so that its moment is the average over their
directions: m = m_s L(m_core b/kT) along the field b (P. Langevin, Annales de Chimie et de Physique
vol 5, p 70 (1905), from memory). b is the field at the bead's place without its own: what the
cores of one bead do to each other is part of the law, not of b.

Volumes. The susceptibility chi = mu0 m_s m_core/(3 kT V) counts the volume V of the bead itself,
without shell: that of a solid sphere is 3 (mu - 1)/(mu + 2) and stays below 3 however permeable it
is, so that a bead with more does not follow this law. Equal beads that touch without a shell (r the
bead's diameter) run away at chi = 12 as a pair and at 6/zeta(3) = 4.99 as a chain, and in close
packing at 3/0.74 = 4.05 (Clausius, Mossotti); a shell moves all three up by (d/d_bead)^3. Below
3 none of them is met.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN, MU0
from analysis.common.laws import langevin
from sim.physics import material

LARGEST_SUSCEPTIBILITY = 3.0
"""Beads of this susceptibility and more are refused."""
PAIR_FEEDBACK = 2.0
CHAIN_FEEDBACK = 4.808227612638771
"""Field at a dipole from one neighbour head to tail, and in an endless straight chain, over m/r^3:
2 and 4 zeta(3)."""


def core_moment(core_diameter: float, magnetisation: float, dead_layer: float = 0.0) -> float:
    """Moment in A m2 of one small core; lengths in m, magnetisation in A/m."""
    return float(material.moment(core_diameter, magnetisation, dead_layer))


def saturation_moment(
    bead_diameter: ArrayLike,
    magnetic_share: float,
    core_diameter: float,
    magnetisation: float,
    dead_layer: float = 0.0,
) -> Any:
    """Saturation moment of a bead.

    Parameters
    ----------
    bead_diameter : array_like
        Diameter in m of the bead without its shell.
    magnetic_share : float
        Share of its volume that the cores fill, with their dead layers.
    core_diameter, dead_layer : float
        Diameter of a core and thickness of its non-magnetic skin, in m.
    magnetisation : float
        Saturation magnetisation of the cores in A/m.

    Returns
    -------
    float or ndarray
        Moment in A m2, of the shape of ``bead_diameter``: that of one core times the number of
        cores, magnetic_share (d_bead/d_core)^3, which need not be whole.
    """
    cores = magnetic_share * (np.asarray(bead_diameter, dtype=np.float64) / core_diameter) ** 3
    found = core_moment(core_diameter, magnetisation, dead_layer) * cores
    return found if np.ndim(found) else float(found)


def bead_susceptibility(
    magnetic_share: float,
    core_diameter: float,
    magnetisation: float,
    dead_layer: float,
    temperature: float,
) -> float:
    """Return the initial susceptibility of a bead in the field at its place.

    Parameters
    ----------
    magnetic_share, core_diameter, magnetisation, dead_layer
        As for `saturation_moment`.
    temperature : float
        Temperature in K.

    Returns
    -------
    float
        chi = mu0 m_s m_core/(3 kT V) without unit (SI), V the volume of the bead without its
        shell; the same for beads of all sizes.
    """
    whole = saturation_moment(1.0, magnetic_share, core_diameter, magnetisation, dead_layer)
    density = float(whole) / (math.pi / 6.0)  # moment per volume, of a bead of diameter 1 m
    moment = core_moment(core_diameter, magnetisation, dead_layer)
    return MU0 * density * moment / (3.0 * BOLTZMANN * temperature)


def self_consistent(
    saturation: ArrayLike, core_langevin: float, field: float, feedback: ArrayLike
) -> Floats:
    """Moments of beads among equal ones that act on each other by the same field.

    Parameters
    ----------
    saturation : array_like
        Saturation moments m_s.
    core_langevin : float
        Langevin parameter that a field of 1 gives a core.
    field : float
        Applied field along the line of centres, at least 0.
    feedback : array_like
        Field of the neighbours on a bead over its moment, such as `CHAIN_FEEDBACK`/r^3.

    Returns
    -------
    ndarray
        The solution of m = m_s L[core_langevin (field + feedback m)], by bisection: the right side
        is concave in m, so there is one above the moment of a bead alone.
    """
    high = np.array(saturation, dtype=np.float64)
    limit, back = high.copy(), np.asarray(feedback, dtype=np.float64)
    low = limit * langevin(core_langevin * field)
    for _ in range(60):
        middle = 0.5 * (low + high)
        response = limit * langevin(core_langevin * (field + back * middle))
        is_low = response > middle
        low, high = np.where(is_low, middle, low), np.where(is_low, high, middle)
    return np.asarray(0.5 * (low + high))
