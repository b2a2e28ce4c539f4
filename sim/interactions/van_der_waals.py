"""Van der Waals attraction of the cores: from the user's words to the constants of the kernels.

Hamaker's law for two spheres of any sizes, between the surfaces of the cores: shells and liquid are
taken as one medium, as Hamaker constants of particles in a liquid are measured. The law diverges at
contact; two cores nearer than the smallest gap are in touch and their energy stays as it is, so
that the repulsion holds them there. The windows attract nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.interactions.pairs import LEAST_ENERGY, Values, bisect_range, floats, steric_radii
from sim.kernels.laws import pairs as pair_laws

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

__all__ = [
    "VanDerWaalsLaw",
    "law_energy",
    "law_force",
    "law_range",
    "pair_energy",
    "van_der_waals_law",
]


class VanDerWaalsLaw(NamedTuple):
    """Constants of the attraction as the kernels take them.

    Attributes
    ----------
    hamaker : float
        Hamaker constant of the cores across the liquid in kT; 0 means none.
    smallest_gap : float
        Gap between core surfaces, nearer than which the energy stays as it is, in the length unit
        asked for.
    shell : float
        Thickness of the shell that is no part of the core, in that unit.
    """

    hamaker: float
    smallest_gap: float
    shell: float


def van_der_waals_law(parameters: Parameters, length_m: float = 1.0) -> VanDerWaalsLaw:
    """Give the constants of the attraction that a parameter file asks for.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    length_m : float
        Length unit of the constants in m: 1 for SI, the median diameter for the engine.

    Returns
    -------
    VanDerWaalsLaw
        Constants.
    """
    given = parameters.van_der_waals
    shell = parameters.particles.shell_thickness / length_m
    return VanDerWaalsLaw(given.hamaker, given.smallest_gap / length_m, shell)


def law_energy(
    law: VanDerWaalsLaw, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Energy of the attraction of pairs.

    Parameters
    ----------
    law : VanDerWaalsLaw
        Constants; lengths in one unit with the rest.
    radius_i, radius_j : array_like
        Steric radii, core and shell.
    distance : array_like
        Centre distances.

    Returns
    -------
    ndarray
        Energy in kT, of the broadcast shape.
    """
    first, second, r = floats(radius_i, radius_j, distance)
    if law.hamaker == 0.0:
        return np.zeros(np.broadcast_shapes(first.shape, second.shape, r.shape))
    energy = pair_laws.van_der_waals_energy(
        r * r, first, second, law.shell, law.hamaker, law.smallest_gap
    )
    return np.asarray(energy, dtype=np.float64)


def law_force(
    law: VanDerWaalsLaw, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Force of the attraction, -dU/dr: negative, as it draws two particles together.

    Parameters
    ----------
    law : VanDerWaalsLaw
        Constants; lengths in one unit with the rest.
    radius_i, radius_j : array_like
        Steric radii, core and shell.
    distance : array_like
        Centre distances.

    Returns
    -------
    ndarray
        Force in kT per length unit, of the broadcast shape.
    """
    first, second, r = floats(radius_i, radius_j, distance)
    if law.hamaker == 0.0:
        return np.zeros(np.broadcast_shapes(first.shape, second.shape, r.shape))
    push = pair_laws.van_der_waals_push(
        r * r, first, second, law.shell, law.hamaker, law.smallest_gap
    )
    return np.asarray(push * r, dtype=np.float64)


def law_range(law: VanDerWaalsLaw, largest_radius: float) -> float:
    """Give the distance beyond which no pair attracts by more than `LEAST_ENERGY`.

    Parameters
    ----------
    law : VanDerWaalsLaw
        Constants.
    largest_radius : float
        Steric radius of the largest particle, in the unit of the law.

    Returns
    -------
    float
        Centre distance in that unit; 0 where there is no attraction.

    Notes
    -----
    Far apart U = -(16/9) A (R/r)^6, so that 1000 kT would reach to 11 core radii.
    """
    core = largest_radius - law.shell
    if law.hamaker == 0.0 or core <= 0.0:
        return 0.0

    def is_felt(distance: float) -> bool:
        return float(law_energy(law, largest_radius, largest_radius, distance)) < -LEAST_ENERGY

    nearest = 2.0 * core + law.smallest_gap
    farthest = nearest + core * max(1.0, (2e3 * law.hamaker) ** (1.0 / 6.0))
    return bisect_range(is_felt, nearest, farthest)


def pair_energy(
    parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Energy of the attraction of pairs in SI.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    core_i, core_j : array_like
        Core diameters in m.
    distance : array_like
        Centre distances in m.

    Returns
    -------
    ndarray
        Energy in kT, of the broadcast shape; without the cut at `law_range`.
    """
    radii = steric_radii(parameters, core_i, core_j)
    return law_energy(van_der_waals_law(parameters), *radii, distance)
