"""Writes the page of optics of a sweep: what light makes of the film, against what was swept."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.common import file_names
from analysis.files.writing import write_text
from analysis.pictures import style
from analysis.pictures.record import FigureRecord
from analysis.quantities.light import LIGHT, OF_LIGHT, RESPONSE
from analysis.quantities.quantity import Quantity
from analysis.reports.page import (
    decisive_box,
    definitions,
    figure_blocks,
    fold,
    frame,
    warning_list,
)
from analysis.reports.provenance import sweep_rows
from analysis.sweeps.axes import trend_axis
from analysis.sweeps.fluids import light_words
from analysis.sweeps.points import points_table, where_from
from analysis.sweeps.report import decisive_of, notes_of, points_summary
from analysis.sweeps.trends import trend
from analysis.uncertainty.number_text import as_float, with_error, with_unit

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.sweeps.gather import SweepTable
    from analysis.sweeps.optics import SweepOptics

_KIND = "Optics of a sweep over simulated films of magnetic particles"
DRAWN = ("birefringence", "retardance_m", "dichroism", "absorbed_share", "scattered_share")
"""Numbers of light that are drawn at each wavelength."""
ANSWERS = ("on_birefringence_s", "off_birefringence_s")
"""Response times that are drawn."""
_POINTS_NOTE = (
    "; a star marks points that had not come to rest. "
    "All columns are in optics_summary.csv, single runs in the folders."
)


def figures_of(optics: SweepOptics) -> dict[str, FigureRecord[[]]]:
    """Give the figures of the optics of a sweep by name; each is drawn when called."""
    out: dict[str, FigureRecord[[]]] = {}
    for wavelength, swept in optics.tables.items():
        at = with_unit(wavelength, "m")
        for one in (OF_LIGHT[key] for key in DRAWN):
            name = f"optics_{one.key.removesuffix('_m')}_{1e9 * wavelength:.0f}nm"
            out[name] = _figure(name, swept, one, f"{one.name} at {at}")
    if optics.tables:
        swept = optics.tables[optics.wavelengths[0]]
        for one in (OF_LIGHT[key] for key in ANSWERS):
            if one.column in optics.columns:
                name = f"optics_{one.key.removesuffix('_s')}"
                out[name] = _figure(name, swept, one, one.name)
    return out


def _figure(name: str, swept: SweepTable, one: Quantity, title: str) -> FigureRecord[[]]:
    words = f"{one.meaning[:1].upper()}{one.meaning[1:]} {light_words(swept.fluids)}."
    return FigureRecord(name, functools.partial(trend, swept, one.column), title, words)


def draw_optics(optics: SweepOptics, directory: Path, format: str = "png") -> list[Path]:
    """Draw the figures of the optics of a sweep into a folder; see ``trends.draw_trends``."""
    return style.save_all(figures_of(optics), directory, format)


def write_optics_report(
    optics: SweepOptics, table: SweepTable, directory: Path, drawn: Sequence[Path] = ()
) -> Path | None:
    """Write ``optics_report.html`` for a sweep, finished or not.

    Parameters
    ----------
    optics : SweepOptics
        Its optics.
    table : SweepTable
        The sweep.
    directory : Path
        Its folder.
    drawn : sequence of Path
        PNG pictures of the same figures, as ``draw_optics`` writes them; these are not drawn again.

    Returns
    -------
    Path or None
        The page; None, and none of before, where no run has an index.
    """
    path = directory / file_names.OPTICS_REPORT
    if not optics.columns:
        path.unlink(missing_ok=True)
        return None
    directory.mkdir(parents=True, exist_ok=True)
    return write_text(path, page(optics, table, drawn))


def page(optics: SweepOptics, table: SweepTable, drawn: Sequence[Path] = ()) -> str:
    """Text of the page as HTML, pictures included."""
    notes = notes_of(table)
    figures = figures_of(optics)
    light = [one for one in LIGHT if one.point and one.column in optics.columns]
    words = light_words(table.fluids)
    points_note = f"{words}{_POINTS_NOTE}"
    head = {name: figures.pop(name) for name in list(figures)[:2]}
    parts = [
        decisive_box(*decisive_of(notes), "All runs are done and came to rest."),
        figure_blocks(head, drawn=drawn),
        f'<p><a href="{file_names.SWEEP_REPORT}">Lengths and spacings of this sweep</a> have a '
        "page of their own.</p>",
        warning_list(notes),
        fold("Further trends", figure_blocks(figures, drawn=drawn)),
        *(
            fold(f"All points at {with_unit(w, 'm')}", points_table(swept, light), points_note)
            for w, swept in optics.tables.items()
        ),
        fold("How fast the films answer", _answers(optics), points_note),
        where_from([*light, *_known(optics)], file_names.OPTICS_SUMMARY, words),
        fold("How this was made", definitions(sweep_rows(table))),
    ]  # fmt: skip
    about = f"{points_summary(table)} Index of the cores: {optics.source}."
    return frame(_KIND, table.title, answer(optics), parts, about)


def answer(optics: SweepOptics) -> str:
    """Say in one sentence over which range the retardance goes, and where it is largest."""
    wavelength = optics.wavelengths[0]
    swept, one = optics.tables[wavelength], OF_LIGHT["retardance_m"]
    rows = [row for row in swept.summary if math.isfinite(as_float(row[one.column]))]
    if not rows:
        return "No retardance could be measured in any run that is done."
    low, high = (pick(rows, key=lambda row: abs(as_float(row[one.column]))) for pick in (min, max))
    axes = swept.axes.values()
    where = " and ".join(f"{axis.short} {axis.shown(high[axis.column])}" for axis in axes)
    values = [
        with_error(as_float(row[one.column]), as_float(row[f"{one.column}_error"]), one.unit)
        for row in (low, high)
    ]
    if not abs(as_float(high[one.column])) > 2.0 * as_float(high[f"{one.column}_error"]):
        return (
            f"At {with_unit(wavelength, 'm')} no film delays light polarised along its chains by "
            f"more than two errors: by {values[1]} at most, at {where}."
        )
    found = f"{values[0]} to {values[1]}" if low is not high else values[0]
    return (
        f"At {with_unit(wavelength, 'm')} these films delay light polarised along their chains by "
        f"{found}, most at {where}."
    )


def _known(optics: SweepOptics) -> list[Quantity]:
    """Return the response times that some run has."""
    return [one for one in RESPONSE if one.point and one.column in optics.columns]


def _answers(optics: SweepOptics) -> str:
    """Return the response times of all points, empty where none is known."""
    known, swept = _known(optics), optics.tables[optics.wavelengths[0]]
    return "" if not known or trend_axis(swept) is None else points_table(swept, known)
