"""Repulsion of charged particles in a liquid with ions.

The linear (Debye-Hueckel) theory of two double layers in its Yukawa form, between whole particles:
the charges sit on the outer surface of the shell, with equal charges per area on every particle.
The ions are those of a salt; counter-ions are few beside them. The windows carry no charge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from sim.interactions.pairs import AddedLaw, Conditions
from sim.kernels.laws import pairs as pair_laws
from sim.physics.double_layer import bjerrum_length
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.parameters.types import ElectrostaticParameters, Parameters

LARGEST_POTENTIAL = 2.0
"""Surface potentials in kT/e up to which the linear theory of double layers may be used."""


@dataclass(frozen=True)
class ElectrostaticLaw(AddedLaw):
    """Constants of the repulsion as the kernels take them.

    Attributes
    ----------
    charging : float
        4 pi sqrt(l_B) times the elementary charges per area; 0 means none. Unit: the length unit
        asked for to the power -3/2.
    screening : float
        Inverse Debye length, in that unit.
    """

    name: ClassVar[str] = "electrostatic"
    table: ClassVar[str] = "electrostatics"
    words: ClassVar[str] = "electrostatic"

    charging: float = 0.0
    screening: float = 0.0

    @classmethod
    def of(cls, given: ElectrostaticParameters, at: Conditions) -> ElectrostaticLaw:
        """Derive the constants from checked values in SI."""
        if given.surface_charge == 0.0:
            return cls()
        bjerrum = bjerrum_length(given.permittivity, at.temperature)
        charging = 4.0 * math.pi * math.sqrt(bjerrum) * given.surface_charge
        return cls(charging * at.length_m**1.5, at.length_m / given.debye_length)

    @property
    def decay_rate(self) -> float:
        """The inverse Debye length."""
        return self.screening

    def bounds_of_reach(self, largest_radius: float) -> tuple[float, float]:
        """Return contact, and 16 Debye lengths beyond it."""
        contact = 2.0 * largest_radius
        return contact, contact + pair_laws.FARTHEST_DECAY / self.screening

    @classmethod
    def rows(cls, parameters: Parameters) -> list[tuple[str, str]]:
        """Show charges and screening."""
        charges = charge_number(parameters, parameters.particles.diameter)
        length = format_quantity(parameters.electrostatics.debye_length, "length")
        return [("charges on the median particle", f"{charges:.3g}"), ("Debye length", length)]

    @classmethod
    def cautions(cls, parameters: Parameters) -> list[str]:
        """Say where the theory of the double layers ends."""
        given = parameters.electrostatics
        found = ["Charges act between particles, not between particles and windows."]
        radius = 0.5 * parameters.particles.diameter
        charges = charge_number(parameters, 2.0 * radius)
        bjerrum = bjerrum_length(given.permittivity, parameters.carrier.temperature)
        potential = bjerrum * charges / (radius * (1.0 + radius / given.debye_length))
        if potential > LARGEST_POTENTIAL:
            found.append(
                f"The charges make a surface potential of {potential:.2g} kT/e; beyond about "
                f"{LARGEST_POTENTIAL:g} (50 mV) the linear theory overstates the repulsion: give "
                "the charge that acts at a distance, not the one on the surface."
            )
        return found


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
        Z = pi d^2 times the charges per area.
    """
    return math.pi * diameter**2 * parameters.electrostatics.surface_charge
