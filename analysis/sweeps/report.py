"""Writes the page of a sweep: trends, a table of all points with errors, and links to the runs.

Like the page of a run it holds its pictures inside and needs no network; the links lead to the
reports of the runs in the same folder.
"""

from __future__ import annotations

import base64
import math
from functools import partial
from html import escape
from string import Template
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from analysis.common import file_names
from analysis.files.failures import figure_or_nothing, missing_figure
from analysis.files.writing import write_text
from analysis.pictures import style
from analysis.reports import glossary as report_text
from analysis.reports.page import STYLE_SHEET, definitions
from analysis.reports.provenance import sweep_rows
from analysis.sweeps.axes import is_at_rest
from analysis.sweeps.run import GROWN_LENGTH, MEASURES
from analysis.sweeps.trends import trend_figures
from analysis.uncertainty.number_text import as_float, with_error

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matplotlib.figure import Figure

    from analysis.sweeps.gather import SweepTable

__all__ = ["page", "write_sweep_report"]

_DOTS_PER_INCH = 200

SHOWN = (
    "chains_mean_length",
    "chains_singles_fraction",
    "spacing_nearest_neighbour_m",
    "spacing_structure_factor_m",
    "spacing_axis_correlation_m",
    "spacing_line_density_m",
    "alignment_order",
    "magnetisation_relative",
    "growth_time_s",
)
"""Measures in the table of the page; summary.csv has all of them."""

MARKED_SCATTER = 1.5
"""Replicas that differ by so many times their errors are pointed out."""

CAPTIONS = {
    "trend_mean_length": (
        "Length of the chains",
        "Mean over replicas with its standard error; single particles count as chains of one. Grey "
        "is the range predicted for a film at rest.",
    ),
    "trend_spacing": (
        "Distance between the chains",
        "Three measures of different things: to the nearest chain, the repeat distance that light "
        "looking through the film would see, and the likeliest distance of a second chain. The "
        "dotted line is what the amount of particles alone gives for straight single chains.",
    ),
    "trend_alignment": (
        "Alignment of the chains with the field",
        "1 for chains along the field, 0 for chains in all directions.",
    ),
    "trend_magnetisation": (
        "Magnetisation",
        "Along the field, as a share of saturation. The dotted curve is the Langevin law for the "
        "sizes of these runs: particles that do not feel each other.",
    ),
    "trend_growth_time": (
        "Speed of growth",
        f"Time from switching on until the mean length first reaches {GROWN_LENGTH:g}. A point is "
        "missing where it never did.",
    ),
}

_MORE_STYLE = """
.scroll { overflow-x: auto; }
.points th, .points td { white-space: nowrap; padding: 0.35rem 0.9rem 0.35rem 0; width: auto; }
@media (max-width: 640px) {
  .points { display: table; }
  .points thead { display: table-header-group; } .points tbody { display: table-row-group; }
  .points tr { display: table-row; }
  .points th, .points td { display: table-cell; font-size: 0.85rem; }
}
"""

PAGE = Template(
    """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>$title</title>
<style>$style_sheet</style>
</head>
<body>
<main>
<header>
<p class="quiet">Report of a sweep over simulated films of magnetic particles</p>
<h1>$title</h1>
<p class="lead">$summary</p>
</header>
$warnings
<section>
<h2>Trends</h2>
<div class="figures">
$figures
</div>
</section>
<section>
<h2>All points</h2>
<p class="quiet">Mean over replicas with its standard error; a star marks points that had not come
to rest, whose lengths and spacings are values at the end of the run. All columns are in
summary.csv, single runs in sweep.csv.</p>
<div class="scroll">
$points
</div>
</section>
<section>
<h2>All runs</h2>
<div class="scroll">
$runs
</div>
</section>
<section>
<h2>Before you build it</h2>
$cautions
</section>
<section>
<h2>How this was made</h2>
$provenance
</section>
</main>
</body>
</html>
"""
)


