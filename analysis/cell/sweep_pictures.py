"""Figures of a sweep laid over the map of a cell: measured numbers, and their errors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.cell.axes import four_maps, hatch, mesh_edges
from analysis.common.arrays import Floats
from analysis.pictures import record, style
from analysis.sweeps.grid import MEASURED
from analysis.uncertainty.number_text import Scale, scale_for

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.cell.axes import Outline


def draw_sweep_map(
    x: Floats,
    y: Floats,
    columns: Mapping[str, NDArray[Any]],
    outlines: list[Outline],
    directory: Path,
    *,
    note: str = "",
) -> list[Path]:
    """Draw values and errors as PNG into a folder; arguments as for `measured_map`."""
    figures = {
        "sweep_map": lambda: measured_map(x, y, columns, outlines, note=note),
        "sweep_errors_map": lambda: measured_map(x, y, columns, outlines, "_error", note=note),
    }
    return style.save_all(figures, directory, "png")


@record.figure()
def measured_map(
    x: Floats,
    y: Floats,
    columns: Mapping[str, NDArray[Any]],
    outlines: list[Outline],
    which: str = "",
    *,
    note: str = "",
) -> Figure:
    """Draw what a sweep measured over the cell, hatched where the sweep has nothing to say.

    Parameters
    ----------
    x, y : ndarray (columns,), (rows,)
        Places in m.
    columns : mapping of ndarray
        What `analysis.cell.sweep.sweep_columns` returns, on the grid.
    outlines : list of dict
        The magnets, see `analysis.cell.axes.Outline`.
    which : str
        "" for the values, "_error" for their errors.
    note : str
        Stands at the head.

    Returns
    -------
    Figure
        Four maps to scale.
    """
    outside = columns["sweep_outside"] > 0
    bare = "hatched: outside the sweep" if outside.any() else ""
    head = "; ".join(words for words in (note, bare) if words)
    with four_maps(x, y, outlines, head) as (figure, panels, scale):
        for axes, (column, words) in zip(panels.ravel(), MEASURED.items(), strict=True):
            values = np.asarray(columns[f"sweep_{column}{which}"], dtype=np.float64)
            unit = _unit(values, column)
            _panel(figure, axes, x, y, unit.factor * values, scale.factor, bool(which))
            hatch(axes, scale.factor * x, scale.factor * y, outside, style.QUIET)
            name = f"Error of {words[0].lower()}{words[1:]}" if which else words
            error = "" if which else _errors(columns[f"sweep_{column}_error"] * unit.factor)
            axes.set_title(f"{unit.label(name)}{error}", loc="left", fontsize=style.SMALL_POINTS)
    return figure


def _errors(error: Floats) -> str:
    """Say how large the errors over the map are, from the 5th to the 95th of 100 places."""
    known = error[np.isfinite(error)]
    if not known.size:
        return ""
    low, high = (f"{end:.2g}" for end in np.quantile(known, (0.05, 0.95)))
    return f", ± {low}" if low == high else f", ± {low} to {high}"


def _unit(values: Floats, column: str) -> Scale:
    """Prefix that suits the known values; lengths in diameters have none."""
    if not column.endswith("_m") or not np.isfinite(values).any():
        return Scale(1.0, "")
    return scale_for(float(np.nanmax(values)), "m")


def _panel(
    figure: Figure,
    axes: Axes,
    x: Floats,
    y: Floats,
    values: Floats,
    factor: float,
    is_error: bool = False,
) -> None:
    """Draw one number; without any the panel says so."""
    axes.set_facecolor(style.SINGLE_PARTICLE)
    axes.set_aspect("equal")
    axes.tick_params(direction="out", top=False, right=False)
    if not np.isfinite(values).any():
        words = "not known" if is_error else "not measured"
        axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", va="center",
                  color=style.QUIET, zorder=5,
                  bbox={"facecolor": "white", "edgecolor": "none"})  # fmt: skip
        return
    image = axes.imshow(
        np.ma.masked_invalid(values), origin="lower", extent=mesh_edges(x, y, factor),
        cmap=style.COLOUR_MAP, aspect="equal", interpolation="nearest",
    )  # fmt: skip
    bar = figure.colorbar(image, ax=axes, pad=0.02, aspect=22)
    bar.ax.tick_params(direction="out")
