"""Writes the page of a sweep: trends, a table of all points with errors, and links to the runs.

Like the page of a run it holds its pictures inside and needs no network; the links lead to the
reports of the runs in the same folder.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from analysis.common import file_names
from analysis.files.writing import write_text
from analysis.reports.glossary import CAUTIONS
from analysis.reports.page import (
    Html,
    decisive_box,
    definitions,
    figure_blocks,
    fold,
    frame,
    section,
    warning_list,
)
from analysis.reports.page import (
    table as html_table,
)
from analysis.reports.provenance import sweep_rows
from analysis.sweeps.axes import is_at_rest
from analysis.sweeps.fluids import FLUID, mean_words
from analysis.sweeps.points import EMPTY, points_table, where_from
from analysis.sweeps.run import MEASURES
from analysis.sweeps.trends import trend_figures

if TYPE_CHECKING:
    from analysis.sweeps.gather import SweepTable

MARKED_SCATTER = 1.5
"""Replicas that differ by so many times their errors are pointed out."""

_KIND = "Report of a sweep over simulated films of magnetic particles"
_POINTS_NOTE = (
    "; a star marks points that had not come to rest, "
    "whose lengths and spacings are values at the end of the run. All columns are in summary.csv, "
    "single runs in sweep.csv."
)
_AT_POINTS = [measure for measure in MEASURES if measure.point]


def write_sweep_report(
    table: SweepTable, directory: str | Path, drawn: Sequence[Path] = ()
) -> Path:
    """Write `sweep_report.html` for a sweep, finished or not.

    Parameters
    ----------
    table : SweepTable
        The sweep.
    directory : str or Path
        Its folder; links are relative to it. An older page is replaced as a whole.
    drawn : sequence of Path
        PNG pictures of the same figures, as ``draw_trends`` writes them; these are not drawn again.

    Returns
    -------
    Path
        The page that was written.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    folder = Path(directory)
    folder.mkdir(parents=True, exist_ok=True)
    return write_text(folder / file_names.SWEEP_REPORT, page(table, drawn))


def page(table: SweepTable, drawn: Sequence[Path] = ()) -> str:
    """Text of the page as HTML, pictures included."""
    notes = notes_of(table)
    parts = [
        decisive_box(*decisive_of(notes), "All runs are done and came to rest."),
        section("Trends", figure_blocks(trend_figures(table), drawn=drawn)),
        _to_optics(table),
        warning_list(notes),
        fold(
            "All points",
            points_table(table, _AT_POINTS),
            f"{mean_words(table.fluids)}{_POINTS_NOTE}",
        ),
        fold("All runs", _runs(table)),
        where_from(_AT_POINTS, file_names.SUMMARY, mean_words(table.fluids)),
        fold("Before you build it", definitions(CAUTIONS)),
        fold("How this was made", definitions(sweep_rows(table))),
    ]
    return frame(_KIND, table.title, points_summary(table), parts)


def _to_optics(table: SweepTable) -> str:
    """Return the link to the page of optics, where there is one beside this page."""
    if not (table.directory / file_names.OPTICS_REPORT).is_file():
        return ""
    return (
        f'<p><a href="{file_names.OPTICS_REPORT}">What light makes of these films</a>: '
        "birefringence, retardance, where the light goes, response.</p>"
    )


def decisive_of(notes: list[str]) -> tuple[str, int]:
    """Return the first note, which is the weightiest, and how many there are beside it."""
    return (notes[0], len(notes) - 1) if notes else ("", 0)


def points_summary(table: SweepTable) -> str:
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


def _fluid(row: dict[str, Any]) -> str:
    return f" fluid {row[FLUID]}," if FLUID in row else ""


def notes_of(table: SweepTable) -> list[str]:
    """Say what the reader must know before trusting a trend."""
    notes = []
    if not table.complete:
        notes.append(
            f"This sweep is {table.label.partition(';')[0]}. Figures and tables show what is "
            "there; go on with chainfilm sweep FILE -o FOLDER --resume."
        )
    notes += [
        f"{_name(table, row)},{_fluid(row)} replica {row['replica']} failed: {row['reason']}"
        for row in table.rows
        if row["status"] == "failed"
    ]
    counted = sum(1 for row in table.summary if row["replicas_done"])
    if waiting := _waiting(table, counted):
        notes.append(waiting)
    if table.provisional:
        notes.append(
            f"Spacings and figures are {table.provisional}: distant chain ends do not repel."
        )
    if table.fluids:
        notes.append(
            f"Each point is the mean over {table.fluids} fluids that fit the sheet of the bottle; "
            "bars are the errors of runs and bottle together, the table of all points gives them "
            "apart, and light is given with the scatter of all runs."
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
                f"{measure.name}: replicas differ {factor:.2g} times as much as the errors of the "
                "single runs say; the errors of points with fewer than three replicas were widened "
                "by that factor."
            )
    return notes


def _waiting(table: SweepTable, counted: int) -> str:
    """Say which of so many points with runs have not come to rest, and how many of their runs."""
    waiting = [row for row in table.summary if row["replicas_done"] and not is_at_rest(row)]
    if not waiting:
        return ""
    done = sum(row["replicas_done"] for row in waiting)
    settled = sum(round(row["equilibrated_share"] * row["replicas_done"]) for row in waiting)
    names = "; ".join(_name(table, row) for row in waiting)
    some = f"{len(waiting)} of {counted} points"
    if settled:
        which = "At no point all" if len(waiting) == counted else f"At {some} ({names}) not all"
        return (
            f"{which} runs had come to rest when they ended; of {done} runs there {settled} had. "
            "The means hold lengths and spacings of the others too, which belong to the time of "
            "their end. Such points are drawn as open symbols."
        )
    which = "No point has" if len(waiting) == counted else f"{some} have not"
    names = "" if len(waiting) == counted else f" ({names})"
    return (
        f"{which} come to rest when the runs ended{names}: their lengths and spacings "
        "belong to that time and are no properties of the film. They are drawn as open symbols."
    )


def _name(table: SweepTable, row: dict[str, Any]) -> str:
    """Name a point: its number and its values."""
    values = ", ".join(
        f"{axis.short} {axis.shown(row[axis.column])}" for axis in table.axes.values()
    )
    return f"point {row['point']} ({values})"


def _runs(table: SweepTable) -> str:
    """Table of all runs with a link to the page of each."""
    rows = []
    for row in table.rows:
        place = f"{row['folder']}/report.html"
        known = (table.directory / place).is_file()
        words = str(row["folder"])
        link = Html(f'<a href="{escape(quote(place))}">{escape(words)}</a>') if known else words
        state = row["status"] + (f": {row['reason']}" if row["reason"] else "")
        rest = {"yes": "yes", "no": "no"}.get(row["equilibrated"] or "", "")
        values = [axis.shown(row[axis.column]) for axis in table.axes.values()]
        rows.append([link, *values, str(row["seed"] or ""), state, rest])
    head = ["Run", *(axis.words for axis in table.axes.values()), "Seed", "State", "Came to rest"]
    return html_table(head, rows, "points", EMPTY)
