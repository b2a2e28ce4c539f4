"""Rules of what is a bond: by distance and alignment, or by the dipolar energy of the pair."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats, Integers
from analysis.common.constants import BOLTZMANN, MU0
from analysis.common.conventions import BOND_ALIGNMENT, BOND_DISTANCE

WEAKEST_BOND_KT = 1.0
"""A pair bound by less than this is torn apart as soon as it meets, whatever its moments."""

ROOM_TEMPERATURE_K = 298.15


@dataclass(frozen=True)
class EnergyRule:
    """Bonded is a pair whose dipolar energy lies below a limit.

    Attributes
    ----------
    limit_kt : float or None
        The limit in kT, below zero. None takes, pair by pair, half the energy of the two touching
        head to tail (common practice), at least ``WEAKEST_BOND_KT`` below zero.
    temperature_k : float
        Temperature in K.
    """

    limit_kt: float | None = None
    temperature_k: float = ROOM_TEMPERATURE_K

    def __post_init__(self) -> None:
        """Refuse what binds nothing or everything.

        Raises
        ------
        ValueError
            Where the limit is not below zero or the temperature not above it.
        """
        limit = self.limit_kt
        if limit is not None and not (math.isfinite(limit) and -1e4 <= limit <= -0.1):
            raise ValueError(f"bond energy must be from -10000 to -0.1 kT; received {limit} kT.")
        if not (math.isfinite(self.temperature_k) and self.temperature_k > 0):
            raise ValueError(
                f"temperature must be a positive number of K; received {self.temperature_k}."
            )

    @property
    def thermal_j(self) -> float:
        """Return kT in J."""
        return BOLTZMANN * self.temperature_k

    def reach(self, moments: Floats, diameters: Floats) -> float:
        """Return the longest possible bond in mean diameters.

        With sqrt(d_i d_j) <= (d_i + d_j)/2, no pair at -limit is farther apart than
        (2 mu0/(4 pi limit))^(1/3) times the largest m^(2/3)/d.
        """
        if self.limit_kt is None:
            return math.cbrt(2.0)
        size = np.linalg.norm(moments, axis=1)
        scale = float(np.max(size ** (2 / 3) / diameters, initial=0.0))
        strength = 2 * MU0 / (4 * math.pi * -self.limit_kt * self.thermal_j)
        return max(math.cbrt(strength) * scale, 1e-3)

    def bound(
        self, points: Floats, moments: Floats, diameters: Floats, sides: Floats, pairs: Integers
    ) -> NDArray[np.bool_]:
        """Return which of the pairs are bonded, (P,); arguments as of ``pair_energies``."""
        energy = pair_energies(points, moments, sides, pairs)
        if self.limit_kt is not None:
            return np.asarray(energy < self.limit_kt * self.thermal_j)
        first, second = pairs[:, 0], pairs[:, 1]
        size = np.linalg.norm(moments, axis=1)
        contact = 0.5 * (diameters[first] + diameters[second])
        half = MU0 * size[first] * size[second] / (4 * math.pi * contact**3)
        return np.asarray(energy < -np.maximum(half, WEAKEST_BOND_KT * self.thermal_j))


@dataclass(frozen=True)
class BondRule:
    """Everything that decides about a bond: distance and alignment, or energy where given."""

    distance: float = BOND_DISTANCE
    alignment: float = BOND_ALIGNMENT
    energy: EnergyRule | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the entries of measures.json."""
        energy = self.energy
        return {
            "bond_kind": "distance" if energy is None else "energy",
            "bond_distance": self.distance,
            "bond_alignment": self.alignment,
            "bond_energy_kt": None if energy is None else (energy.limit_kt or "auto"),
        }


def rule_of(
    recorded: dict[str, Any],
    temperature_k: float,
    distance: float | None = None,
    alignment: float | None = None,
    energy: float | str | None = None,
) -> BondRule:
    """Return the rule for a run: what is asked for, else what the run recorded, else the default.

    Parameters
    ----------
    recorded : dict
        ``distance``, ``alignment``, ``kind`` and ``energy_kt`` as far as the run has them.
    temperature_k : float
        Temperature in K.
    distance, alignment : float, optional
        Largest bond in mean diameters, smallest product of the cosines; they choose the rule by
        distance.
    energy : float or "auto", optional
        Limit in kT; chooses the rule by energy.

    Raises
    ------
    ValueError
        Where the limit is not below zero.
    """
    by_distance = distance is not None or alignment is not None
    limit = energy
    if energy is None and recorded.get("kind") == "energy" and not by_distance:
        limit = recorded.get("energy_kt") or "auto"
    chosen = None
    if limit is not None:
        chosen = EnergyRule(None if limit == "auto" else float(limit), temperature_k)
    return BondRule(
        float(recorded.get("distance", BOND_DISTANCE)) if distance is None else distance,
        float(recorded.get("alignment", BOND_ALIGNMENT)) if alignment is None else alignment,
        chosen,
    )


def pair_steps(points: Floats, sides: Floats, pairs: Integers) -> Floats:
    """Return the vectors from i to j, (P, 3).

    Parameters
    ----------
    points : (N, 3) array
        Centres inside the patch.
    sides : (2,) array
        Patch, same unit.
    pairs : (P, 4 or more) array
        i, j, image shifts of j in x and y.
    """
    step = points[pairs[:, 1]] - points[pairs[:, 0]]
    step[:, :2] += pairs[:, 2:4] * sides
    return step


def pair_energies(points: Floats, moments: Floats, sides: Floats, pairs: Integers) -> Floats:
    """Return the dipolar energy of pairs in J, (P,).

    Parameters
    ----------
    points : (N, 3) array
        Centres in m inside the patch.
    moments : (N, 3) array
        Moments in A m2.
    sides : (2,) array
        Patch in m.
    pairs : (P, 4 or more) array
        i, j, image shifts of j in x and y.

    Notes
    -----
    U = mu0/(4 pi r^3) [m_i.m_j - 3 (m_i.n)(m_j.n)]; Jackson, Classical Electrodynamics, section
    5.7 (from memory). Nearest image only; repulsion does not count.
    """
    step = pair_steps(points, sides, pairs)
    distance = np.linalg.norm(step, axis=1)
    along = step / distance[:, None]
    first, second = moments[pairs[:, 0]], moments[pairs[:, 1]]
    cosines = np.sum(first * along, axis=1) * np.sum(second * along, axis=1)
    return np.asarray(
        MU0 / (4 * math.pi) * (np.sum(first * second, axis=1) - 3 * cosines) / distance**3
    )