def write_sweep_report(table: SweepTable, directory: Path) -> Path:
    """Write `sweep_report.html` for a sweep, finished or not.

    Parameters
    ----------
    table : SweepTable
        The sweep.
    directory : Path
        Its folder; links are relative to it. An older page is replaced as a whole.

    Returns
    -------
    Path
        The page that was written.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    directory.mkdir(parents=True, exist_ok=True)
    return write_text(directory / file_names.SWEEP_REPORT, page(table))


def page(table: SweepTable) -> str:
    """Text of the page as HTML, pictures included."""
    return PAGE.substitute(
        style_sheet=STYLE_SHEET + _MORE_STYLE,
        title=escape(table.title),
        summary=escape(_summary(table)),
        warnings=_warnings(table),
        figures=_figures(table),
        points=_points(table),
        runs=_runs(table),
        cautions=definitions(report_text.CAUTIONS),
        provenance=definitions(sweep_rows(table)),
    )


def _summary(table: SweepTable) -> str:
    """Say what was varied and how far the sweep is."""
    keys = " and ".join(
        f"{axis.words[:1].lower()}{axis.words[1:]} ({_range(table, axis.column, key)})"
        for key, axis in table.axes.items()
    )
    words = f"{len(table.summary)} points over {keys}" if keys else "One point"
    done, total = table.count("done"), len(table.rows)
    return f"{words}; {done} of {total} runs are done."


def _range(table: SweepTable, column: str, key: str) -> str:
    """Give the range of a swept key in words."""
    values = list(dict.fromkeys(row[column] for row in table.summary))
    if all(isinstance(v, int | float) for v in values) and len(values) > 1:
        axis = table.axes[key]
        return f"{axis.shown(min(values))} to {axis.shown(max(values))}"
    return ", ".join(table.axes[key].shown(v) for v in values)


SMALL_PATCH_WORDS = {
    "narrow": "too narrow for a sharp spacing: fewer than 20 spacings across the chains.",
    "short": "too short for its chains: fewer than 5 of their lengths along them, so that some "
    "close on themselves through its ends.",
}


def _warnings(table: SweepTable) -> str:
    """Box with what the reader must know before trusting a trend."""
    notes = []
    if not table.complete:
        notes.append(
            f"This sweep is {table.label.partition(';')[0]}. Figures and tables show what is "
            "there; go on with chainfilm sweep FILE -o FOLDER --resume."
        )
    notes += [
        f"{_name(table, row)}, replica {row['replica']} failed: {row['reason']}"
        for row in table.rows
        if row["status"] == "failed"
    ]
    waiting = [row for row in table.summary if row["replicas_done"] and not is_at_rest(row)]
    counted = sum(1 for row in table.summary if row["replicas_done"])
    if waiting:
        which = "No point" if len(waiting) == counted else f"{len(waiting)} of {counted} points"
        verb = "has" if which == "No point" else "have not"
        names = (
            "" if len(waiting) == counted else f" ({'; '.join(_name(table, r) for r in waiting)})"
        )
        notes.append(
            f"{which} {verb} come to rest when the runs ended{names}: their lengths and spacings "
            "belong to that time and are no properties of the film. They are drawn as open symbols."
        )
    if table.provisional:
        notes.append(
            f"Spacings and figures are {table.provisional}: distant chain ends do not repel."
        )
    for name, words in SMALL_PATCH_WORDS.items():
        if points := table.small_patches.get(name):
            rows_of = [row for row in table.summary if row["point"] in points]
            which = (
                "At every point"
                if len(points) == counted
                else f"At {len(points)} of {counted} points "
                f"({'; '.join(_name(table, row) for row in rows_of)})"
            )
            notes.append(f"{which} the patch is {words}")
    for measure in MEASURES:
        factor = table.scatter.get(measure.column, 0.0)
        if factor >= MARKED_SCATTER:
            notes.append(
                f"{measure.words}: replicas differ {factor:.2g} times as much as the errors of the "
                "single runs say; the errors of points with fewer than three replicas were widened "
                "by that factor."
            )
    if not notes:
        return (
            '<section class="warnings none"><h2>No warnings</h2>'
            "<p>All runs are done and came to rest.</p></section>"
        )
    rows = "".join(f"<li>{escape(note)}</li>" for note in notes)
    return f'<section class="warnings"><h2>Read this first</h2><ul>{rows}</ul></section>'


def _name(table: SweepTable, row: dict[str, Any]) -> str:
    """Name a point: its number and its values."""
    values = ", ".join(
        f"{axis.short} {axis.shown(row[axis.column])}" for axis in table.axes.values()
    )
    return f"point {row['point']} ({values})"


def _figures(table: SweepTable) -> str:
    """All trend figures, drawn afresh and put into the page."""
    parts = []
    for name, draw in trend_figures(table).items():
        title, caption = CAPTIONS.get(name, ("Map: " + name[4:].replace("_", " "), _MAP_CAPTION))
        picture = figure_or_nothing(name, partial(_picture, draw))
        if picture is None:
            parts.append(missing_figure(name, title))
            continue
        data = base64.b64encode(picture).decode("ascii")
        kind = ' class="wide"' if name == "trend_spacing" else ""
        parts.append(
            f'<figure{kind} id="{name}"><h3>{escape(title)}</h3><div class="frame">'
            f'<img alt="{escape(title)}: {escape(caption)}" src="data:image/png;base64,{data}">'
            f"</div><figcaption>{escape(caption)}</figcaption></figure>"
        )
    return "\n".join(parts)


def _picture(draw: Callable[[], Figure]) -> bytes:
    return style.figure_bytes(draw(), "png", _DOTS_PER_INCH)


_MAP_CAPTION = "Value and standard error of every point; a star marks those not yet at rest."


def _points(table: SweepTable) -> str:
    """Table of all points, value and error in each cell."""
    measures = [measure for measure in MEASURES if measure.column in SHOWN]
    head = ["Point", *(axis.words for axis in table.axes.values()), "Replicas"]
    head += [measure.words for measure in measures]
    rows = []
    for row in table.summary:
        star = "" if is_at_rest(row) or not row["replicas_done"] else " *"
        cells = [f"{row['point']}{star}"]
        cells += [axis.shown(row[axis.column]) for axis in table.axes.values()]
        total = sum(r["point"] == row["point"] for r in table.rows)
        cells.append(f"{row['replicas_done']} of {total}")
        for measure in measures:
            value, error = (as_float(row[measure.column + end]) for end in ("", "_error"))
            exact = measure.column == "spacing_line_density_m" and not math.isfinite(error)
            text = with_error(value, 0.0 if exact and math.isfinite(value) else error, measure.unit)
            cells.append(text.replace(" ± 0 ", " ") if exact else text)
        rows.append([escape(cell) for cell in cells])
    return _table(head, rows)


def _runs(table: SweepTable) -> str:
    """Table of all runs with a link to the page of each."""
    rows = []
    for row in table.rows:
        place = f"{row['folder']}/report.html"
        known = (table.directory / place).is_file()
        words = escape(str(row["folder"]))
        link = f'<a href="{escape(quote(place))}">{words}</a>' if known else words
        state = row["status"] + (f": {row['reason']}" if row["reason"] else "")
        rest = {"yes": "yes", "no": "no"}.get(row["equilibrated"] or "", "")
        values = [escape(axis.shown(row[axis.column])) for axis in table.axes.values()]
        rows.append([link, *values, escape(str(row["seed"] or "")), escape(state), rest])
    head = ["Run", *(axis.words for axis in table.axes.values()), "Seed", "State", "Came to rest"]
    return _table(head, rows)


def _table(head: list[str], rows: list[list[str]]) -> str:
    """Table from a head and rows whose cells are HTML already."""
    if not rows:
        return "<p>The sweep has no points.</p>"
    first = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th>'
        + "".join(f"<td>{cell}</td>" for cell in row[1:])
        + "</tr>"
        for row in rows
    )
    return f'<table class="points"><thead><tr>{first}</tr></thead><tbody>{body}</tbody></table>'
