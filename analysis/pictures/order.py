"""Figures of order: widths of the clear slits, and the cells of the columns."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.pictures import record, style
from analysis.pictures.curves import finite_rows, known_errors
from analysis.spacing.columns import ColumnPlane, Plane, cells_of
from analysis.spacing.slits import SlitWidths
from analysis.uncertainty.number_text import as_float, scale_for, with_error, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

_FEWER, _SIX, _MORE = "#e3b27f", "#eef1f5", "#8fb0d6"


@record.figure(
    "How wide the clear slits are",
    "Widths of the clear stretches on lines across the chains, looked through the film. The broken "
    "line is the law for as many particles strewn at random. The band is one standard error.",
)
def slit_widths(measurement: Measurement, run: Run) -> Figure:
    """Density of the widths of clear slits across the chains, with that of discs at random."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.add_subplot()
        curve = SlitWidths.among(measurement.curves)
        width, density, error, random = finite_rows(
            curve.width_m, curve.density_per_m, curve.error, curve.random_per_m
        )
        if width.size < 2:
            style.say_empty(axes, "No slit widths: no line across the film met two particles.")
        else:
            scale = scale_for(float(width.max()), "m")
            x, per = width * scale.factor, 1 / scale.factor
            spread = known_errors(error) * per
            axes.step(x, density * per, where="mid", color=style.FIRST, label="simulated")
            axes.fill_between(
                x, density * per - spread, density * per + spread, step="mid", color="#c4d5ea",
                linewidth=0,
            )  # fmt: skip
            axes.plot(
                x, random * per, color=style.SECOND, dashes=(5, 2), label="particles at random"
            )
            _mark_mean(axes, measurement, scale.factor)
            axes.set_xlim(0.0, float(x.max() + x[0]))
            axes.set_ylim(0.0, 1.15 * float((density * per + spread).max()))
            axes.set_xlabel(scale.label("Width of a clear slit"))
            axes.set_ylabel(f"Density ({scale.unit}⁻¹)")
            style.legend_above(axes, first="simulated")
        style.note_provisional(figure, run)
        return figure


def _mark_mean(axes: Axes, measurement: Measurement, factor: float) -> None:
    """Line at the mean slit, for the legend."""
    block = measurement.numbers.get("spacing")
    slits = block.get("slits") if isinstance(block, dict) else None
    entry = slits.get("mean_m") if isinstance(slits, dict) else None
    if not isinstance(entry, dict) or not math.isfinite(as_float(entry.get("value"))):
        return
    value, error = as_float(entry["value"]), as_float(entry.get("error"))
    words = f"mean {with_error(value, error, 'm')}"
    axes.axvline(value * factor, color=style.MARK, linewidth=1.0, label=words, zorder=1.5)


def has_columns(measurement: Measurement) -> bool:
    """Whether a run has a plane across its chains with columns in it."""
    return len(ColumnPlane.among(measurement.curves).points_m) >= 3


def lies(measurement: Measurement) -> bool:
    """Whether the chains lie in the film, and so are no columns."""
    return ColumnPlane.among(measurement.curves).height_m is not None


def columns(measurement: Measurement, run: Run) -> Figure:
    """Cells of the columns of the last frame, coloured by their neighbours."""
    with style.publication():
        figure = style.new_figure(style.SINGLE_COLUMN, 84.0 * style.MILLIMETRE)
        axes = figure.add_subplot()
        if not has_columns(measurement):
            style.say_empty(axes, "No columns: no plane across the chains holds enough of them.")
        else:
            _draw_cells(axes, ColumnPlane.among(measurement.curves))
            style.legend_above(axes, columns=3)
        style.note_provisional(figure, run)
        return figure


def _cells(word: str, lying: bool) -> record.FigureRecord[[Measurement, Run]]:
    """Return the figure of the cells with the word for what stands in them."""

    def wanted(measurement: Measurement) -> bool:
        return has_columns(measurement) and lies(measurement) == lying

    return record.figure(
        f"The {word}s seen along themselves",
        f"Every point is a {word} in the plane across the {word}s, with the cell of what lies "
        "nearest to it. In perfect hexagonal order every cell has six neighbours; cells with fewer "
        "or more are defects. The film repeats beyond the dashed borders.",
        wanted=wanted,
    )(columns)


STANDING, LYING = _cells("column", lying=False), _cells("chain", lying=True)
"""Chains that stand in the film are columns; those that lie in it are called what they are."""


def _draw_cells(axes: Axes, curve: ColumnPlane) -> None:
    """Cells, points and borders of one plane, to scale."""
    from matplotlib.collections import PolyCollection

    plane = Plane(curve.points_m, curve.periods_m, curve.height_m)
    cells = cells_of(plane)
    neighbours = np.bincount(cells.first, minlength=len(plane.points))
    borders = _borders(plane.periods, plane.height)
    reach = float(np.ptp(borders, axis=0).max())
    scale = scale_for(reach, "m")
    inner = ~cells.bounded
    for fits, colour, words in (
        (inner & (neighbours < 6), _FEWER, "5 neighbours or fewer"),
        (inner & (neighbours == 6), _SIX, "6"),
        (inner & (neighbours > 6), _MORE, "7 or more"),
        (~inner, "#ffffff", "at a window"),
    ):
        if not fits.any():
            continue
        shapes = [cells.polygons[k] * scale.factor for k in np.flatnonzero(fits)]
        axes.add_collection(
            PolyCollection(shapes, facecolors=colour, edgecolors=style.QUIET, linewidths=0.5,
                           label=words)
        )  # fmt: skip
    size = min(9.0, 900.0 / len(plane.points))
    x, y = (plane.points * scale.factor).T
    axes.scatter(x, y, s=size, color=style.FIRST, linewidth=0, zorder=3)
    x, y = (borders * scale.factor).T
    axes.plot(x, y, color=style.INK, linewidth=0.8, dashes=(4, 3))
    axes.set_aspect("equal")
    axes.margins(0.03)
    axes.autoscale_view()
    axes.tick_params(direction="out", top=False, right=False)
    lying = plane.height is not None  # chains in the film, seen along themselves
    axes.set_xlabel(scale.label("in the film, across the chains" if lying else "x"))
    axes.set_ylabel(scale.label("z" if lying else "y"))
    axes.locator_params(nbins=5)


def _borders(periods: Any, height: float | None) -> Any:
    """Return the outline of the plane, a closed line of corners, (5, 2)."""
    first = np.asarray(periods[0])
    second = np.asarray(periods[1]) if height is None else np.array([0.0, height])
    zero = np.zeros(2)
    return np.array([zero, first, first + second, second, zero])


def line_words(measurement: Measurement) -> str:
    """Say how wide the peak of the structure factor is, for the legend of its figure."""
    block = measurement.numbers.get("spacing")
    line = block.get("structure_factor_line") if isinstance(block, dict) else None
    entry = line.get("width_per_m") if isinstance(line, dict) else None
    width = as_float(entry.get("value")) if isinstance(entry, dict) else math.nan
    return f"line shape, width {with_unit(width, '1/m')}" if math.isfinite(width) else "line shape"
