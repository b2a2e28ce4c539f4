"""What the value of a key must be where it is a list of numbers: sides, lengths and directions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from sim.parameters.values import Expectation, Quantity, Refused, array, finite
from sim.physics.shown import show


@dataclass(frozen=True)
class Sides(Expectation):
    """One length or a list of one or two: the sides (x, y) of the patch."""

    one: Quantity
    example: tuple[str, str] = ("2.0 um", "0.6 um")

    def _must(self) -> str:
        first, second = self.example
        return f'{self.one.must}, or a list of two (x, y) such as ["{first}", "{second}"]'

    def _shape(self) -> dict[str, Any]:
        either = [self.one.shape, array(self.one.shape, 1, 2)]
        return {"anyOf": either, "examples": [list(self.example)]}

    def read(self, value: object) -> tuple[float, float]:
        """Give both sides in m."""
        if not isinstance(value, list):
            side = self.one.read(value)
            return side, side
        if len(value) not in (1, 2):
            raise Refused("which is not a list of one or two")
        sides = [self.one.read(item) for item in value]
        return sides[0], sides[-1]


@dataclass(frozen=True)
class Direction(Expectation):
    """A vector of three numbers, of any length but zero."""

    example: tuple[int, int, int] = (1, 0, 0)

    def _must(self) -> str:
        return f"three numbers (x, y, z) that are not all zero such as {list(self.example)}"

    def _shape(self) -> dict[str, Any]:
        return {**array({"type": "number"}, 3), "examples": [list(self.example)]}

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
    """

    one: Quantity
    example: tuple[str, ...]

    def _must(self) -> str:
        written = ", ".join(f'"{item}"' for item in self.example)
        number = {2: "two", 3: "three"}[len(self.example)]
        return f"a list of {number} lengths {self.one.range_text} such as [{written}]"

    def _shape(self) -> dict[str, Any]:
        return {**array(self.one.shape, len(self.example)), "examples": [list(self.example)]}

    def read(self, value: object) -> tuple[float, ...]:
        """Give the lengths in m."""
        if not isinstance(value, list) or len(value) != len(self.example):
            raise Refused
        return tuple(float(self.one.read(item)) for item in value)


Pairs: TypeAlias = tuple[tuple[float, float], ...]

MOST_SIZES = 10_000
"""Longest table of sizes."""

ROUNDING = 1e-6
"""By how much of its largest number a gradient may miss a symmetry."""


@dataclass(frozen=True)
class Diameters(Expectation):
    """One diameter, or a table of diameters and shares.

    Attributes
    ----------
    one : Quantity
        What each diameter must be.
    """

    one: Quantity

    def _must(self) -> str:
        return self.one.must

    def _shape(self) -> dict[str, Any]:
        pair = {
            "type": "array",
            "prefixItems": [self.one.shape, {"type": "number", "minimum": 0}],
            "minItems": 2,
            "maxItems": 2,
        }
        table = array(pair, 1, MOST_SIZES)
        file = {"type": "object", "properties": {"file": {"type": "string"}}}
        example = self.one.example
        return {
            "anyOf": [self.one.shape, table, file],
            "examples": [example, [["18 nm", 0.3], [example, 0.7]]],
        }

    def check(self, value: object) -> Any:
        """Give the value inside, or raise ValueError with the end of our sentence."""
        if not isinstance(value, list | Mapping):
            return super().check(value)
        try:
            return self.read(value)
        except Refused as refusal:
            raise ValueError(
                f"must hold pairs of a diameter {self.one.range_text} and its share, such as "
                f'[["18 nm", 0.3], ["20 nm", 0.7]]; {refusal}'
            ) from refusal

    def read(self, value: object) -> float | Pairs:
        """Give one diameter in m, or pairs of diameter in m and share, as written."""
        if not isinstance(value, list):
            diameter: float = self.one.read(value)
            return diameter
        if not 1 <= len(value) <= MOST_SIZES:
            raise Refused(f"received {len(value)} pairs (1 to {MOST_SIZES} are possible)")
        table = tuple(self._pair(number + 1, item) for number, item in enumerate(value))
        if not sum(share for _, share in table) > 0.0:
            raise Refused("received shares that are all zero")
        return table

    def _pair(self, number: int, item: object) -> tuple[float, float]:
        """Read one pair."""
        where = f"received {show(item)} as number {number}"
        if not isinstance(item, list) or len(item) != 2:
            raise Refused(where)
        written, share = item
        if isinstance(share, bool) or not isinstance(share, int | float) or not 0 <= share < 1e12:
            raise Refused(where)
        try:
            return float(self.one.read(written)), float(share)
        except Refused as refusal:
            raise Refused(where) from refusal


