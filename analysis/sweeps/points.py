"""Table of all points of a sweep on its pages: each number leads to what it is."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from analysis.reports.page import Cell, Traced, table, trace, trace_fold
from analysis.sweeps.axes import is_at_rest
from analysis.sweeps.fluids import errors_text
from analysis.uncertainty.number_text import as_float, with_error, with_unit

if TYPE_CHECKING:
    from analysis.quantities.quantity import Quantity
    from analysis.sweeps.gather import SweepTable

EMPTY = "The sweep has no points."


def points_table(swept: SweepTable, quantities: Iterable[Quantity]) -> str:
    """Return the table of all points, value and error in each cell.

    Parameters
    ----------
    swept : SweepTable
        The sweep.
    quantities : iterable of Quantity
        The numbers that get a column.
    """
    shown, axes = list(quantities), swept.axes.values()
    rows, runs = [], Counter(run["point"] for run in swept.rows)
    for row in swept.summary:
        star = "" if is_at_rest(row) or not row["replicas_done"] else " *"
        cells: list[Cell] = [f"{row['point']}{star}"]
        cells += [axis.shown(row[axis.column]) for axis in axes]
        cells.append(f"{row['replicas_done']} of {runs[row['point']]}")
        cells += [trace(_traced(one, row)) for one in shown]
        rows.append(cells)
    head = [
        "Point",
        *(axis.words for axis in axes),
        "Runs" if swept.fluids else "Replicas",
        *(one.name for one in shown),
    ]
    return table(head, rows, "points", EMPTY)


def where_from(quantities: Iterable[Quantity], file: str, words: str) -> str:
    """Return the folded list of what the columns are, to which the numbers of tables lead.

    Parameters
    ----------
    quantities : iterable of Quantity
        The columns.
    file : str
        Name of the file that holds them.
    words : str
        What the number of a point is, as `analysis.sweeps.fluids` says it.
    """
    note = f"The number of a point: {words[:1].lower()}{words[1:]}."
    return trace_fold((_traced(one, {}) for one in quantities), file, note)


def _traced(one: Quantity, row: dict[str, Any]) -> Traced:
    """Return a number of a point, or its column where the row is empty."""
    value, error = (as_float(row.get(one.column + end)) for end in ("", "_error"))
    if f"{one.column}_bottle" in row:
        text = errors_text(row, one.column, one.unit)
    elif one.computed and not math.isfinite(error):
        text = with_unit(value, one.unit)
    else:
        text = with_error(value, error, one.unit)
    runs = str(row.get("replicas_done", ""))
    return Traced(one.column, one.name, text if row else "", one.definition, runs=runs)
