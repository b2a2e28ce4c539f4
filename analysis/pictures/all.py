"""Draws the figures of a run. One function makes one figure; `draw_all` writes them to a folder."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from analysis.pictures import style
from analysis.pictures.decay import decay, has_decay
from analysis.pictures.film import film_side, film_top, film_views
from analysis.pictures.hysteresis import has_both_ways, hysteresis
from analysis.pictures.lag import has_lag, lag
from analysis.pictures.light import light_figures
from analysis.pictures.order import columns, has_columns, slit_widths
from analysis.pictures.structure import (
    axis_correlation,
    chain_lengths,
    magnetisation_law,
    nearest_neighbour,
    structure_factor_map,
    structure_factor_radial,
)
from analysis.pictures.susceptibility import has_spectrum, susceptibility
from analysis.pictures.time import growth, time_series

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matplotlib.figure import Figure

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

__all__ = [
    "FIGURES",
    "axis_correlation",
    "chain_lengths",
    "columns",
    "decay",
    "draw_all",
    "figures_of",
    "film_side",
    "film_top",
    "film_views",
    "growth",
    "hysteresis",
    "lag",
    "magnetisation_law",
    "nearest_neighbour",
    "slit_widths",
    "structure_factor_map",
    "structure_factor_radial",
    "susceptibility",
    "time_series",
]

FIGURES: dict[str, Callable[[Measurement, Run], Figure]] = {
    "film_views": film_views,
    "film_top": film_top,
    "film_side": film_side,
    "chain_lengths": chain_lengths,
    "nearest_neighbour": nearest_neighbour,
    "structure_factor_map": structure_factor_map,
    "structure_factor_radial": structure_factor_radial,
    "axis_correlation": axis_correlation,
    "slit_widths": slit_widths,
    "growth": growth,
    "magnetisation_law": magnetisation_law,
    "time_series": time_series,
}
"""Figures of every run."""


def figures_of(measurement: Measurement) -> dict[str, Callable[[Measurement, Run], Figure]]:
    """Give the figures of one run by name: those of every run, and what its field calls for."""
    extra: dict[str, tuple[bool, Callable[[Measurement, Run], Figure]]] = {
        "hysteresis": (has_both_ways(measurement), hysteresis),
        "columns": (has_columns(measurement), columns),
        "susceptibility": (has_spectrum(measurement), susceptibility),
        "lag": (has_lag(measurement), lag),
        "decay": (has_decay(measurement), decay),
    }
    called = {name: draw for name, (called_for, draw) in extra.items() if called_for}
    always = dict(FIGURES)
    if measurement.numbers["derived"].get("dynamics") == "monte_carlo":
        del always["growth"]  # no time belongs to a sampled run
    return always | called | light_figures(measurement)


def draw_all(
    measurement: Measurement, run: Run, directory: Path, format: str = "png"
) -> list[Path]:
    """Draw every figure of a run and write it to a folder.

    Parameters
    ----------
    measurement : Measurement
        Numbers, curves and last frame.
    run : Run
        The run that was measured, for its derived numbers.
    directory : Path
        Folder for the pictures; made if it is missing. A picture of the same name is replaced.
    format : str
        "png" (300 dots an inch), "svg" or "pdf".

    Returns
    -------
    list of Path
        The files written, one for each entry of `figures_of` that can be drawn; what cannot is told
        as `analysis.files.failures` says.

    Raises
    ------
    ValueError
        If the format is not one of these three.
    OSError
        If the folder cannot be written.
    """
    figures = {
        name: partial(draw, measurement, run) for name, draw in figures_of(measurement).items()
    }
    return style.save_all(figures, directory, format)
