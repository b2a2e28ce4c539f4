"""A sweep laid over the map of a cell: columns, rows of text, and where it has nothing to say."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.sweeps.grid import MEASURED, REASONS, SweepGrid
from analysis.uncertainty.number_text import with_unit

COMPARED = {
    "particles": (
        "core_diameter", "size_spread", "shell_thickness", "magnetisation", "small_core_diameter",
        "magnetic_share",
    ),
    "carrier": ("temperature",),
}  # fmt: skip
"""Numbers that decide on chains in equilibrium, by table of the parameter file."""


def sweep_columns(grid: SweepGrid, places: Mapping[str, Floats]) -> dict[str, NDArray[Any]]:
    """Look up everything that a sweep measured at places.

    Parameters
    ----------
    grid : SweepGrid
        The sweep.
    places : mapping of ndarray
        Values of its coordinates, arrays of one shape.

    Returns
    -------
    dict of ndarray
        ``sweep_outside`` (0 inside, else the sum of `REASONS`), and for each of `MEASURED` the
        value and its error, NaN outside, under the name in summary.csv after ``sweep_``.
    """
    found: dict[str, NDArray[Any]] = {"sweep_outside": grid.outside(places)}
    for column in MEASURED:
        value, error = grid.look_up(column, places)
        found |= {f"sweep_{column}": value, f"sweep_{column}_error": error}
    return found


def sweep_rows(columns: Mapping[str, NDArray[Any]]) -> list[tuple[str, str]]:
    """Return what is printed of a sweep on a map, as label and text."""
    outside = columns["sweep_outside"]
    rows = [("inside the sweep", f"{np.mean(outside == 0):.0%} of the cell")]
    for number, words in REASONS.values():
        share = float(np.mean((outside & number) > 0))
        if share > 0.0:
            rows.append((f"outside: {words}", f"{share:.0%} of the cell"))
    for column, words in MEASURED.items():
        unit = "m" if column.endswith("_m") else ""
        value, error = columns[f"sweep_{column}"], columns[f"sweep_{column}_error"]
        text = _span(value, unit)
        if np.isfinite(error).any():
            text += f", errors {_span(error, unit)}"
        rows.append((f"{words[0].lower()}{words[1:]}, measured", text))
    return rows


def _bent(grid: SweepGrid) -> str:
    """Say along what that is not known, as a sweep with only two values does not tell."""
    names = {"strength_t": "field", "tilt_deg": "tilt", "thickness_m": "thickness",
             "volume_fraction": "volume fraction"}  # fmt: skip
    few = [names[name] for name, axis in grid.axes.items() if axis.size == 2]
    told = f" (unknown along {' and '.join(few)}, of which there are two values: no error is given "
    return f"{told}between them)" if few else ""


def _span(values: Floats, unit: str) -> str:
    """Least and largest known value."""
    known = values[np.isfinite(values)]
    if not known.size:
        return with_unit(math.nan)
    low, high = (with_unit(float(end), unit) for end in (known.min(), known.max()))
    return low if low == high else f"{low} to {high}"


def sweep_sentences(
    grid: SweepGrid, directory: Path, film: Mapping[str, Any], columns: Mapping[str, NDArray[Any]]
) -> list[str]:
    """Say what to think of when reading a sweep on a map.

    Parameters
    ----------
    grid : SweepGrid
        The sweep.
    directory : Path
        Its folder.
    film : mapping
        Parameters of the mapped film in SI, as a run records them.
    columns : mapping of ndarray
        What `sweep_columns` returned.
    """
    said = [
        "Measured numbers are interpolated between the points of the sweep and left out beyond "
        "them. Their errors are those of the runs, carried along, and what a straight line between "
        f"two points misses{_bent(grid)}."
    ]
    other = [
        f"{key} {grid.film[table].get(key):g} beside {film[table].get(key):g}"
        for table, keys in COMPARED.items()
        for key in keys
        if _differ(grid.film[table].get(key), film[table].get(key))
    ]
    if other:
        said.append(
            f"The sweep in {directory} is of another film ({', '.join(other)} in SI): its numbers "
            "do not hold for this one."
        )
    if grid.done < grid.points:
        said.append(f"Of its {grid.points} points only {grid.done} have runs that are done.")
    if grid.at_rest < grid.done:
        said.append(
            f"In {grid.done - grid.at_rest} of its {grid.done} points the film had not come to "
            "rest: lengths and spacings are those at the end of the run."
        )
    if np.all(columns["sweep_outside"]):
        said.append("No place of this cell lies within the sweep, so that nothing is measured.")
    return said


def _differ(one: Any, other: Any) -> bool:
    """Whether two numbers are known and not the same."""
    if not all(isinstance(value, int | float) for value in (one, other)):
        return False
    return not math.isclose(one, other, rel_tol=1e-6)
