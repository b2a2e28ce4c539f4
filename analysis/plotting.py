"""One figure of a run or a sweep by its name, in a figure of its own or in axes of the caller's."""

from __future__ import annotations

import difflib
import os
from typing import TYPE_CHECKING, Any

from analysis.common.errors import InputError
from analysis.measures.measure import Measurement, measure
from analysis.pictures.all import figures_of
from analysis.sweeps.gather import SweepTable
from analysis.sweeps.trends import trend_figures

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.trajectory.run import Run


class FigureNameError(InputError):
    """A figure was asked for by a name that none has."""


def plot(
    what: Measurement | SweepTable | Run | str | os.PathLike[str],
    name: str | None = None,
    *,
    ax: Axes | None = None,
) -> Figure:
    """Draw one figure of a run or a sweep.

    Parameters
    ----------
    what : Measurement, SweepTable, Run, str or path-like
        What was measured or gathered; a run, or the path of one, is measured first.
    name : str, optional
        Name of the figure: of a run "film_views", "growth", "chain_lengths" and so on, as its
        files are called; by default the first.
    ax : Axes, optional
        Axes to draw into; a figure of several panels takes their place in their grid.

    Returns
    -------
    Figure
        A new one, or that of ``ax``. A notebook shows it.

    Raises
    ------
    FigureNameError
        Where there is no figure of that name.
    ValueError
        Where a figure of several panels is to be drawn into axes that belong to no grid.
    TrajectoryError
        Where a run cannot be read.
    """
    figures: dict[str, Any]
    given: tuple[Any, ...]
    if isinstance(what, SweepTable):
        figures, given = dict(trend_figures(what)), ()
    else:
        measured = what if isinstance(what, Measurement) else measure(what)
        figures, given = dict(figures_of(measured)), (measured, measured.run)
    chosen = next(iter(figures)) if name is None else name
    if chosen not in figures:
        near = difflib.get_close_matches(chosen, list(figures), 1)
        hint = f"the nearest is {near[0]}" if near else f"there are {', '.join(figures)}"
        raise FigureNameError(f"name must be that of a figure; received {chosen!r:.60}; {hint}.")
    return figures[chosen](*given, ax=ax)  # type: ignore[no-any-return]
