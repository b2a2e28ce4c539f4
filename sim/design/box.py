"""The box of free keys: points of the unit cube and the settings of a file that they stand for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.common.arrays import Floats
from sim.parameters.compound import Diameters
from sim.parameters.values import Number, Quantity, WholeNumber
from sim.physics.units import format_quantity
from sim.sweeps.keys import SweepKey, expectation, unit_of
from sim.sweeps.reading import Settings

ROUNDINGS = 7
"""Steps towards the middle of the range until a rounded value lies in it."""
WIDE = 3.0
"""A range whose ends differ by more than this factor is divided evenly in the logarithm."""


def one_number(path: str) -> Quantity | Number | WholeNumber | None:
    """Return what a key must be where it is one number; None where it is anything else."""
    must = expectation(path)
    if isinstance(must, Diameters):
        return must.one
    return must if isinstance(must, Quantity | Number | WholeNumber) else None


@dataclass(frozen=True)
class FreeKey:
    """A key of the film that the search may set, within a range.

    Attributes
    ----------
    key : SweepKey
        The key.
    low, high : float
        Range in SI.
    """

    key: SweepKey
    low: float
    high: float

    @property
    def is_log(self) -> bool:
        """Whether the range is divided evenly in the logarithm."""
        return self.low > 0.0 and self.high > WIDE * self.low

    def value(self, share: float) -> float:
        """Return the value in SI at a share of the way from low to high."""
        if self.is_log:
            return math.exp((1 - share) * math.log(self.low) + share * math.log(self.high))
        return (1 - share) * self.low + share * self.high

    def share(self, value: float) -> float:
        """Return how far along its range a value in SI lies, from 0 to 1."""
        if self.is_log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def number(self, written: object) -> float:
        """Return what a file writes in SI."""
        return float(self.must.read(written))

    @property
    def unit(self) -> str:
        """SI unit as tables spell it."""
        return unit_of(self.must)

    @property
    def must(self) -> Quantity | Number | WholeNumber:
        """What its value must be."""
        must = one_number(self.key.path)
        if must is None:  # a wish that names such a key is refused
            raise TypeError(self.key.path)
        return must

    def written(self, value: float) -> Any:
        """Return a value in SI as a file writes it, rounded inside the range."""
        must = self.must
        value = min(max(value, self.low), self.high)
        if isinstance(must, WholeNumber):
            return round(value)
        middle, text = 0.5 * (self.low + self.high), ""
        for step in range(ROUNDINGS):
            near = value + 1e-4 * 4**step * (middle - value) if step else value
            if isinstance(must, Quantity):
                text = format_quantity(near, must.dimension)
            else:
                return min(max(float(f"{near:.4g}"), self.low), self.high)
            if self.low <= self.number(text) <= self.high:
                break
        return text


@dataclass(frozen=True)
class Box:
    """All free keys.

    Attributes
    ----------
    keys : tuple of FreeKey
        In the order of the wish.
    """

    keys: tuple[FreeKey, ...]

    @property
    def size(self) -> int:
        """Number of free keys."""
        return len(self.keys)

    def settings(self, point: Sequence[float] | Floats) -> Settings:
        """Return what a file writes at a point of the unit cube."""
        return {
            one.key.path: one.written(one.value(float(share)))
            for one, share in zip(self.keys, point, strict=True)
        }

    def point(self, settings: Mapping[str, Any]) -> Floats:
        """Return the point of the unit cube that settings stand for."""
        return np.array([one.share(one.number(settings[one.key.path])) for one in self.keys])

    def spread(self, count: int, seed: int) -> Floats:
        """Return points spread evenly over the unit cube, (count, keys).

        Notes
        -----
        I. M. Sobol', USSR Comput. Math. Math. Phys. 7, 86 (1967), scrambled (from memory).
        """
        from scipy.stats import qmc

        return np.asarray(qmc.Sobol(self.size, rng=seed).random_base2(math.ceil(math.log2(count))))[
            :count
        ]
