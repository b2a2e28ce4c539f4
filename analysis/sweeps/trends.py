"""Trend figures of a sweep: headline numbers against a swept key, one curve for each other value.

Points are means over replicas with their standard errors. A filled symbol came to rest, an open one
was still changing when its runs ended, and the legend says so.
"""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.pictures import style
from analysis.pictures.record import FigureRecord
from analysis.quantities.light import OF_LIGHT
from analysis.quantities.response import GROWN_LENGTH, GROWTH_TIME
from analysis.sweeps.axes import (
    Series,
    TrendAxis,
    family,
    is_at_rest,
    note_state,
    place_of,
    trend_axis,
)
from analysis.sweeps.fluids import mean_words, whole_error
from analysis.sweeps.maps import MAPPED, can_map, trend_map
from analysis.sweeps.run import MEASURES
from analysis.uncertainty.number_text import Scale, as_float

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.quantities.quantity import Quantity
    from analysis.sweeps.gather import SweepTable

BY_COLUMN = {measure.column: measure for measure in (*MEASURES, *OF_LIGHT.values())}

LOOKS: tuple[tuple[str, str, tuple[float, ...]], ...] = (
    (style.FIRST, "o", (1.0, 0.0)),
    (style.SECOND, "s", (5.0, 1.5)),
    (style.THIRD, "^", (1.5, 1.2)),
    (style.QUIET, "D", (6.0, 1.5, 1.5, 1.5)),
    (style.INK, "v", (3.0, 1.0)),
    (style.MARK, "P", (8.0, 2.0)),
)
"""Colour, marker and dashes of the curves, in turn."""

SPACINGS = (
    "spacing_nearest_neighbour_m",
    "spacing_structure_factor_m",
    "spacing_axis_correlation_m",
)
WIDEST_LABEL = 27
"""Longer entries, in letters, make the legend a single column."""

LEGEND_LINE = 3.6 * style.MILLIMETRE

DODGE = 0.14
"""Curves stand apart by so much of the distance of two values, so that error bars do not hide."""


def draw_trends(table: SweepTable, directory: Path, format: str = "png") -> list[Path]:
    """Draw every trend figure of a sweep and write it to a folder.

    Parameters
    ----------
    table : SweepTable
        The sweep, which may be half finished; its figures are labelled so then.
    directory : Path
        Folder for the pictures; made if it is missing. A picture of the same name is replaced.
    format : str
        "png" (300 dots per inch), "svg" or "pdf".

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ValueError
        If the format is not one of these three.
    OSError
        If the folder cannot be written.
    """
    return style.save_all(trend_figures(table), directory, format)


def trend_figures(table: SweepTable) -> dict[str, FigureRecord[[]]]:
    """Give the figures of a sweep by name, in the order of a page; each is drawn when called."""
    figures = _trends(table)
    if can_map(table):
        figures += [_map(table, name, BY_COLUMN[column]) for name, column in MAPPED.items()]
    return {figure.name: figure for figure in figures}


def _map(table: SweepTable, name: str, measure: Quantity) -> FigureRecord[[]]:
    return FigureRecord(
        f"map_{name}",
        functools.partial(trend_map, table, measure),
        f"Map: {measure.label}",
        f"{mean_words(table.fluids)} at every point; a star marks those not yet at rest.",
    )


