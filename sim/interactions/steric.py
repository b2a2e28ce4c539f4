"""Repulsion of two coated particles: layers of surfactant, or soft cores."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from sim.interactions.pairs import Conditions, Formula, PairLaw
from sim.kernels.laws import pairs as pair_laws

if TYPE_CHECKING:
    from sim.parameters.types import RepulsionParameters

KINDS = {"soft_core": pair_laws.SOFT_CORE, "surfactant": pair_laws.SURFACTANT}


def _soft_push(r2: Any, radius_i: Any, radius_j: Any, _: float, strength: float) -> Any:
    return pair_laws.soft_core_push(r2, radius_i + radius_j, strength)


def _soft_energy(r2: Any, radius_i: Any, radius_j: Any, _: float, strength: float) -> Any:
    return pair_laws.soft_core_energy(r2, radius_i + radius_j, strength)


@dataclass(frozen=True)
class StericLaw(PairLaw):
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

    name: ClassVar[str] = "steric"
    table: ClassVar[str] = "repulsion"

    kind: int
    shell: float
    grafting: float
    strength: float

    @classmethod
    def of(cls, given: RepulsionParameters, at: Conditions) -> StericLaw:
        """Derive the constants from checked values in SI."""
        shell = at.shell_m / at.length_m
        if KINDS[given.kind] == pair_laws.SOFT_CORE:
            return cls(pair_laws.SOFT_CORE, shell, 0.0, given.strength)
        return cls(pair_laws.SURFACTANT, shell, given.grafting_density * at.length_m**2, 0.0)

    @property
    def is_soft(self) -> bool:
        """Whether soft cores repel, else layers of surfactant."""
        return self.kind == pair_laws.SOFT_CORE

    @property
    def formulas(self) -> tuple[Formula, Formula]:
        """Those of the kind of repulsion."""
        if self.is_soft:
            return _soft_push, _soft_energy
        return pair_laws.brush_push, pair_laws.brush_energy

    @property
    def constants(self) -> tuple[float, ...]:
        """The one constant that the kind has."""
        return (self.strength if self.is_soft else self.grafting,)

    def reach(self, largest_radius: float) -> float:
        """Distance beyond which no pair repels, in the unit of the law."""
        widest = 2.0 * largest_radius
        return math.sqrt(pair_laws.SOFT_CORE_REACH2) * widest if self.is_soft else widest
