"""The pair laws that a run may add to dipoles and repulsion: the list of them, taken together.

All that treats them goes through this list: kernels and lists, the step and what limits it, starts,
observed energies, the run file, and the pair potential that `check` prints. A new law is entered
here and, with its formulas, in ``sim.kernels.laws.pairs.ADDED``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from sim.interactions.electrostatic import ElectrostaticLaw
from sim.interactions.pairs import AddedLaw, Conditions
from sim.interactions.van_der_waals import VanDerWaalsLaw
from sim.kernels.laws import pairs as pair_laws

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

_LAWS: tuple[type[AddedLaw], ...] = (VanDerWaalsLaw, ElectrostaticLaw)
LAWS = {name: {law.name: law for law in _LAWS}[name] for name in pair_laws.ADDED}
"""By the names of their energies, in the order in which kernels take them."""


@dataclass(frozen=True)
class AddedPairs:
    """The added pair laws of a film, in one length unit.

    Attributes
    ----------
    laws : tuple of AddedLaw
        One of each kind in `LAWS`, on or off.
    """

    laws: tuple[AddedLaw, ...] = tuple(law() for law in LAWS.values())

    @classmethod
    def of(cls, tables: Mapping[str, Any], at: Conditions) -> AddedPairs:
        """Derive the constants from the checked values of the laws' tables, by their names, SI."""
        return cls(tuple(law.of(tables[law.table], at) for law in LAWS.values()))

    @classmethod
    def asked_for(cls, parameters: Parameters, length_m: float = 1.0) -> AddedPairs:
        """Return the laws that a parameter file asks for, see `PairLaw.asked_for`."""
        return cls(tuple(law.asked_for(parameters, length_m) for law in LAWS.values()))

    @property
    def acting(self) -> tuple[AddedLaw, ...]:
        """Those that act."""
        return tuple(law for law in self.laws if law.acts)

    @property
    def acts(self) -> bool:
        """Whether any of them acts."""
        return bool(self.acting)

    @property
    def last_acting(self) -> int:
        """The number of laws up to the last that acts."""
        return max((n for n, law in enumerate(self.laws, 1) if law.acts), default=0)

    @property
    def words(self) -> str:
        """What the acting ones are called."""
        names = [law.words for law in self.acting]
        return " and ".join(filter(None, [", ".join(names[:-1]), *names[-1:]]))

    @property
    def contact_gap(self) -> float:
        """Gap between cores nearer than which they are in touch; 0 where no law says so."""
        return max((law.contact_gap for law in self.acting), default=0.0)

    @property
    def repulsions(self) -> tuple[AddedLaw, ...]:
        """Those that act and drive pairs apart from afar."""
        return tuple(law for law in self.acting if law.decay_rate > 0.0)

    def reach(self, largest_radius: float) -> float:
        """Distance beyond which none of them acts; 0 where none acts at all."""
        return max(law.reach(largest_radius) for law in self.laws)

    def energy(self, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike) -> Floats:
        """Energy of pairs of steric radii in kT, of all laws together."""
        return np.asarray(sum(law.energy(radius_i, radius_j, distance) for law in self.laws))

    def force(self, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike) -> Floats:
        """Force of pairs of steric radii, -dU/dr, in kT per length unit, of all laws together."""
        return np.asarray(sum(law.force(radius_i, radius_j, distance) for law in self.laws))
