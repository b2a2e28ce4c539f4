"""A number of measures.json as screen, page, tables, sweep and hand-off know it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from analysis.uncertainty.number_text import (
    Scale,
    as_float,
    scale_for,
    value_and_error,
    with_error,
    with_unit,
)

__all__ = ["Comparison", "Quantity"]

Page = Literal["main", "further", "shape", "simulated", ""]
"""Table of the page: main (always), further (its last rows) and shape (where known), or none."""

_ENDS = {"": (-math.inf, math.inf), "°": (-math.inf, math.inf), "%": (0.0, 1.0)}
_NAMED = {"": "1", "%": "1", "°": "deg"}


@dataclass(frozen=True)
class Comparison:
    """Another number of the same section, told in a sentence behind the meaning.

    Attributes
    ----------
    key, unit : str
        Where it stands in the section, and its unit.
    sentence : str
        Names the number as {number}.
    """

    key: str
    unit: str
    sentence: str


@dataclass(frozen=True)
class Quantity:
    """A number: where it stands, what it is called, what it can be, and where it is shown.

    Attributes
    ----------
    path : str
        Section and key in measures.json, such as "chains.bundles.width_m".
    unit : str
        SI unit without prefix; "%" is a share shown in per cent, "" a plain number.
    name : str
        What it is called wherever it is shown.
    meaning : str
        What it is, in words for the page and the README of the measures.
    exact : str
        Definition for another program, where the meaning does not say enough.
    ends : (float, float)
        Least and largest value that it can have; by default those of its unit.
    computed : bool
        Whether it follows from other numbers and has no error.
    comparison : Comparison, optional
        What it is to be compared with.
    page : str
        The table of the page that has it, see ``Page``.
    screen, sweep, spacing_table, handoff : int
        Its place among the numbers that a run prints, the columns of a sweep, the rows of
        spacing.csv and the structure of handoff.json; 0 where it is not there. A new one takes the
        next place: files keep their order.
    point : bool
        Whether the page of a sweep tells it for every point.
    """

    path: str
    unit: str
    name: str
    meaning: str
    exact: str = ""
    ends: tuple[float, float] = (math.nan, math.nan)
    computed: bool = False
    comparison: Comparison | None = None
    page: Page = "main"
    screen: int = 0
    sweep: int = 0
    spacing_table: int = 0
    handoff: int = 0
    point: bool = False

    def __post_init__(self) -> None:
        if math.isnan(self.ends[0]):
            object.__setattr__(self, "ends", _ENDS.get(self.unit, (0.0, math.inf)))

    @property
    def section(self) -> str:
        """Section of measures.json."""
        return self.path.partition(".")[0]

    @property
    def key(self) -> str:
        """Last part of the path."""
        return self.path.rpartition(".")[2]

    @property
    def column(self) -> str:
        """Name of its column in the tables of a sweep."""
        return self.path.replace(".", "_")

    @property
    def row(self) -> str:
        """Name of its row in a table of its section."""
        return self.path.partition(".")[2].replace(".", "_")

    @property
    def si_unit(self) -> str:
        """Unit as files name it: "1" for plain numbers and shares."""
        return _NAMED.get(self.unit, self.unit)

    @property
    def definition(self) -> str:
        """What it is, for another program."""
        return self.exact or self.meaning.removesuffix(".")

    @property
    def label(self) -> str:
        """Name inside a line of the screen."""
        return self.name[:1].lower() + self.name[1:]

    def entry(self, numbers: dict[str, Any]) -> Any:
        """Return what stands at its path, None where there is nothing."""
        block: Any = numbers
        for key in self.path.split("."):
            block = block.get(key) if isinstance(block, dict) else None
        return block

    def told(self, entry: Any) -> str:
        """Return an entry of measures.json for a reader: value and error, or "not measured".

        One with an ``interval_68`` of its own, lopsided, is told with that instead of the error.
        """
        value, error = value_and_error(entry)
        if self.computed:
            return with_unit(value, self.unit)
        ends = entry.get("interval_68") if isinstance(entry, dict) else None
        if ends is not None:
            value_text, low, high = (with_unit(as_float(x), self.unit, 2) for x in (value, *ends))
            return f"{value_text} ({low} to {high})"
        return with_error(value, error, self.unit)

    def text(self, numbers: dict[str, Any]) -> str:
        """Return what stands at its path for a reader."""
        return self.told(self.entry(numbers))

    def scale(self, values: Iterable[float]) -> Scale:
        """Return factor and unit in which values are drawn; NaN counts for nothing."""
        if self.unit == "%":
            return Scale(100.0, "%")
        if not self.unit:
            return Scale(1.0, "")
        largest = max((abs(value) for value in values if math.isfinite(value)), default=0.0)
        return scale_for(largest, self.unit)

    def explained(self, numbers: dict[str, Any]) -> str:
        """Return the meaning, with the number to compare it with where there is one."""
        beside = self.comparison
        block = numbers.get(self.section)
        if beside is None or not isinstance(block, dict):
            return self.meaning
        number = as_float(block.get(beside.key))
        if math.isnan(number):
            return self.meaning
        sentence = beside.sentence.format(number=with_unit(number, beside.unit))
        return f"{self.meaning} {sentence}"