def _trends(table: SweepTable) -> list[FigureRecord[[]]]:
    """Return the figures over one key, with the words that stand beside them."""
    return [
        FigureRecord(
            "trend_mean_length",
            functools.partial(trend, table, "chains_mean_length"),
            "Length of the chains",
            f"{mean_words(table.fluids)}; single particles count as chains of "
            "one. Grey is the range predicted for a film at rest.",
        ),
        FigureRecord(
            "trend_spacing",
            functools.partial(trend_spacing, table),
            "Distance between the chains",
            "Three measures of different things: to the nearest chain, the repeat distance that"
            " light looking through the film would see, and the likeliest distance of a second "
            "chain. The dotted line is what the amount of particles alone gives for straight "
            "single chains.",
            wide=True,
        ),
        FigureRecord(
            "trend_alignment",
            functools.partial(trend, table, "alignment_order"),
            "Alignment of the chains with the field",
            "1 for chains along the field, 0 for chains in all directions.",
        ),
        FigureRecord(
            "trend_magnetisation",
            functools.partial(trend, table, "magnetisation_relative"),
            "Magnetisation",
            "Along the field, as a share of saturation. The dotted curve is the Langevin law "
            "for the sizes of these runs: particles that do not feel each other.",
        ),
        FigureRecord(
            "trend_growth_time",
            functools.partial(trend, table, GROWTH_TIME.column),
            "Speed of growth",
            f"Time from switching on until the mean length first reaches {GROWN_LENGTH:g}. A "
            "point is missing where it never did, and where the film was sampled at rest, which "
            "takes no time.",
        ),
    ]


def trend(table: SweepTable, column: str) -> Figure:
    """Draw one measure against the swept key, with its theory where there is one."""
    with style.publication():
        measure = BY_COLUMN[column]
        figure = style.new_figure(style.SINGLE_COLUMN, 74.0 * style.MILLIMETRE)
        axes = figure.add_subplot()
        axis = trend_axis(table)
        if axis is None or not _has_values(table, [column]):
            style.say_empty(axes, _why_empty(measure))
        else:
            curves = family(table, axis)
            _draw_family(axes, axis, curves, measure)
            if column == "chains_mean_length":
                _predicted_band(axes, axis, table.summary)
            if column == "magnetisation_relative":
                scale = measure_scale(measure, [row for curve in curves for row in curve.rows])
                _langevin_curves(axes, table, axis, curves, scale.factor)
            _finish(axes, axis, table, measure)
            _add_legend(figure, axes)
        note_state(figure, table)
        return figure


def _why_empty(measure: Quantity) -> str:
    if measure is GROWTH_TIME:
        return (
            f"No growth time: in no run that has times did the mean length pass {GROWN_LENGTH:g}."
        )
    return f"{measure.name}: not measured in any run that is done."


def _has_values(table: SweepTable, columns: list[str]) -> bool:
    return any(math.isfinite(as_float(row[c])) for row in table.summary for c in columns)


def _draw_family(
    axes: Axes, axis: TrendAxis, curves: list[Series], measure: Quantity, *, named: bool = True
) -> None:
    """Symbols with error bars joined by thin lines, one look for each curve."""
    scale = measure_scale(measure, [row for curve in curves for row in curve.rows])
    for number, curve in enumerate(curves):
        colour, marker, dashes = LOOKS[number % len(LOOKS)]
        share = DODGE * (number - 0.5 * (len(curves) - 1)) / max(1.0, 0.5 * (len(curves) - 1))
        rows = curve.rows
        x = [place_of(row, axis, share) for row in rows]
        # what was not measured is not a number, and leaves a gap in the line
        y = np.array([as_float(row[measure.column]) for row in rows]) * scale.factor
        error = np.array([whole_error(row, measure.column) for row in rows]) * scale.factor
        axes.plot(x, y, color=colour, linewidth=0.8, dashes=dashes, alpha=0.7)
        for k, row in enumerate(rows):
            if not math.isfinite(y[k]):
                continue
            bar = error[k] if math.isfinite(error[k]) else 0.0
            axes.errorbar(
                [x[k]],
                [y[k]],
                yerr=[bar],
                fmt=marker,
                color=colour,
                markerfacecolor=colour if is_at_rest(row) else "white",
                markersize=4.2,
                elinewidth=0.9,
                capsize=2.0,
                zorder=3,
            )
        if named and curve.label and np.isfinite(y).any():
            axes.plot([], [], marker, color=colour, dashes=dashes, label=curve.label)