@dataclass(frozen=True)
class Gradient(Expectation):
    """A gradient along an axis, or the whole tensor dB_a/dx_b as three rows of three.

    Attributes
    ----------
    one : Quantity
        What each component must be.
    """

    one: Quantity

    def _must(self) -> str:
        return f"{self.one.must}, or three rows of three of them, symmetric and without trace"

    def _shape(self) -> dict[str, Any]:
        rows = array(array(self.one.shape, 3), 3)
        return {"anyOf": [self.one.shape, rows], "examples": [self.one.example]}

    def read(self, value: object) -> float | tuple[float, ...]:
        """Give the strength, or the components (xx, yy, zz, xy, xz, yz), in T/m."""
        if not isinstance(value, list):
            strength: float = self.one.read(value)
            return strength
        if len(value) != 3 or any(not isinstance(row, list) or len(row) != 3 for row in value):
            raise Refused
        (xx, xy, xz), (yx, yy, yz), (zx, zy, zz) = (
            [float(self.one.read(item)) for item in row] for row in value
        )
        allowed = ROUNDING * max(abs(c) for c in (xx, xy, xz, yx, yy, yz, zx, zy, zz))
        if max(abs(xy - yx), abs(xz - zx), abs(yz - zy)) > allowed:
            raise Refused("which is not symmetric: a field without currents has dBx/dy = dBy/dx")
        if abs(xx + yy + zz) > allowed:
            raise Refused("whose diagonal does not add up to zero: a field has no sources")
        return xx, yy, zz, xy, xz, yz


MOST_WAVELENGTHS = 20
LARGEST_INDEX = 10.0
"""No material is optically denser, or darker, between 100 nm and 20 um."""


@dataclass(frozen=True)
class Wavelengths(Expectation):
    """A list of wavelengths, each once."""

    one: Quantity

    def _must(self) -> str:
        return (
            f"a list of 1 to {MOST_WAVELENGTHS} different wavelengths {self.one.range_text} "
            f'such as ["{self.one.example}", "633 nm"]'
        )

    def _shape(self) -> dict[str, Any]:
        items = array(self.one.shape, 1, MOST_WAVELENGTHS)
        return {**items, "examples": [[self.one.example, "633 nm"]]}

    def read(self, value: object) -> tuple[float, ...]:
        """Give the wavelengths in m, in the order of the file."""
        if not isinstance(value, list) or not 1 <= len(value) <= MOST_WAVELENGTHS:
            raise Refused
        found = tuple(float(self.one.read(item)) for item in value)
        if len(set(found)) < len(found):
            raise Refused("which names one twice")
        return found


@dataclass(frozen=True)
class ComplexIndices(Expectation):
    """A pair [n, k], or a list of pairs."""

    def _must(self) -> str:
        return (
            f"a pair [n, k] with n from 0.01 to {LARGEST_INDEX:g} and k from 0 to "
            f"{LARGEST_INDEX:g} such as [2.35, 0.09], or one pair a wavelength"
        )

    def _shape(self) -> dict[str, Any]:
        number = {"type": "number", "minimum": 0, "maximum": LARGEST_INDEX}
        pair = array(number, 2)
        return {"anyOf": [pair, array(pair, 1, MOST_WAVELENGTHS)], "examples": [[2.35, 0.09]]}

    def read(self, value: object) -> Pairs:
        """Give one pair or several."""
        if not isinstance(value, list) or not value:
            raise Refused
        if len(value) > MOST_WAVELENGTHS:
            raise Refused(f"{len(value)} entries (1 to {MOST_WAVELENGTHS} are possible)")
        pairs = value if isinstance(value[0], list) else [value]
        return tuple(self._pair(pair) for pair in pairs)

    def _pair(self, pair: object) -> tuple[float, float]:
        if not isinstance(pair, list) or len(pair) != 2:
            raise Refused
        n, k = finite(pair[0]), finite(pair[1])
        if not (0.01 <= n <= LARGEST_INDEX and 0.0 <= k <= LARGEST_INDEX):
            raise Refused
        return n, k
