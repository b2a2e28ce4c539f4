"""Potential of a pair head to tail, made of the forces that the run really uses.

Two particles whose moments lie along their line of centres attract as dipoles and repel by their
shells; van der Waals attraction of the cores and charges add to that where the file asks for them.
The sum has a bound minimum near contact, and further in a barrier, behind which the cores would
touch and stay together for good. Only a soft core without van der Waals attraction has no core.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.arrays import Floats
from sim.interactions import dipolar
from sim.interactions.added import LAWS, AddedPairs
from sim.interactions.steric import StericLaw
from sim.physics.sizes import LARGEST_DEVIATION

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

LEAST_SOFT_DISTANCE = 0.3
"""Where curves of the soft core begin, in contact distances: it has no core to stop at."""


@dataclass(frozen=True)
class PairPotential:
    """Head-to-tail potential of one pair.

    Attributes
    ----------
    distance_m : ndarray (n,)
        Centre distances in m, from core contact outwards.
    total_kt : ndarray (n,)
        Energy in kT.
    parts_kt : dict of ndarray (n,)
        What it is made of: ``dipole``, ``steric`` and each of ``sim.interactions.added.LAWS``, zero
        where the file leaves the force out.
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
        soft core without van der Waals attraction, which has no core that could stick.
    barrier_distance_m : float
        Distance in m of the top of the barrier.
    """

    distance_m: Floats
    total_kt: Floats
    parts_kt: dict[str, Floats]
    contact_m: float
    minimum_distance_m: float
    minimum_kt: float
    coupling_at_minimum: float
    barrier_kt: float
    barrier_distance_m: float


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
        Core diameter in m, of the table or of the log-normal law cut at 3 standard deviations.
    """
    from statistics import NormalDist

    if parameters.particles.size_table:
        cores, shares = np.array(parameters.particles.size_table).T
        place = int(np.searchsorted(np.cumsum(shares), share * (1.0 - 1e-12)))
        return float(cores[min(place, cores.size - 1)])
    normal = NormalDist()
    below = normal.cdf(-LARGEST_DEVIATION)
    deviation = normal.inv_cdf(below + share * (1.0 - 2.0 * below))
    particles = parameters.particles
    return particles.core_diameter * math.exp(particles.size_spread * deviation)


def size_classes(parameters: Parameters, count: int = 9) -> tuple[Floats, Floats]:
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
    Gauss-Legendre points over the cut normal law of ln(diameter); a table longer than ``count``
    is cut into groups of equal shares, each with the cube mean of its diameters.
    """
    particles = parameters.particles
    if particles.size_table:
        return _grouped(np.array(particles.size_table), count)
    if particles.size_spread == 0.0:
        return np.array([particles.core_diameter]), np.ones(1)
    points, weights = np.polynomial.legendre.leggauss(count)
    deviation = LARGEST_DEVIATION * points
    shares = weights * np.exp(-0.5 * deviation**2)
    return particles.core_diameter * np.exp(particles.size_spread * deviation), (
        shares / shares.sum()
    )


def _grouped(table: Floats, count: int) -> tuple[Floats, Floats]:
    """Bring a table of diameters and shares down to a few classes."""
    cores, shares = table.T
    if cores.size <= count:
        return cores, shares
    group = np.minimum((np.cumsum(shares) - 0.5 * shares) * count, count - 1e-9).astype(int)
    kept = np.unique(group)
    weights = np.array([shares[group == k].sum() for k in kept])
    cubes = np.array([shares[group == k] @ cores[group == k] ** 3 for k in kept])
    return np.cbrt(cubes / weights), weights


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


def _bound_minimum(energy: Floats) -> int:
    """Index of the first minimum met on the way in from far away; 0 where there is none."""
    rises_inwards = energy[:-1] > energy[1:]
    found = np.flatnonzero(rises_inwards)
    return int(found[-1]) + 1 if found.size else 0


def _barrier_top(inside: Floats, distance: Floats, touch: float) -> int:
    """Index of the highest energy between touching cores and the bound minimum, the last point."""
    apart = np.flatnonzero(distance >= touch * (1.0 - 1e-12))
    return int(apart[np.argmax(inside[apart])]) if apart.size else inside.size - 1


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
    gap = AddedPairs.asked_for(parameters).contact_gap
    is_soft = parameters.repulsion.kind == "soft_core" and gap == 0.0
    start = LEAST_SOFT_DISTANCE * contact if is_soft else 0.5 * (core_i + core_j)
    distance = np.linspace(start, 2.0 * contact, points)
    laws = {"dipole": dipolar.head_to_tail_energy, "steric": StericLaw.pair_energy}
    laws |= {name: law.pair_energy for name, law in LAWS.items()}
    parts = {name: energy(parameters, core_i, core_j, distance) for name, energy in laws.items()}
    total = np.asarray(sum(parts.values()))
    lowest = _bound_minimum(total)
    place, depth = float(distance[lowest]), float(total[lowest])
    if 0 < lowest < points - 1:
        place, depth = _vertex(distance[lowest - 1 : lowest + 2], total[lowest - 1 : lowest + 2])
    touch = 0.5 * (core_i + core_j) + gap
    top = _barrier_top(total[: lowest + 1], distance[: lowest + 1], touch)
    barrier = math.inf if is_soft else max(float(total[top]) - depth, 0.0)
    coupling = float(dipolar.pair_coupling(parameters, core_i, core_j, place))
    return PairPotential(
        distance, total, parts, contact, place, depth, coupling, barrier, float(distance[top])
    )


def _vertex(x: Floats, y: Floats) -> tuple[float, float]:
    """Vertex of the parabola through three evenly spaced points around a minimum."""
    slope = 0.5 * (y[2] - y[0])
    curvature = y[2] - 2.0 * y[1] + y[0]
    if curvature <= 0.0:
        return float(x[1]), float(y[1])
    shift = -slope / curvature
    return float(x[1] + shift * (x[1] - x[0])), float(y[1] + 0.5 * slope * shift)
