"""Repulsion of two coated particles: from the user's words to the constants of the kernels.

The formulas live once, in ``sim.kernels.laws.pairs``; here they get their constants in any length
unit, and an SI form for pair theory, expectations and tests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sim.interactions.pairs import Values, floats, steric_radii
from sim.kernels.laws import pairs as pair_laws

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

__all__ = ["StericLaw", "law_energy", "law_force", "pair_energy", "pair_force", "steric_law"]

KINDS = {"soft_core": pair_laws.SOFT_CORE, "surfactant": pair_laws.SURFACTANT}


class StericLaw(NamedTuple):
    """Constants of the repulsion as the kernels take them.

    Attributes
    ----------
    kind : int
        ``pair_laws.SOFT_CORE`` or ``pair_laws.SURFACTANT``.
    shell : float
        Thickness of one surfactant layer, in the length unit asked for.
    grafting : float
        Molecules per area, per square of that length unit; 0 for the soft core.
    strength : float
        Energy of the soft core at contact in kT; 0 for the surfactant.
    """

    kind: int
    shell: float
    grafting: float
    strength: float


def steric_law(parameters: Parameters, length_m: float = 1.0) -> StericLaw:
    """Give the constants of the repulsion that a parameter file asks for.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    length_m : float
        Length unit of the constants in m: 1 for SI, the median diameter for the engine.

    Returns
    -------
    StericLaw
        Kind and constants.

    Raises
    ------
    ValueError
        If the kind of repulsion is unknown.
    """
    repulsion = parameters.repulsion
    if repulsion.kind not in KINDS:
        allowed = ", ".join(f'"{kind}"' for kind in KINDS)
        raise ValueError(f'[repulsion] kind must be one of {allowed}; received "{repulsion.kind}".')
    shell = parameters.particles.shell_thickness / length_m
    if repulsion.kind == "soft_core":
        return StericLaw(pair_laws.SOFT_CORE, shell, 0.0, repulsion.strength)
    return StericLaw(pair_laws.SURFACTANT, shell, repulsion.grafting_density * length_m**2, 0.0)


def law_energy(
    law: StericLaw, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Energy of the repulsion of pairs.

    Parameters
    ----------
    law : StericLaw
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
    if law.kind == pair_laws.SOFT_CORE:
        energy = pair_laws.soft_core_energy(r * r, first + second, law.strength)
    else:
        energy = pair_laws.brush_energy(r * r, first, second, law.shell, law.grafting)
    return np.asarray(energy, dtype=np.float64)


def law_force(
    law: StericLaw, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Force of the repulsion that drives two particles apart, -dU/dr.

    Parameters
    ----------
    law : StericLaw
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
    if law.kind == pair_laws.SOFT_CORE:
        push = pair_laws.soft_core_push(r * r, first + second, law.strength)
    else:
        push = pair_laws.brush_push(r * r, first, second, law.shell, law.grafting)
    return np.asarray(push * r, dtype=np.float64)


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
        Energy in kT, of the broadcast shape.
    """
    radii = steric_radii(parameters, core_i, core_j)
    return law_energy(steric_law(parameters), *radii, distance)


def pair_force(
    parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Force of the repulsion of pairs in SI, positive when it drives them apart.

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
        Force in kT/m, of the broadcast shape.
    """
    radii = steric_radii(parameters, core_i, core_j)
    return law_force(steric_law(parameters), *radii, distance)