def measure_scale(measure: Quantity, rows: list[dict[str, Any]]) -> Scale:
    """Prefix and unit in which a measure is shown over these rows."""
    return measure.scale(as_float(row[measure.column]) for row in rows)


def _finish(axes: Axes, axis: TrendAxis, table: SweepTable, measure: Quantity) -> None:
    """Label axes, begin at zero where the measure does, and add the legend."""
    axis.dress(axes)
    axes.set_ylabel(measure_scale(measure, table.summary).label(_ordinate(measure)))
    low, high = axes.get_ylim()
    if measure.column == "chains_mean_length":
        axes.set_ylim(min(1.0, low), high)
    elif low > 0.0:
        axes.set_ylim(0.0, high)
    _explain_symbols(axes, [row for row in table.summary if row["replicas_done"]])


def _add_legend(figure: Figure, axes: Axes) -> None:
    """Legend over the axes; the figure becomes as much higher as the legend needs."""
    words = axes.get_legend_handles_labels()[1]
    columns = 2 if max(map(len, words)) <= WIDEST_LABEL else 1
    width, height = figure.get_size_inches()
    lines = -(-len(words) // columns)
    figure.set_size_inches(width, height + max(0, lines - 2) * LEGEND_LINE)
    style.legend_above(axes, columns=columns)


def _ordinate(measure: Quantity) -> str:
    if measure is GROWTH_TIME:
        return f"Time to a mean length of {GROWN_LENGTH:g}"
    return f"{measure.name} (particles)" if measure.column.endswith("mean_length") else measure.name


def _explain_symbols(axes: Axes, rows: list[dict[str, Any]]) -> None:
    """Say in the legend what open symbols mean, where there are any."""
    if any(not is_at_rest(row) for row in rows):
        axes.plot(
            [], [], "o", color=style.QUIET, markerfacecolor="white", label="open: not yet at rest"
        )
    if any(is_at_rest(row) for row in rows):
        axes.plot([], [], "o", color=style.QUIET, label="filled: came to rest")


def _predicted_band(axes: Axes, axis: TrendAxis, rows: list[dict[str, Any]]) -> None:
    """Mean length predicted for equilibrium: a line inside the band of what the theory allows."""
    names = ("predicted_mean_length_low", "predicted_mean_length", "predicted_mean_length_high")
    by_place: dict[float, list[list[float]]] = {}
    for row in rows:
        numbers = [as_float(row[name]) for name in names]
        if all(map(math.isfinite, numbers)):
            by_place.setdefault(place_of(row, axis), []).append(numbers)
    if len(by_place) < 2:
        return
    places = sorted(by_place)
    low = [min(n[0] for n in by_place[p]) for p in places]
    middle = [float(np.mean([n[1] for n in by_place[p]])) for p in places]
    high = [max(n[2] for n in by_place[p]) for p in places]
    axes.fill_between(
        places, low, high, color="#ececec", linewidth=0, zorder=0, label="predicted at rest"
    )
    axes.plot(places, middle, color=style.QUIET, linewidth=0.9, zorder=0.5)


def _langevin_curves(
    axes: Axes, table: SweepTable, axis: TrendAxis, curves: list[Series], factor: float
) -> None:
    """Magnetisation of particles of the run's sizes that do not feel each other.

    ``factor``: by which shares are drawn larger, 100 for per cent.
    """
    smooth = _smooth_langevin(table, axis)
    if smooth is not None:
        x, y = smooth
        axes.plot(
            x, factor * y, color=style.INK, linewidth=0.9, dashes=(1.0, 1.0), label="Langevin law"
        )
        return
    drawn = False
    for curve in curves:
        rows = [r for r in curve.rows if math.isfinite(as_float(r["magnetisation_langevin"]))]
        x = [place_of(row, axis) for row in rows]
        y = [factor * as_float(row["magnetisation_langevin"]) for row in rows]
        words = {} if drawn or not rows else {"label": "Langevin law"}
        axes.plot(x, y, color=style.INK, linewidth=0.9, dashes=(1.0, 1.0), **words)  # type: ignore[arg-type]
        drawn = drawn or bool(rows)


def _smooth_langevin(table: SweepTable, axis: TrendAxis) -> tuple[Any, Any] | None:
    """Langevin law over a range of fields, where all runs share their sizes and temperature."""
    shared = not any(key.startswith(("particles.", "carrier.temperature")) for key in table.keys)
    if axis.key.key != "field.strength" or not shared or table.example is None:
        return None
    from analysis.chains.theory import langevin_of_sizes
    from analysis.trajectory.run import TrajectoryError, open_run

    try:
        run = open_run(table.example)
        sizes = np.linalg.norm(run.moments(-1), axis=1)
    except (OSError, TrajectoryError, ValueError):
        return None
    kelvin = as_float(run.derived.get("temperature_k"))
    largest = max(axis.values)
    if not (kelvin > 0 and largest > 0):
        return None
    least = min(axis.values)
    fields = (
        np.geomspace(0.7 * least, 1.4 * largest, 60)
        if axis.logarithmic
        else np.linspace(least, largest, 60)
    )
    law = np.array([langevin_of_sizes(sizes, float(field), kelvin) for field in fields])
    return fields * axis.key.scale(axis.values).factor, law


def trend_spacing(table: SweepTable) -> Figure:
    """Draw the three measured spacings side by side, each beside that of the line density."""
    with style.publication():
        height = 76.0 * style.MILLIMETRE
        figure = style.new_figure(style.DOUBLE_COLUMN, height)
        axis = trend_axis(table)
        if axis is None or not _has_values(table, list(SPACINGS)):
            style.say_empty(
                figure.add_subplot(), "No spacing was measured in any run that is done."
            )
            note_state(figure, table)
            return figure
        panels = figure.subplots(1, 3)
        curves = family(table, axis)
        scale = Scale(1e9, "nm")
        filled: list[Axes] = []  # they share their scale; a shared axis would lose its ticks
        for axes, column in zip(panels, SPACINGS, strict=True):
            measure = BY_COLUMN[column]
            axes.set_title(measure.name, loc="left", fontsize=style.SMALL_POINTS)
            if not _has_values(table, [column]):
                style.say_empty(axes, _why_empty(measure))
                continue
            _line_density(axes, axis, table.summary, scale)
            _draw_family(axes, axis, curves, measure, named=not filled)
            axis.dress(axes)
            axes.tick_params(labelleft=not filled)
            filled.append(axes)
        for axes in filled:
            axes.set_ylim(0.0, max(other.get_ylim()[1] for other in filled))
        filled[0].set_ylabel(f"Distance between chains ({scale.unit})")
        _explain_symbols(filled[0], [row for row in table.summary if row["replicas_done"]])
        handles, words = filled[0].get_legend_handles_labels()
        columns = 4 if max(map(len, words), default=0) <= WIDEST_LABEL else 2
        figure.set_size_inches(
            style.DOUBLE_COLUMN, height + max(0, -(-len(words) // columns) - 2) * LEGEND_LINE
        )
        figure.legend(handles, words, loc="outside lower center", ncols=columns, columnspacing=1.4)
        note_state(figure, table)
        return figure


def _line_density(axes: Axes, axis: TrendAxis, rows: list[dict[str, Any]], scale: Scale) -> None:
    """Draw where straight single chains that hold all particles would stand."""
    column = "spacing_line_density_m"
    by_place: dict[float, list[float]] = {}
    for row in rows:
        if math.isfinite(as_float(row[column])):
            by_place.setdefault(place_of(row, axis), []).append(as_float(row[column]))
    places = sorted(by_place)
    if places:
        axes.plot(
            places,
            [scale.factor * float(np.mean(by_place[p])) for p in places],
            color=style.INK,
            linewidth=0.9,
            dashes=(1.0, 1.0),
            label="from line density",
        )
