"""Which swept key becomes an axis, which a family of curves, and how such an axis is drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.pictures import style
from analysis.pictures.style import as_written
from analysis.uncertainty.number_text import as_float

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.sweeps.gather import SweepTable
    from analysis.sweeps.keys import SweptKey

FIRST_ON_AXIS = ("field.strength", "field.ramp_rate")
"""Keys that belong on the horizontal axis, whatever else is swept."""

LOGARITHMIC_FROM = 6.0
"""An axis is logarithmic where its largest value is this many times its smallest."""

MOST_TICKS = 8
"""Up to so many values each have a tick of their own."""


@dataclass(frozen=True)
class Series:
    """One curve of a trend: the points that share all swept keys but that of the axis.

    Attributes
    ----------
    label : str
        What they share, such as "thickness 300 nm"; "" for the only curve.
    rows : list of dict
        Rows of the summary, in the order of the axis.
    """

    label: str
    rows: list[dict[str, Any]]


@dataclass(frozen=True)
class TrendAxis:
    """The horizontal axis of a trend.

    Attributes
    ----------
    key : SweptKey
        What varies along it.
    values : list
        Its values in SI, or words, in order and without repetition.
    """

    key: SweptKey
    values: list[Any]

    @property
    def in_words(self) -> bool:
        """Whether any value is a word, so that values stand side by side."""
        return not all(isinstance(v, int | float) for v in self.values)

    @property
    def logarithmic(self) -> bool:
        """Whether the axis is logarithmic."""
        if self.in_words or len(self.values) < 2 or not min(self.values) > 0:
            return False
        return bool(max(self.values) >= LOGARITHMIC_FROM * min(self.values))

    def place(self, value: Any) -> float:
        """Where a value stands on the axis."""
        if self.in_words:
            return float(self.values.index(value))
        return float(value) * self.key.scale(self.values).factor

    def beside(self, value: Any, share: float) -> float:
        """Place a little off a value, by a share of the distance of two, to keep bars apart."""
        here = self.place(value)
        places = [self.place(v) for v in self.values]
        if len(places) < 2:
            return here
        if self.logarithmic:
            ratio = (max(places) / min(places)) ** (1.0 / (len(places) - 1))
            return float(here * ratio**share)
        return here + share * (max(places) - min(places)) / (len(places) - 1)

    def dress(self, axes: Axes) -> None:
        """Set scale, ticks and label of an axes' horizontal axis."""
        from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

        if self.logarithmic:
            axes.set_xscale("log")
        axes.set_xlabel(self.key.words if self.in_words else self.key.label(self.values))
        if self.in_words or len(self.values) <= MOST_TICKS:
            places = [self.place(v) for v in self.values]
            axes.xaxis.set_major_locator(FixedLocator(places))
            axes.xaxis.set_minor_locator(NullLocator())
            axes.xaxis.set_major_formatter(FixedFormatter(self.tick_words()))
        low, high = self.beside(self.values[0], -0.5), self.beside(self.values[-1], 0.5)
        if high > low:
            axes.set_xlim(low, high)

    def tick_words(self) -> list[str]:
        """Values as text, without the unit that the label has."""
        return [
            as_written(str(v)) if self.in_words else f"{self.place(v):.4g}" for v in self.values
        ]


def values_of(table: SweepTable, key: SweptKey) -> list[Any]:
    """Values that a swept key takes: numbers rising, words in the order of the file."""
    found = list(dict.fromkeys(row[key.column] for row in table.summary))
    if all(isinstance(v, int | float) for v in found):
        return sorted(found)
    return [str(v) for v in found]


def trend_axis(table: SweepTable) -> TrendAxis | None:
    """Choose the swept key of the horizontal axis: the field, else that with the most values."""
    keys = [(key, values_of(table, key)) for key in table.axes.values()]
    keys = [(key, values) for key, values in keys if values]
    if not keys:
        return None
    for key, values in keys:
        if key.key in FIRST_ON_AXIS and len(values) > 1:
            return TrendAxis(key, values)
    numeric = [pair for pair in keys if all(isinstance(v, int | float) for v in pair[1])]
    return TrendAxis(*max(numeric or keys, key=lambda pair: len(pair[1])))


def other_keys(table: SweepTable, axis: TrendAxis) -> list[SweptKey]:
    """Swept keys beside that of the axis which take more than one value."""
    return [
        key
        for key in table.axes.values()
        if key.key != axis.key.key and len(values_of(table, key)) > 1
    ]


def family(table: SweepTable, axis: TrendAxis) -> list[Series]:
    """Sort the points into curves, one for each combination of the other swept keys."""
    others = other_keys(table, axis)
    ranges = {key.key: values_of(table, key) for key in others}
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in table.summary:
        groups.setdefault(tuple(row[key.column] for key in others), []).append(row)

    def order(group: tuple[Any, ...]) -> tuple[float, ...]:
        return tuple(
            float(ranges[key.key].index(value if value in ranges[key.key] else str(value)))
            for key, value in zip(others, group, strict=True)
        )

    out = []
    for group in sorted(groups, key=order):
        label = ", ".join(
            f"{key.short} {key.shown(value, ranges[key.key])}"
            for key, value in zip(others, group, strict=True)
        )
        label = as_written(label)
        rows = sorted(groups[group], key=lambda row: axis.place(_known(row, axis)))
        out.append(Series(label, rows))
    return out


def _known(row: dict[str, Any], axis: TrendAxis) -> Any:
    """Value of a row on the axis, as the axis lists it."""
    value = row[axis.key.column]
    return str(value) if axis.in_words else value


def place_of(row: dict[str, Any], axis: TrendAxis, share: float = 0.0) -> float:
    """Where a row of the summary stands on the axis."""
    return axis.beside(_known(row, axis), share)


def is_at_rest(row: dict[str, Any]) -> bool:
    """Whether all runs of a point came to rest."""
    share = as_float(row.get("equilibrated_share"))
    return math.isfinite(share) and share >= 1.0


def note_state(figure: Figure, table: SweepTable) -> None:
    """Mark a figure of a half-finished sweep, of failed runs, or of provisional forces."""
    words = [text for text in (table.label, table.provisional) if text]
    if words:
        figure.suptitle(
            "\n".join(words), x=0.995, ha="right", fontsize=6.0, color=style.QUIET, style="italic"
        )
