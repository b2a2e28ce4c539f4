"""Repulsion of charged particles in a liquid with ions, from the user's words to the constants.

The linear (Debye-Hueckel) theory of two double layers in its Yukawa form, between whole particles:
the charges sit on the outer surface of the shell, with equal charges an area on every particle. The
ions are those of a salt; counter-ions are few beside them. The windows carry no charge.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.interactions.pairs import LEAST_ENERGY, Values, bisect_range, floats, steric_radii
from sim.kernels.laws import pairs as pair_laws
from sim.physics.double_layer import bjerrum_length

if TYPE_CHECKING:
    from sim.parameters.types import ElectrostaticParameters, Parameters

__all__ = [
    "ElectrostaticLaw",
    "charge_number",
    "electrostatic_law",
    "law_energy",
    "law_force",
    "law_range",
    "pair_energy",
]


class ElectrostaticLaw(NamedTuple):
    """Constants of the repulsion as the kernels take them.

    Attributes
    ----------
    charging : float
        4 pi sqrt(l_B) times the elementary charges an area; 0 means none. Unit: the length unit
        asked for to the power -3/2.
    screening : float
        Inverse Debye length, in that unit.
    """

    charging: float
    screening: float

    @classmethod
    def of(
        cls, given: ElectrostaticParameters, temperature: float, length_m: float = 1.0
    ) -> ElectrostaticLaw:
        """Derive the constants from checked values in SI, for a length unit in m."""
        if given.surface_charge == 0.0:
            return cls(0.0, 0.0)
        bjerrum = bjerrum_length(given.permittivity, temperature)
        charging = 4.0 * math.pi * math.sqrt(bjerrum) * given.surface_charge
        return cls(charging * length_m**1.5, length_m / given.debye_length)


def electrostatic_law(parameters: Parameters, length_m: float = 1.0) -> ElectrostaticLaw:
    """Give the constants of the repulsion that a parameter file asks for.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    length_m : float
        Length unit of the constants in m: 1 for SI, the median diameter for the engine.

    Returns
    -------
    ElectrostaticLaw
        Constants.
    """
    temperature = parameters.carrier.temperature
    return ElectrostaticLaw.of(parameters.electrostatics, temperature, length_m)


def charge_number(parameters: Parameters, diameter: float) -> float:
    """Elementary charges on a whole particle.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    diameter : float
        Steric diameter in m.

    Returns
    -------
    float
        Z = pi d^2 times the charges an area.
    """
    return math.pi * diameter**2 * parameters.electrostatics.surface_charge


def law_energy(
    law: ElectrostaticLaw, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Energy of the repulsion of pairs.

    Parameters
    ----------
    law : ElectrostaticLaw
        Constants; lengths in one unit with the rest.
    radius_i, radius_j : array_like
        Steric radii, core and shell.
    distance : array_like
        Centre distances.

    Returns
    -------
    ndarray
        Energy in kT, of the broadcast shape; 0 beyond 16 Debye lengths.
    """
    first, second, r = floats(radius_i, radius_j, distance)
    energy = pair_laws.electrostatic_energy(r * r, first, second, law.charging, law.screening)
    return np.asarray(energy, dtype=np.float64)


def law_force(
    law: ElectrostaticLaw, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Force of the repulsion, -dU/dr.

    Parameters
    ----------
    law : ElectrostaticLaw
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
    push = pair_laws.electrostatic_push(r * r, first, second, law.charging, law.screening)
    return np.asarray(push * r, dtype=np.float64)


def law_range(law: ElectrostaticLaw, largest_radius: float) -> float:
    """Give the distance beyond which no pair repels by more than `LEAST_ENERGY`.

    Parameters
    ----------
    law : ElectrostaticLaw
        Constants.
    largest_radius : float
        Steric radius of the largest particle, in the unit of the law.

    Returns
    -------
    float
        Centre distance in that unit, at most 16 Debye lengths beyond contact; 0 where there is no
        repulsion.
    """
    if law.charging == 0.0:
        return 0.0

    def is_felt(distance: float) -> bool:
        return float(law_energy(law, largest_radius, largest_radius, distance)) > LEAST_ENERGY

    contact = 2.0 * largest_radius
    return bisect_range(is_felt, contact, contact + pair_laws.FARTHEST_DECAY / law.screening)


def pair_energy(
    parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Energy of the repulsion of pairs in SI.

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
    return law_energy(electrostatic_law(parameters), *radii, distance)
