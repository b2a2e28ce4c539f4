"""What the value of a key must be: how it is read, and how that is said.

Each expectation reads one raw value and words the phrase after "must be" for messages and for the
JSON schema, so that range, message and documentation cannot disagree.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any

from sim.physics.shown import show
from sim.physics.units import DIMENSIONS, UnitError, format_quantity, parse

NOMINAL_TEMPERATURE = 298.15
"""Temperature in K at which the range of an energy written in joules is checked."""


class Refused(ValueError):
    """A value that does not meet its expectation; the text says why, or is empty."""


class Expectation(ABC):
    """Base of all expectations."""

    @property
    def must(self) -> str:
        """The phrase after "must be"."""
        return self._must()

    @property
    def shape(self) -> dict[str, Any]:
        """JSON schema of the raw value, without its description."""
        return self._shape()

    @abstractmethod
    def _must(self) -> str: ...

    @abstractmethod
    def _shape(self) -> dict[str, Any]: ...

    @abstractmethod
    def read(self, value: object) -> Any:
        """Give the value inside, or raise `Refused`."""

    def check(self, value: object) -> Any:
        """Give the value inside, or raise ValueError with the end of our sentence."""
        try:
            return self.read(value)
        except Refused as refusal:
            reason = f", {refusal}" if str(refusal) else ""
            raise ValueError(f"must be {self.must}; received {show(value)}{reason}") from refusal


def finite(value: object) -> float:
    """Read a number that is a number in the file too, or raise `Refused`."""
    if isinstance(value, str):
        raise Refused("a text (a number stands without quotes)")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused
    try:
        number = float(value)
    except OverflowError:
        raise Refused("which is too large") from None
    if not math.isfinite(number):
        raise Refused("which is not a finite number")
    return number


def array(items: dict[str, Any], least: int, most: int | None = None) -> dict[str, Any]:
    """Give the JSON schema of a list of so many items, ``least`` of them unless ``most`` is."""
    return {"type": "array", "items": items, "minItems": least, "maxItems": most or least}


@dataclass(frozen=True)
class Quantity(Expectation):
    """A text with number and unit, within a range (SI).

    Attributes
    ----------
    dimension : str
        A key of `sim.physics.units.DIMENSIONS`.
    low, high : float
        Range in the unit inside, both ends included.
    example : str
        A good value.
    has_auto : bool
        Whether "auto" is allowed, which reads as None.
    """

    dimension: str
    low: float
    high: float
    example: str
    has_auto: bool = False

    @property
    def range_text(self) -> str:
        """The range, with units."""
        low = format_quantity(self.low, self.dimension) if self.low else "0"
        return f"from {low} to {format_quantity(self.high, self.dimension)}"

    def _must(self) -> str:
        noun = DIMENSIONS[self.dimension].noun
        auto = '"auto" or ' if self.has_auto else ""
        return f'{auto}{noun} {self.range_text} such as "{self.example}"'

    def _shape(self) -> dict[str, Any]:
        pattern = r"^\s*[-+]?[0-9.][0-9.eE+-]*\s*\S.*$"
        auto = ["auto"] if self.has_auto else []
        if self.has_auto:
            pattern = f"{pattern}|^auto$"
        return {"type": "string", "pattern": pattern, "examples": [self.example, *auto]}

    def read(self, value: object) -> Any:
        """Give the value in SI (energies in kT at the nominal temperature), None for "auto"."""
        if self.has_auto and value == "auto":
            return None
        try:
            quantity = parse(value, self.dimension, NOMINAL_TEMPERATURE)
        except UnitError as error:
            raise Refused(error.reason) from error
        if not self.low <= quantity <= self.high:
            raise Refused
        return quantity


@dataclass(frozen=True)
class Number(Expectation):
    """A number without unit, within a range.

    Attributes
    ----------
    low, high : float
        Range; the ends are included unless `is_open`.
    example : float
        A good value.
    is_open : bool
        Whether both ends are excluded.
    note : str
        Why the range ends where it does.
    """

    low: float
    high: float
    example: float
    is_open: bool = False
    note: str = ""

    def _must(self) -> str:
        if self.is_open:
            span = f"above {self.low:g} and below {self.high:g}"
        else:
            span = f"from {self.low:g} to {self.high:g}"
        return f"a number {span}{self.note} such as {self.example:g}"

    def _shape(self) -> dict[str, Any]:
        names = ("exclusiveMinimum", "exclusiveMaximum") if self.is_open else ("minimum", "maximum")
        limits = dict(zip(names, (self.low, self.high), strict=True))
        return {"type": "number", **limits, "examples": [self.example]}

    def read(self, value: object) -> float:
        """Give the number."""
        number = finite(value)
        is_at_end = number in (self.low, self.high)
        if not self.low <= number <= self.high or (self.is_open and is_at_end):
            raise Refused
        return number


@dataclass(frozen=True)
class WholeNumber(Expectation):
    """A whole number, written without a decimal point, within a range."""

    low: int
    high: int
    example: int

    def _must(self) -> str:
        return f"a whole number from {self.low} to {self.high} such as {self.example}"

    def _shape(self) -> dict[str, Any]:
        limits = {"minimum": self.low, "maximum": self.high}
        return {"type": "integer", **limits, "examples": [self.example]}

    def read(self, value: object) -> int:
        """Give the number."""
        if isinstance(value, str):
            raise Refused("a text (a number stands without quotes)")
        if isinstance(value, bool) or not isinstance(value, int):
            raise Refused
        if not self.low <= value <= self.high:
            raise Refused
        return value


@dataclass(frozen=True)
class Choice(Expectation):
    """One of a few words."""

    options: tuple[str, ...]

    def _must(self) -> str:
        quoted = [f'"{option}"' for option in self.options]
        return quoted[0] if len(quoted) == 1 else ", ".join(quoted[:-1]) + " or " + quoted[-1]

    def _shape(self) -> dict[str, Any]:
        return {"type": "string", "enum": list(self.options)}

    def read(self, value: object) -> str:
        """Give the word."""
        if isinstance(value, str) and value in self.options:
            return value
        raise Refused


@dataclass(frozen=True)
class Switch(Expectation):
    """True or false."""

    def _must(self) -> str:
        return "true or false"

    def _shape(self) -> dict[str, Any]:
        return {"type": "boolean", "examples": [True, False]}

    def read(self, value: object) -> bool:
        """Give the truth value."""
        if not isinstance(value, bool):
            raise Refused
        return value


@dataclass(frozen=True)
class Words(Expectation):
    """A free text of limited length."""

    longest: int
    example: str

    def _must(self) -> str:
        return f'a text of at most {self.longest} characters such as "{self.example}"'

    def _shape(self) -> dict[str, Any]:
        return {"type": "string", "maxLength": self.longest, "examples": [self.example]}

    def read(self, value: object) -> str:
        """Give the text."""
        if not isinstance(value, str) or len(value) > self.longest:
            raise Refused
        return value


@dataclass(frozen=True)
class FileName(Words):
    """The name of a file or folder, which is looked for beside the parameter file."""
