"""Bond constant of a pair: the Boltzmann factor summed over the bonds that the run counts.

In an ideal mixture of chains the pairs follow n_2 = K n_1^2, where K is the integral of
exp(-U/kT) over all places of the second particle ahead of the first, averaged over the directions
that both moments take alone in the field. The bond rule limits the integral: a distance, and the
product of the cosines between the two moments and the line of centres. For spheres the field enters
through the sum of the two moments alone, because the pair may be turned as a rigid body:
<exp[a_i h.u_i + a_j h.u_j]> = sinhc |a_i u_i + a_j u_j|, sinhc x = sinh(x)/x.

Reported per particle volume the constant is called q. Its limits for strong coupling are
exp(2 lambda)/(3 lambda^2) for aligned and exp(2 lambda)/(3 lambda^3) for free moments.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.common.arrays import Floats
from sim.interactions import dipolar
from sim.interactions.added import LAWS
from sim.interactions.steric import StericLaw
from sim.kernels.laws import pairs as pair_laws
from sim.outlook.pair_potential import head_to_tail
from sim.physics import material

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

STRONGEST_FIELD = 60.0
"""Langevin parameter up to which the directions are integrated; beyond, the rest falls as 1/a."""
DEEPEST = 40.0
"""Configurations this many kT above the minimum are left out of the integral."""
GRADE = 0.5
"""Points are graded as exp(-GRADE coupling x) in 1 - cosine, gently enough for the far end too."""
POLAR_POINTS = 12
AZIMUTH_POINTS = 10
RADIAL_POINTS = 28
COUPLING_POINTS = 6


class _Rule(NamedTuple):
    """Points of one quadrature over the directions of two moments about the line of centres."""

    first: Floats
    second: Floats
    azimuth: Floats
    weight: Floats


@lru_cache(maxsize=16)
def _gauss(count: int) -> tuple[Floats, Floats]:
    """Gauss-Legendre points and weights from -1 to 1; finding them takes longer than their use."""
    points, weights = np.polynomial.legendre.leggauss(count)
    points.flags.writeable = weights.flags.writeable = False
    return points, weights


def _legendre(count: int, low: float, high: float) -> tuple[Floats, Floats]:
    """Gauss-Legendre points and weights on an interval."""
    points, weights = _gauss(count)
    half = 0.5 * (high - low)
    return low + half * (points + 1.0), half * weights


def _graded(count: int, length: Floats, rate: float) -> tuple[Floats, Floats]:
    """Points from 0 to ``length`` that are dense near 0 as exp(-rate x), with weights."""
    t, weight = _legendre(count, 0.0, 1.0)
    span = -np.expm1(-rate * length)
    x = -np.log1p(-t * span[..., None]) / rate
    return x, weight * span[..., None] * np.exp(rate * x) / rate


def _directions(low: float, high: float, rate: float) -> _Rule:
    """Quadrature over cosines c1, c2 in (0, 1) with low < c1 c2 < high and over the azimuth."""
    x1, w1 = _graded(POLAR_POINTS, np.array(1.0 - low), rate)
    c1 = 1.0 - x1
    top = np.minimum(1.0, high / c1)
    x2, w2 = _graded(POLAR_POINTS, top - np.minimum(low / c1, top), rate)
    azimuth, w3 = _legendre(AZIMUTH_POINTS, 0.0, math.pi)
    c2 = top[:, None] - x2
    # (dc1/2) (dc2/2) (d azimuth/pi): the moments alone are spread over the whole sphere.
    weight = (0.25 / math.pi) * (w1[:, None] * w2)[:, :, None] * w3
    return _Rule(c1[:, None, None], c2[:, :, None], azimuth, weight)


def _log_sinhc(x: Floats | float) -> Floats:
    """Logarithm of sinh(x)/x for x >= 0, without overflow."""
    safe = np.maximum(np.asarray(x, dtype=np.float64), 1e-4)
    return np.asarray(safe + np.log(-np.expm1(-2.0 * safe) / (2.0 * safe)))


def _sum_directions(rule: _Rule, coupling: float, alpha_i: float, alpha_j: float) -> float:
    """Sum exp(-U_dipole/kT) times the weight of the field over a rule, over exp(2 |coupling|)."""
    along = rule.first * rule.second
    across = np.sqrt((1.0 - rule.first**2) * np.maximum(1.0 - rule.second**2, 0.0))
    across = across * np.cos(rule.azimuth)
    exponent = coupling * (2.0 * along - across) - 2.0 * abs(coupling)
    squared = alpha_i**2 + alpha_j**2 + 2.0 * alpha_i * alpha_j * (along + across)
    exponent += _log_sinhc(np.sqrt(np.maximum(squared, 0.0)))
    exponent -= _log_sinhc(abs(alpha_i)) + _log_sinhc(abs(alpha_j))
    return float(np.sum(rule.weight * np.exp(exponent)))


def aligned_factor(coupling: Floats, alignment: float) -> Floats:
    """Angular part of the bond constant where a strong field aligns both moments.

    Parameters
    ----------
    coupling : ndarray
        Coupling mu0 m_i m_j/(4 pi r^3 kT) at the distance meant.
    alignment : float
        Least product of the two cosines of a bond.

    Returns
    -------
    ndarray
        Integral of exp[coupling (3 c^2 - 1)] over the solid angle ahead, times exp(-2 coupling);
        from 0 to 2 pi.
    """
    values = np.atleast_1d(np.asarray(coupling, dtype=np.float64))
    reach = 1.0 - math.sqrt(min(max(alignment, 0.0), 1.0))
    if reach == 0.0:
        return np.zeros_like(values)
    factors = np.empty_like(values)
    for k, value in enumerate(values):
        x, weight = _graded(2 * POLAR_POINTS, np.array(reach), GRADE * float(value) + 1e-3)
        factors[k] = weight @ np.exp(3.0 * value * ((1.0 - x) ** 2 - 1.0))
    return 2.0 * math.pi * factors


def oriented_factor(
    coupling: Floats, alignment: float, alpha_i: float = 0.0, alpha_j: float = 0.0
) -> Floats:
    """Angular part of the bond constant in a field of any strength.

    Parameters
    ----------
    coupling : ndarray
        Coupling mu0 m_i m_j/(4 pi r^3 kT) at the distance meant.
    alignment : float
        Least product of the two cosines of a bond.
    alpha_i, alpha_j : float
        Langevin parameters of the two particles; infinite for a strong field.

    Returns
    -------
    ndarray
        exp(-U_dipole/kT) averaged over the free directions of both moments and summed over the
        solid angle ahead, times exp(-2 coupling); lies between 0 and 4 pi.
    """
    values = np.atleast_1d(np.asarray(coupling, dtype=np.float64))
    excess = max(alpha_i, alpha_j) / STRONGEST_FIELD
    if math.isinf(excess):
        return aligned_factor(values, alignment)
    if excess > 1.0:
        strong = aligned_factor(values, alignment)
        if not np.all(strong > 0.0):
            return strong
        weaker = oriented_factor(values, alignment, alpha_i / excess, alpha_j / excess)
        return np.asarray(strong * (weaker / strong) ** (1.0 / excess))
    sums = np.empty_like(values)
    for k, value in enumerate(values):
        ahead = _directions(max(alignment, 0.0), 1.0, GRADE * float(value) + 1e-3)
        sums[k] = _sum_directions(ahead, float(value), alpha_i, alpha_j)
        if alignment < 0.0:
            # A rule that admits tail to tail: the same integral with one of the moments reversed.
            mixed = _directions(0.0, -alignment, 1e-3)
            sums[k] += _sum_directions(mixed, -float(value), alpha_i, -alpha_j)
    return 4.0 * math.pi * sums


def _interpolated_factor(
    coupling: Floats, alignment: float, alpha_i: float, alpha_j: float
) -> Floats:
    """Angular part at many couplings, from a polynomial through a few of its logarithm."""
    low, high = float(coupling.min()), float(coupling.max())
    if math.isinf(alpha_i) or math.isinf(alpha_j) or alignment >= 1.0:
        return aligned_factor(coupling, alignment)
    if coupling.size <= COUPLING_POINTS or high - low < 1e-9 * (high + 1.0):
        return oriented_factor(coupling, alignment, alpha_i, alpha_j)
    nodes = np.cos(math.pi * (np.arange(COUPLING_POINTS) + 0.5) / COUPLING_POINTS)
    factor = oriented_factor(
        0.5 * (low + high) + 0.5 * (high - low) * nodes, alignment, alpha_i, alpha_j
    )
    chebyshev = np.polynomial.chebyshev
    series = chebyshev.chebfit(nodes, np.log(factor), COUPLING_POINTS - 1)
    return np.asarray(
        np.exp(chebyshev.chebval((2.0 * coupling - low - high) / (high - low), series))
    )


def _distances(parameters: Parameters, core_i: float, core_j: float) -> tuple[Floats, Floats]:
    """Radial points of a bond in m with weights, split where the repulsion ends."""
    potential = head_to_tail(parameters, core_i, core_j)
    outer = parameters.bonds.distance * potential.contact_m
    inside = potential.distance_m <= potential.minimum_distance_m
    reachable = potential.total_kt[inside] <= potential.minimum_kt + DEEPEST
    blocked = np.flatnonzero(~reachable)
    first = int(blocked[-1]) + 1 if blocked.size else int(np.argmax(potential.total_kt[inside]))
    start = float(potential.distance_m[min(first, potential.distance_m.size - 1)])
    reach = potential.contact_m
    if parameters.repulsion.kind == "soft_core":
        reach *= math.sqrt(pair_laws.SOFT_CORE_REACH2)
    edges = sorted({min(start, outer), min(max(reach, start), outer), outer})
    pieces = [_legendre(RADIAL_POINTS, a, b) for a, b in pairwise(edges)]
    if not pieces:
        return np.array([outer]), np.zeros(1)
    return np.concatenate([p[0] for p in pieces]), np.concatenate([p[1] for p in pieces])


def bond_constant(
    parameters: Parameters, core_i: float, core_j: float, field: float = 0.0
) -> float:
    """Bond constant of two particles under the bond rule of the run.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    core_i, core_j : float
        Core diameters in m.
    field : float
        Flux density in T; infinite for moments that a strong field aligns.

    Returns
    -------
    float
        K in m3, counted from head to tail (half of all bonds of the two); q = K/(pi d^3/6).
    """
    distance, weight = _distances(parameters, core_i, core_j)
    coupling = dipolar.pair_coupling(parameters, core_i, core_j, distance)
    moments = dipolar.moments(parameters, [core_i, core_j])
    alphas = np.zeros(2)
    if parameters.particles.is_multicore:  # a bead's moment has no direction but the field's
        alphas[:] = math.inf
    elif field > 0.0:
        temperature = parameters.carrier.temperature
        with np.errstate(invalid="ignore"):
            alphas = np.asarray(material.langevin_parameter(moments, field, temperature))
        alphas = np.nan_to_num(alphas, nan=0.0, posinf=math.inf)
    pushed = StericLaw.pair_energy(parameters, core_i, core_j, distance)
    pushed = pushed + sum(
        law.pair_energy(parameters, core_i, core_j, distance) for law in LAWS.values()
    )
    factor = _interpolated_factor(
        coupling, parameters.bonds.alignment, float(alphas[0]), float(alphas[1])
    )
    shares = weight * distance**2 * factor
    counted = shares > 0.0  # nothing times what is too large for a number is nothing
    with np.errstate(over="ignore"):
        total = np.sum(shares[counted] * np.exp((2.0 * coupling - pushed)[counted]))
    return float(min(total, np.finfo(np.float64).max))


def bond_constants(parameters: Parameters, cores: Floats, field: float = 0.0) -> Floats:
    """Bond constants of all pairs of some sizes.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    cores : ndarray (n,)
        Core diameters in m.
    field : float
        Flux density in T; infinite for moments that a strong field aligns.

    Returns
    -------
    ndarray (n, n)
        K in m3, symmetric.
    """
    constants = np.empty((cores.size, cores.size))
    for i, j in zip(*np.triu_indices(cores.size), strict=True):
        constants[i, j] = bond_constant(parameters, float(cores[i]), float(cores[j]), field)
        constants[j, i] = constants[i, j]
    return constants
