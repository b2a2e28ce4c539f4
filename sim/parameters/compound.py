"""What the value of a key must be where it is a list of numbers: sides, lengths and directions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from sim.parameters.values import Expectation, Quantity, Refused, finite

__all__ = ["Direction", "Lengths", "Sides"]


@dataclass(frozen=True)
class Sides(Expectation):
    """One length or a list of one or two: the sides (x, y) of the patch."""

    side: Quantity
    about: str
    example: tuple[str, str] = ("2.0 um", "0.6 um")

    @property
    def must(self) -> str:
        """The phrase after "must be"."""
        first, second = self.example
        return f'{self.side.must}, or a list of two (x, y) such as ["{first}", "{second}"]'

    @property
    def shape(self) -> dict[str, Any]:
        """JSON schema of the raw value."""
        pair = {"type": "array", "items": self.side.shape, "minItems": 1, "maxItems": 2}
        return {"anyOf": [self.side.shape, pair], "examples": [list(self.example)]}

    def read(self, value: object) -> tuple[float, float]:
        """Give both sides in m."""
        if not isinstance(value, list):
            side = self.side.read(value)
            return side, side
        if len(value) not in (1, 2):
            raise Refused("which is not a list of one or two")
        sides = [self.side.read(item) for item in value]
        return sides[0], sides[-1]


@dataclass(frozen=True)
class Direction(Expectation):
    """A vector of three numbers, of any length but zero."""

    about: str

    @property
    def must(self) -> str:
        """The phrase after "must be"."""
        return "three numbers (x, y, z) that are not all zero such as [1, 0, 0]"

    @property
    def shape(self) -> dict[str, Any]:
        """JSON schema of the raw value."""
        items = {"type": "number"}
        return {
            "type": "array",
            "items": items,
            "minItems": 3,
            "maxItems": 3,
            "examples": [[1, 0, 0]],
        }

    def read(self, value: object) -> tuple[float, float, float]:
        """Give the unit vector."""
        if not isinstance(value, list) or len(value) != 3:
            raise Refused
        x, y, z = (finite(item) for item in value)
        # Divide by the largest first: the length of (1e300, 1e300, 0) would overflow.
        largest = max(abs(x), abs(y), abs(z))
        if largest == 0.0:
            raise Refused
        x, y, z = x / largest, y / largest, z / largest
        length = math.hypot(x, y, z)
        return x / length, y / length, z / length


@dataclass(frozen=True)
class Lengths(Expectation):
    """A list of lengths, such as the coordinates of a place or the sides of a block.

    Attributes
    ----------
    one : Quantity
        What each of them must be.
    example : tuple of str
        A good value; it decides how many there are.
    about : str
        What the key means.
    """

    one: Quantity
    example: tuple[str, ...]
    about: str

    @property
    def must(self) -> str:
        """The phrase after "must be"."""
        written = ", ".join(f'"{item}"' for item in self.example)
        number = {2: "two", 3: "three"}[len(self.example)]
        return f"a list of {number} lengths {self.one.range_text} such as [{written}]"

    @property
    def shape(self) -> dict[str, Any]:
        """JSON schema of the raw value."""
        count = len(self.example)
        items = {"type": "array", "items": self.one.shape, "minItems": count, "maxItems": count}
        return {**items, "examples": [list(self.example)]}

    def read(self, value: object) -> tuple[float, ...]:
        """Give the lengths in m."""
        if not isinstance(value, list) or len(value) != len(self.example):
            raise Refused
        return tuple(float(self.one.read(item)) for item in value)
