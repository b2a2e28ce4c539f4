"""What a law between pairs of particles is: constants and kernel functions, energy, force, reach.

The formulas live once, in ``sim.kernels.laws.pairs``; here they get their constants from the user's
words in any length unit, and an SI form for pair theory, expectations and tests.
"""

from __future__ import annotations

import dataclasses
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from sim.kernels.laws import pairs as pair_laws

if TYPE_CHECKING:
    from typing import Self

    from sim.parameters.types import Parameters

Formula: TypeAlias = Callable[..., Any]

LEAST_ENERGY = 1e-3
"""Pairs further apart than where this energy in kT is left do not act on each other."""


def floats(*values: ArrayLike) -> tuple[Floats, ...]:
    """Return each of the values as a float64 array."""
    return tuple(np.asarray(value, dtype=np.float64) for value in values)


def steric_radii(
    parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike
) -> tuple[Floats, Floats]:
    """Return the steric radii in m, core and shell, of two core diameters in m."""
    shell = parameters.particles.shell_thickness
    first, second = floats(core_i, core_j)
    return 0.5 * first + shell, 0.5 * second + shell


def bisect_range(is_inside: Callable[[float], bool], low: float, high: float) -> float:
    """Return where a condition that holds at ``low`` stops to hold, by bisection.

    Parameters
    ----------
    is_inside : callable
        From a distance to a truth value; true up to one distance and false beyond.
    low, high : float
        Distances that bracket it.

    Returns
    -------
    float
        The distance; ``low`` where the condition holds nowhere, ``high`` where it holds throughout.
    """
    if not is_inside(low):
        return low
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if is_inside(middle) else (low, middle)
    return high


class Conditions(NamedTuple):
    """What a law needs besides its own table: SI, and the length unit of its constants in m."""

    shell_m: float
    temperature: float
    length_m: float = 1.0


@dataclass(frozen=True)
class PairLaw(ABC):
    """A law between two coated spheres: a frozen dataclass of its constants in one length unit.

    A field called ``shell`` is the thickness of the shells; all others are handed to the formulas
    in their order.

    Attributes
    ----------
    name : str
        Of its energy: in ``pair_laws.ADDED``, run files and the curves of `check`.
    table : str
        The table of the parameter file, and attribute of `Parameters`, that asks for the law.
    """

    name: ClassVar[str]
    table: ClassVar[str]

    @classmethod
    @abstractmethod
    def of(cls, given: Any, at: Conditions) -> Self:
        """Derive the constants from the checked values of the law's table, SI."""

    @property
    @abstractmethod
    def formulas(self) -> tuple[Formula, Formula]:
        """Push and energy: functions of (r^2, radius_i, radius_j, shell, *constants)."""

    @abstractmethod
    def reach(self, largest_radius: float) -> float:
        """Distance beyond which no pair of particles up to a steric radius feels the force.

        Both in the unit of the law; 0 where the force is off.
        """

    @property
    def acts(self) -> bool:
        """Whether the force is on: its first constant is its strength."""
        return self.constants[0] != 0.0

    @property
    def constants(self) -> tuple[float, ...]:
        """What the formulas take besides radii and shell."""
        names = (field.name for field in dataclasses.fields(self))
        return tuple(getattr(self, name) for name in names if name != "shell")

    @classmethod
    def asked_for(cls, parameters: Parameters, length_m: float = 1.0) -> Self:
        """Return the law that a parameter file asks for.

        Parameters
        ----------
        parameters : Parameters
            Checked parameters, SI.
        length_m : float
            Length unit of the constants in m: 1 for SI, the median diameter for the engine.
        """
        shell, temperature = parameters.particles.shell_thickness, parameters.carrier.temperature
        at = Conditions(shell, temperature, length_m)
        return cls.of(getattr(parameters, cls.table), at)

    def energy(self, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike) -> Floats:
        """Energy of pairs.

        Parameters
        ----------
        radius_i, radius_j : array_like
            Steric radii, core and shell, in the length unit of the law.
        distance : array_like
            Centre distances in that unit.

        Returns
        -------
        ndarray
            Energy in kT, of the broadcast shape; without the cut at `reach`.
        """
        first, second, r = floats(radius_i, radius_j, distance)
        return self._formula(1, first, second, r)

    def force(self, radius_i: ArrayLike, radius_j: ArrayLike, distance: ArrayLike) -> Floats:
        """Force of pairs, -dU/dr: positive where it drives them apart.

        Parameters are those of `energy`.

        Returns
        -------
        ndarray
            Force in kT per length unit, of the broadcast shape.
        """
        first, second, r = floats(radius_i, radius_j, distance)
        return np.asarray(self._formula(0, first, second, r) * r)

    def _formula(self, which: int, radius_i: Floats, radius_j: Floats, r: Floats) -> Floats:
        if not self.acts:
            return np.zeros(np.broadcast_shapes(radius_i.shape, radius_j.shape, r.shape))
        shell = getattr(self, "shell", 0.0)
        found = self.formulas[which](r * r, radius_i, radius_j, shell, *self.constants)
        return np.asarray(found, dtype=np.float64)

    @classmethod
    def pair_energy(
        cls, parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike, distance: ArrayLike
    ) -> Floats:
        """Energy of pairs in SI.

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
        return cls.asked_for(parameters).energy(*steric_radii(parameters, core_i, core_j), distance)


@dataclass(frozen=True)
class AddedLaw(PairLaw):
    """A law that a run may add to dipoles and repulsion; its formulas stand in ``pair_laws.ADDED``.

    Without arguments it is off.

    Attributes
    ----------
    words : str
        What the force is called in a sentence.
    """

    words: ClassVar[str]

    @property
    def formulas(self) -> tuple[Formula, Formula]:
        """Those of its name."""
        return pair_laws.ADDED[self.name]

    @property
    def contact_gap(self) -> float:
        """Gap between cores nearer than which they are in touch and no force acts; 0: none."""
        return 0.0

    @property
    def decay_rate(self) -> float:
        """Inverse length over which a repulsion falls by a factor e; 0 for an attraction."""
        return 0.0

    def reach(self, largest_radius: float) -> float:
        """Distance beyond which no pair of particles up to a steric radius has `LEAST_ENERGY`.

        Both in the unit of the law; 0 where the force is off.
        """
        if not self.acts:
            return 0.0

        def is_felt(distance: float) -> bool:
            energy = float(self.energy(largest_radius, largest_radius, distance))
            return abs(energy) > LEAST_ENERGY

        return bisect_range(is_felt, *self.bounds_of_reach(largest_radius))

    @abstractmethod
    def bounds_of_reach(self, largest_radius: float) -> tuple[float, float]:
        """Return two distances between which the energy falls below `LEAST_ENERGY`."""

    @classmethod
    @abstractmethod
    def rows(cls, parameters: Parameters) -> list[tuple[str, str]]:
        """Show the force, where it is on, in the table of `check`: labels and values."""

    @classmethod
    @abstractmethod
    def cautions(cls, parameters: Parameters) -> list[str]:
        """Say what the law leaves out and where its theory ends."""
