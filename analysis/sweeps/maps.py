"""Maps of a sweep over two keys: every point a cell with its value and error printed in it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.pictures import style
from analysis.sweeps.axes import is_at_rest, other_keys, trend_axis, values_of
from analysis.sweeps.fluids import whole_error
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, with_error

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.quantities.quantity import Quantity
    from analysis.sweeps.axes import TrendAxis
    from analysis.sweeps.gather import SweepTable
    from analysis.sweeps.keys import SweptKey

MAPPED = {
    "mean_length": "chains_mean_length",
    "spacing_nearest_neighbour": "spacing_nearest_neighbour_m",
    "spacing_light": "spacing_structure_factor_m",
    "alignment": "alignment_order",
    "magnetisation": "magnetisation_relative",
    "growth_time": "growth_time_s",
}
"""Measures that have a map: name of the figure and column of the tables."""

MOST_CELLS = 8
"""A map has at most so many columns and rows; more numbers could not be read."""


def can_map(table: SweepTable) -> bool:
    """Whether a sweep varies exactly two keys, and no more values of each than a map shows."""
    axis = trend_axis(table)
    if axis is None:
        return False
    others = other_keys(table, axis)
    return (
        len(others) == 1
        and 1 < len(axis.values) <= MOST_CELLS
        and len(values_of(table, others[0])) <= MOST_CELLS
    )


def trend_map(table: SweepTable, measure: Quantity) -> Figure:
    """Draw one measure over both swept keys, with value and error in each cell."""
    from analysis.sweeps.axes import note_state

    axis = trend_axis(table)
    if axis is None or not can_map(table):
        raise ValueError("table must vary exactly two keys to be drawn as a map.")
    key = other_keys(table, axis)[0]
    heights = values_of(table, key)
    with style.publication():
        width = max(style.SINGLE_COLUMN, (30.0 + 21.0 * len(axis.values)) * style.MILLIMETRE)
        figure = style.new_figure(width, (30.0 + 12.0 * len(heights)) * style.MILLIMETRE)
        axes = figure.add_subplot()
        cells = _cells(table, axis, key, heights)
        values = np.full((len(heights), len(axis.values)), np.nan)
        for (row, column), point in cells.items():
            values[row, column] = as_float(point[measure.column])
        if not np.isfinite(values).any():
            style.say_empty(axes, f"{measure.name}: not measured in any run that is done.")
        else:
            _draw_cells(figure, axes, values, measure)
            _write_numbers(axes, cells, values, measure)
            _dress(axes, axis, key, heights)
        note_state(figure, table)
        return figure


def _cells(
    table: SweepTable, axis: TrendAxis, key: SweptKey, heights: list[Any]
) -> dict[tuple[int, int], dict[str, Any]]:
    """Rows of the summary by row and column of the map."""
    out = {}
    for point in table.summary:
        across, up = point[axis.key.column], point[key.column]
        column = axis.values.index(across if across in axis.values else str(across))
        row = heights.index(up if up in heights else str(up))
        out[row, column] = point
    return out


def _draw_cells(
    figure: Figure, axes: Axes, values: np.ndarray[Any, Any], measure: Quantity
) -> None:
    """Coloured cells with a bar; empty ones stay white."""
    scale = measure.scale(values.ravel())
    image = axes.imshow(
        np.ma.masked_invalid(values * scale.factor),
        origin="lower",
        aspect="auto",
        cmap=style.COLOUR_MAP,
        interpolation="nearest",
    )
    bar = figure.colorbar(image, ax=axes, pad=0.02)
    bar.set_label(scale.label(measure.name), fontsize=style.SMALL_POINTS)
    bar.ax.tick_params(direction="out")


def _write_numbers(
    axes: Axes,
    cells: dict[tuple[int, int], dict[str, Any]],
    values: np.ndarray[Any, Any],
    measure: Quantity,
) -> None:
    """Value and error in each cell, dark on light and light on dark."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    for row in range(values.shape[0]):
        for column in range(values.shape[1]):
            point = cells.get((row, column))
            if point is None:
                words, colour = "no point", style.QUIET
            elif not math.isfinite(values[row, column]):
                words = NOT_MEASURED if point["replicas_done"] else "not done"
                colour = style.QUIET
            else:
                error = whole_error(point, measure.column)
                words = with_error(float(values[row, column]), error, measure.unit)
                words = words.replace(" (error unknown)", "\nerror unknown")
                words = words.replace(" ±", "\n±")
                words += "" if is_at_rest(point) else " *"
                level = (values[row, column] - low) / (high - low) if high > low else 0.0
                colour = "white" if level < 0.55 else style.INK
            axes.text(column, row, words, ha="center", va="center", color=colour, fontsize=6.5)
    if any(point["replicas_done"] and not is_at_rest(point) for point in cells.values()):
        axes.set_title("* not yet at rest", loc="left", fontsize=6.5, color=style.QUIET)


def _dress(axes: Axes, axis: TrendAxis, key: SweptKey, heights: list[Any]) -> None:
    """Values of the two keys at the cells, units in the labels."""
    scale = key.scale(heights)
    axes.set_xticks(range(len(axis.values)), axis.tick_words())
    axes.set_yticks(
        range(len(heights)),
        [
            f"{v * scale.factor:.4g}" if isinstance(v, int | float) else style.as_written(str(v))
            for v in heights
        ],
    )
    axes.tick_params(length=0)
    axes.set_xlabel(axis.key.words if axis.in_words else axis.key.label(axis.values))
    numeric = all(isinstance(v, int | float) for v in heights)
    axes.set_ylabel(key.label(heights) if numeric else key.words)
