"""A value of a sheet with its error, as texts such as "20 mT +- 1 mT" or "3 cP +- 5 %"."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sim.parameters.values import Expectation, Refused
from sim.physics.units import DIMENSIONS, UnitError, format_quantity, parse

SIGNS = ("+-", "+/-", "\N{PLUS-MINUS SIGN}")
"""What stands before an error."""

SPECIFIC = "specific_magnetisation"
"""The one quantity that needs the density of the fluid to become another."""
LEAST_SPECIFIC, MOST_SPECIFIC = 1e-3, 300.0
"""Its range in A m^2/kg: iron, the strongest, has 218 (from memory)."""


@dataclass(frozen=True)
class Value:
    """A measured value.

    Attributes
    ----------
    value, error : float
        In SI; the error is one standard deviation.
    dimension : str
        Of the unit that it was written in, a key of `sim.physics.units.DIMENSIONS`.
    is_assumed : bool
        Whether the sheet gives no error, so that one was taken for it.
    """

    value: float
    error: float
    dimension: str
    is_assumed: bool = False

    def times(self, factor: float, dimension: str) -> Value:
        """Give the value in another quantity."""
        return Value(self.value * factor, self.error * factor, dimension, self.is_assumed)

    @property
    def text(self) -> str:
        """Value and error with units."""
        error = format_quantity(self.error, self.dimension, 2)
        return f"{format_quantity(self.value, self.dimension)} +- {error}"


@dataclass(frozen=True)
class Measured(Expectation):
    """A text with value, unit and perhaps an error, in one of some dimensions.

    Attributes
    ----------
    dimensions : tuple of str
        Keys of `sim.physics.units.DIMENSIONS`; the range is that of the first.
    low, high : float
        Range of the value in SI, both ends included.
    example : str
        A good value.
    share : float
        The error as a share of the value where the sheet gives none; 0 takes it as exact.
    """

    dimensions: tuple[str, ...]
    low: float
    high: float
    example: str
    share: float

    def _must(self) -> str:
        first = self.dimensions[0]
        low, high = (format_quantity(end, first) if end else "0" for end in (self.low, self.high))
        nouns = " or ".join(DIMENSIONS[name].noun for name in self.dimensions)
        return f'{nouns} from {low} to {high} such as "{self.example}"'

    def _shape(self) -> dict[str, Any]:
        return {"type": "string", "examples": [self.example]}

    def read(self, value: object) -> Value:
        """Give value and error in SI."""
        if isinstance(value, int | float) and "" in DIMENSIONS[self.dimensions[0]].units:
            value = repr(value)
        if not isinstance(value, str):
            raise Refused("which is not a text in quotes")
        for sign in SIGNS:
            value = value.replace(sign, SIGNS[0])
        written, has_error, error_text = value.partition(SIGNS[0])
        number, dimension = self._quantity(written)
        if dimension == self.dimensions[0] and not self.low <= number <= self.high:
            raise Refused
        if dimension == SPECIFIC and not LEAST_SPECIFIC <= number <= MOST_SPECIFIC:
            low, high = (format_quantity(end, SPECIFIC) for end in (LEAST_SPECIFIC, MOST_SPECIFIC))
            raise Refused(f"which is not from {low} to {high}")
        if not has_error:
            return Value(number, abs(number) * self.share, dimension, self.share > 0.0)
        error = self._error(error_text.strip(), abs(number), dimension)
        most = max(abs(number), self.high - self.low if dimension == self.dimensions[0] else 0.0)
        if not 0.0 < error <= most:
            largest = format_quantity(most, dimension)
            raise Refused(f"whose error is not above 0 and at most {largest}")
        return Value(number, error, dimension)

    def _quantity(self, text: str) -> tuple[float, str]:
        """Give a value in SI and the dimension of its unit."""
        reasons = []
        for dimension in self.dimensions:
            try:
                return parse(text.strip(), dimension), dimension
            except UnitError as error:
                reasons.append(error.reason)
        raise Refused(reasons[0])

    def _error(self, text: str, value: float, dimension: str) -> float:
        """Give an error in SI from a share of the value, or from a quantity of its own."""
        try:
            return value * parse(text, "number") if "%" in text else parse(text, dimension)
        except UnitError as error:
            raise Refused(f"whose error is {error.reason.removeprefix('which is ')}") from error
