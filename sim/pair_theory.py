"""Potential of a pair head to tail, made of the forces that the run really uses.

Two particles whose moments lie along their line of centres attract as dipoles and repel by their
shells. The sum has a bound minimum near contact, and for surfactant layers a barrier further in,
behind which the cores would touch and stay together for good.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from sim import size_law
from sim.interactions import dipolar, steric

if TYPE_CHECKING:
    from sim.parameters import Parameters

__all__ = ["PairPotential", "contact_distance", "head_to_tail", "size_classes", "size_quantile"]

Values: TypeAlias = NDArray[np.float64]

LEAST_SOFT_DISTANCE = 0.3
"""Where curves of the soft core begin, in contact distances: it has no core to stop at."""


@dataclass(frozen=True)
class PairPotential:
    """Head-to-tail potential of one pair.

    Attributes
    ----------
    distance_m : ndarray (n,)
        Centre distances in m, from core contact outwards.
    total_kt, dipole_kt, steric_kt : ndarray (n,)
        Energies in kT.
    contact_m : float
        Distance in m at which the shells touch.
    minimum_distance_m : float
        Distance of the bound minimum in m; core contact where nothing holds the cores apart.
    minimum_kt : float
        Energy there in kT.
    coupling_at_minimum : float
        mu0 m_i m_j/(4 pi r^3 kT) at the minimum.
    barrier_kt : float
        Height in kT to climb from the minimum inwards before the cores touch; infinite for the
        soft core, which has no core that could stick.
    """

    distance_m: Values
    total_kt: Values
    dipole_kt: Values
    steric_kt: Values
    contact_m: float
    minimum_distance_m: float
    minimum_kt: float
    coupling_at_minimum: float
    barrier_kt: float


def size_quantile(parameters: Parameters, share: float) -> float:
    """Core diameter below which a share of the particles lies.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    share : float
        Share of the particles by number, from 0 to 1.

    Returns
    -------
    float
        Core diameter in m, of the log-normal law cut at 3 standard deviations.
    """
    from statistics import NormalDist

    normal = NormalDist()
    below = normal.cdf(-size_law.LARGEST_DEVIATION)
    deviation = normal.inv_cdf(below + share * (1.0 - 2.0 * below))
    particles = parameters.particles
    return particles.core_diameter * math.exp(particles.size_spread * deviation)


def size_classes(parameters: Parameters, count: int = 9) -> tuple[Values, Values]:
    """Represent the law of sizes by a few classes.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    count : int
        Number of classes; a single size gives one.

    Returns
    -------
    tuple of ndarray (n,)
        Core diameters in m, and shares of the particles by number, which add up to 1.

    Notes
    -----
    Gauss-Legendre points over the cut normal law of ln(diameter).
    """
    particles = parameters.particles
    if particles.size_spread == 0.0:
        return np.array([particles.core_diameter]), np.ones(1)
    points, weights = np.polynomial.legendre.leggauss(count)
    deviation = size_law.LARGEST_DEVIATION * points
    shares = weights * np.exp(-0.5 * deviation**2)
    return particles.core_diameter * np.exp(particles.size_spread * deviation), (
        shares / shares.sum()
    )


def contact_distance(parameters: Parameters, core_i: float, core_j: float) -> float:
    """Centre distance at which two shells touch.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    core_i, core_j : float
        Core diameters in m.

    Returns
    -------
    float
        (d_i + d_j)/2 of the steric diameters, in m.
    """
    return 0.5 * (core_i + core_j) + 2.0 * parameters.particles.shell_thickness


def _bound_minimum(energy: Values) -> int:
    """Index of the first minimum met on the way in from far away; 0 where there is none."""
    rises_inwards = energy[:-1] > energy[1:]
    found = np.flatnonzero(rises_inwards)
    return int(found[-1]) + 1 if found.size else 0


def head_to_tail(
    parameters: Parameters, core_i: float, core_j: float, points: int = 1001
) -> PairPotential:
    """Compute the head-to-tail potential of two particles.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    core_i, core_j : float
        Core diameters in m.
    points : int
        Number of distances, evenly spaced up to twice the contact distance.

    Returns
    -------
    PairPotential
        Curves, bound minimum and barrier.
    """
    contact = contact_distance(parameters, core_i, core_j)
    is_soft = parameters.repulsion.kind == "soft_core"
    start = LEAST_SOFT_DISTANCE * contact if is_soft else 0.5 * (core_i + core_j)
    distance = np.linspace(start, 2.0 * contact, points)
    pushed = steric.pair_energy(parameters, core_i, core_j, distance)
    drawn = dipolar.head_to_tail_energy(parameters, core_i, core_j, distance)
    total = pushed + drawn
    lowest = _bound_minimum(total)
    place, depth = float(distance[lowest]), float(total[lowest])
    if 0 < lowest < points - 1:
        place, depth = _vertex(distance[lowest - 1 : lowest + 2], total[lowest - 1 : lowest + 2])
    barrier = math.inf if is_soft else max(float(total[: lowest + 1].max()) - depth, 0.0)
    coupling = float(dipolar.pair_coupling(parameters, core_i, core_j, place))
    return PairPotential(distance, total, drawn, pushed, contact, place, depth, coupling, barrier)


def _vertex(x: Values, y: Values) -> tuple[float, float]:
    """Vertex of the parabola through three evenly spaced points around a minimum."""
    slope = 0.5 * (y[2] - y[0])
    curvature = y[2] - 2.0 * y[1] + y[0]
    if curvature <= 0.0:
        return float(x[1]), float(y[1])
    shift = -slope / curvature
    return float(x[1] + shift * (x[1] - x[0])), float(y[1] + 0.5 * slope * shift)
