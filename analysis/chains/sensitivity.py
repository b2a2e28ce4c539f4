"""How chain lengths depend on the rule that tells what is a bond."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.chains.bonds import BondRule, EnergyRule
from analysis.chains.groups import find_chains
from analysis.common.arrays import Floats
from analysis.common.conventions import BOND_ALIGNMENT, BOND_DISTANCE
from analysis.uncertainty.estimate import estimate_of_pairs
from analysis.uncertainty.ratio import ratio

DISTANCES = (1.2, 1.3, 1.4)
ALIGNMENTS = (0.3, 0.7)
NAMES = ("mean_length", "weight_mean_length", "singles_fraction")
WARNED_SPREAD = 0.2


def rules(own: BondRule, temperature_k: float) -> list[BondRule]:
    """Return the rules to compare: the run's own first, then each criterion varied by itself."""
    varied = [BondRule(d, BOND_ALIGNMENT) for d in DISTANCES]
    varied += [BondRule(BOND_DISTANCE, a) for a in ALIGNMENTS]
    varied.append(BondRule(energy=EnergyRule(None, temperature_k)))
    return [own, *(rule for rule in varied if rule.as_dict() != own.as_dict())]


@dataclass
class Sensitivity:
    """Chain lengths of the same frames by several rules; ``add`` takes one frame.

    Parameters
    ----------
    own : BondRule
        The rule of the run.
    temperature_k : float
        Temperature in K.
    """

    own: BondRule
    temperature_k: float
    rows: list[dict[str, list[tuple[float, float]]]] = field(init=False)

    def __post_init__(self) -> None:
        """Make room for each rule."""
        self.rules = rules(self.own, self.temperature_k)
        self.rows = [{name: [] for name in NAMES} for _ in self.rules]

    def add(self, positions: Floats, moments: Floats, diameters: Floats, sides: Floats) -> None:
        """Take in one frame; SI arrays as of ``find_chains``."""
        for rule, row in zip(self.rules, self.rows, strict=True):
            chains = find_chains(
                positions,
                moments,
                diameters,
                sides,
                bond_distance=rule.distance,
                bond_alignment=rule.alignment,
                bond_energy=rule.energy,
            )
            length = chains.lengths.astype(np.float64)
            size = chains.size.astype(np.float64)
            row["mean_length"].append(ratio(length, np.ones_like(length)))
            row["weight_mean_length"].append(ratio(length**2, length))
            row["singles_fraction"].append(ratio(size * (size == 1), size))

    def numbers(self, structures: float | None, warnings: list[str]) -> list[dict[str, Any]]:
        """Return the table ``chains.sensitivity``, a row for each rule, the run's own first.

        Warns where another rule changes the mean length by more than ``WARNED_SPREAD``.
        """
        table = []
        for rule, row in zip(self.rules, self.rows, strict=True):
            entry: dict[str, Any] = rule.as_dict()
            for name in NAMES:
                entry[name] = estimate_of_pairs(row[name], structures).as_dict()
            table.append(entry)
        lengths = [entry["mean_length"]["value"] for entry in table]
        known = [length for length in lengths if length is not None and math.isfinite(length)]
        if lengths[0] and max(abs(x - lengths[0]) for x in known) > WARNED_SPREAD * lengths[0]:
            warnings.append(
                f"chains.mean_length: from {min(known):.3g} to {max(known):.3g} by the rule that "
                "tells a bond (chains.sensitivity)"
            )
        return table
