"""All figures of a run, in the order of its page; `draw_all` writes them to a folder."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from analysis.pictures import order, style
from analysis.pictures.decay import decay
from analysis.pictures.film import film_side, film_top, film_views
from analysis.pictures.hysteresis import hysteresis
from analysis.pictures.lag import lag
from analysis.pictures.light import far_field, optical_response, optical_thickness
from analysis.pictures.magnetisation import magnetisation_law
from analysis.pictures.record import FigureRecord, always
from analysis.pictures.structure import (
    axis_correlation,
    chain_lengths,
    has_lengths,
    nearest_neighbour,
    structure_factor_map,
    structure_factor_radial,
)
from analysis.pictures.susceptibility import susceptibility
from analysis.pictures.time import growth, has_times, time_series
from analysis.pictures.way_to_rest import way_to_rest
from analysis.trajectory.run import as_run

if TYPE_CHECKING:
    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

    RunFigure: TypeAlias = FigureRecord[[Measurement, Run]]

__all__ = ["FIGURES", "draw_all", "figures_of"]

_ALL: tuple[RunFigure, ...] = (
    film_views,
    film_top,
    film_side,
    chain_lengths,
    growth,
    nearest_neighbour,
    axis_correlation,
    order.slit_widths,
    structure_factor_radial,
    structure_factor_map,
    magnetisation_law,
    time_series,
    hysteresis,
    order.STANDING,
    order.LYING,
    susceptibility,
    lag,
    decay,
    way_to_rest,
    optical_thickness,
    far_field,
    optical_response,
)

FIGURES = {
    figure.name: figure for figure in _ALL if figure.wanted in (always, has_times, has_lengths)
}
"""Figures of every run, by name."""


def figures_of(measurement: Measurement) -> dict[str, RunFigure]:
    """Give the figures of one run by name: those of every run, and what its field calls for."""
    return {figure.name: figure for figure in _ALL if figure.wanted(measurement)}


def draw_all(
    measurement: Measurement,
    run: Run | str | os.PathLike[str],
    directory: str | os.PathLike[str],
    format: str = "png",
) -> list[Path]:
    """Draw every figure of a run and write it to a folder.

    Parameters
    ----------
    measurement : Measurement
        Numbers, curves and last frame.
    run : Run, str or path-like
        The run that was measured, for its derived numbers.
    directory : str or path-like
        Folder for the pictures; made if it is missing. A picture of the same name is replaced.
    format : str
        "png" (300 dots per inch), "svg" or "pdf".

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
        name: partial(draw, measurement, as_run(run))
        for name, draw in figures_of(measurement).items()
    }
    return style.save_all(figures, Path(directory), format)
