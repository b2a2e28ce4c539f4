"""The pair forces that a run may add to dipoles and repulsion, taken together."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from numpy.typing import ArrayLike

from sim.interactions import electrostatic, van_der_waals
from sim.interactions.electrostatic import ElectrostaticLaw
from sim.interactions.pairs import Values, steric_radii
from sim.interactions.van_der_waals import VanDerWaalsLaw

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

__all__ = ["AddedPairs", "added_pairs", "pair_energy"]


class AddedPairs(NamedTuple):
    """Constants of the added pair forces, in one length unit.

    Attributes
    ----------
    attraction : VanDerWaalsLaw
    repulsion : ElectrostaticLaw
    """

    attraction: VanDerWaalsLaw
    repulsion: ElectrostaticLaw

    @property
    def acts(self) -> bool:
        """Whether any of them acts."""
        return self.attraction.hamaker != 0.0 or self.repulsion.charging != 0.0

    def reach(self, largest_radius: float) -> float:
        """Distance beyond which none of them acts; 0 where none acts at all."""
        return max(
            van_der_waals.law_range(self.attraction, largest_radius),
            electrostatic.law_range(self.repulsion, largest_radius),
        )

    def energy(self, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike) -> Values:
        """Energy of pairs of steric radii in kT."""
        drawn = van_der_waals.law_energy(self.attraction, radius_i, radius_j, distance)
        return drawn + electrostatic.law_energy(self.repulsion, radius_i, radius_j, distance)

    def force(self, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike) -> Values:
        """Force of pairs of steric radii, -dU/dr, in kT a length unit."""
        drawn = van_der_waals.law_force(self.attraction, radius_i, radius_j, distance)
        return drawn + electrostatic.law_force(self.repulsion, radius_i, radius_j, distance)


def added_pairs(parameters: Parameters, length_m: float = 1.0) -> AddedPairs:
    """Give the constants of the added pair forces of a parameter file.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    length_m : float
        Length unit of the constants in m: 1 for SI, the median diameter for the engine.

    Returns
    -------
    AddedPairs
        Constants.
    """
    return AddedPairs(
        van_der_waals.van_der_waals_law(parameters, length_m),
        electrostatic.electrostatic_law(parameters, length_m),
    )


def pair_energy(
    parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike, distance: ArrayLike
) -> Values:
    """Energy of the added pair forces in SI.

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
    return added_pairs(parameters).energy(*radii, distance)
