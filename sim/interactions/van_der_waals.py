"""Van der Waals attraction of the cores.

Hamaker's law for two spheres of any sizes, between the surfaces of the cores: shells and liquid are
taken as one medium, as Hamaker constants of particles in a liquid are measured. The law diverges at
contact; two cores nearer than the smallest gap are in touch and their energy stays as it is, so
that the repulsion holds them there. The windows attract nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from sim.interactions.pairs import AddedLaw, Conditions
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.parameters.types import Parameters, VanDerWaalsParameters


@dataclass(frozen=True)
class VanDerWaalsLaw(AddedLaw):
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

    name: ClassVar[str] = "van_der_waals"
    table: ClassVar[str] = "van_der_waals"
    words: ClassVar[str] = "van der Waals"

    hamaker: float = 0.0
    smallest_gap: float = 0.01
    shell: float = 0.0

    @classmethod
    def of(cls, given: VanDerWaalsParameters, at: Conditions) -> VanDerWaalsLaw:
        """Derive the constants from checked values in SI."""
        return cls(given.hamaker, given.smallest_gap / at.length_m, at.shell_m / at.length_m)

    @property
    def contact_gap(self) -> float:
        """The smallest gap."""
        return self.smallest_gap

    def reach(self, largest_radius: float) -> float:
        """Distance beyond which no pair has more than `LEAST_ENERGY`; 0 for shells without core."""
        return super().reach(largest_radius) if largest_radius > self.shell else 0.0

    def bounds_of_reach(self, largest_radius: float) -> tuple[float, float]:
        """Return contact, and where far apart U = -(16/9) A (R/r)^6 is small.

        1000 kT would reach to 11 core radii.
        """
        core = largest_radius - self.shell
        nearest = 2.0 * core + self.smallest_gap
        return nearest, nearest + core * max(1.0, (2e3 * self.hamaker) ** (1.0 / 6.0))

    @classmethod
    def rows(cls, parameters: Parameters) -> list[tuple[str, str]]:
        """Show the Hamaker constant."""
        return [("Hamaker constant", f"{parameters.van_der_waals.hamaker:.3g} kT")]

    @classmethod
    def cautions(cls, parameters: Parameters) -> list[str]:
        """Say what attracts nothing, and what counts as contact."""
        gap = format_quantity(parameters.van_der_waals.smallest_gap, "length")
        return [
            f"Van der Waals attraction acts between cores alone, not between cores and windows; "
            f"cores nearer than {gap} count as touching."
        ]
