"""Writes the report: one page that explains a run to somebody who has not seen one before.

The page holds its pictures inside, needs no network, and reads on a phone, a desk or paper. All
text that comes from files is escaped.
"""

from __future__ import annotations

import base64
import math
import tomllib
from functools import partial
from html import escape
from typing import TYPE_CHECKING, Any

from analysis.files.failures import figure_or_nothing, missing_figure
from analysis.files.writing import write_text
from analysis.measures import stages as stage_numbers
from analysis.pictures import style
from analysis.reports import details as report_chains
from analysis.reports import glossary as report_text
from analysis.reports.captions import CAPTIONS
from analysis.reports.page import PAGE, STYLE_SHEET, definitions
from analysis.reports.provenance import run_rows
from analysis.response.decay_text import DECAY_TIME, decay_time
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, measured, with_error, with_unit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from matplotlib.figure import Figure

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

_WIDE = ("film_views", "optical_thickness", "far_field")
_DOTS_PER_INCH = 200  # sharp on a screen at half the size of the pictures for print
_UNITS_BY_ENDING = {"_m": "m", "_s": "s", "_t": "T", "_k": "K"}


def write_report(measurement: Measurement, run: Run, directory: Path) -> Path:
    """Write `report.html` for one run.

    Parameters
    ----------
    measurement : Measurement
        Numbers, curves and last frame.
    run : Run
        The run that was measured: derived numbers, parameter file, versions.
    directory : Path
        Folder of the run; made if it is missing. An older report is replaced as a whole.

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
    return write_text(directory / "report.html", page(measurement, run))


def page(measurement: Measurement, run: Run) -> str:
    """Text of the report as HTML, pictures included."""
    numbers = measurement.numbers
    return PAGE.substitute(
        style_sheet=STYLE_SHEET,
        title=escape(_title(run)),
        summary=escape(_summary(numbers, run)),
        warnings=_warnings(numbers, run),
        figures=_figures(measurement, run),
        basis=escape(_basis(run)),
        measured=_measured_table(numbers)
        + stage_numbers.section(numbers)
        + report_chains.section(numbers),
        derived=_derived_table(run),
        glossary=definitions(report_text.GLOSSARY),
        cautions=definitions(report_text.CAUTIONS),
        parameters=escape(run.parameters_text.strip() or "not recorded in this run"),
        provenance=definitions(run_rows(numbers, run)),
    )


def _title(run: Run) -> str:
    """Title from the parameter file, or a plain one."""
    try:
        title = tomllib.loads(run.parameters_text).get("title")
    except tomllib.TOMLDecodeError:
        title = None
    return title if isinstance(title, str) and title.strip() else "Chains in a film"


def _summary(numbers: dict[str, Any], run: Run) -> str:
    """Say in a few sentences what was done and what came out."""
    diameter = with_unit(as_float(run.derived.get("median_diameter_m")), "m")
    time = with_unit(as_float(run.derived.get("duration_s")), "s")
    field = with_unit(as_float(run.derived.get("largest_field_t")), "T")
    thickness = with_unit(float(run.thickness), "m")
    size = "" if diameter == NOT_MEASURED else f" of {diameter} diameter"
    words = f"{len(run.diameters)} magnetic particles{size} in a film {thickness} thick"
    words += "" if time == NOT_MEASURED else f", followed for {time}"
    stages = numbers.get("stages")
    changes = isinstance(stages, list) and len(stages) > 1
    upto = "up to " if changes else ""
    words += "." if field == NOT_MEASURED else f" in a field of {upto}{field}."
    over = stage_numbers.averaged_over(numbers)
    if changes and over:
        words += f" What follows is for its last stage, averaged over {over}."
    length = with_error(*measured(numbers, "chains", "mean_length"))
    singles = with_error(*measured(numbers, "chains", "singles_fraction"), "%")
    apart = with_error(*measured(numbers, "spacing", "nearest_neighbour_m"), "m")
    if length == NOT_MEASURED:
        return words + " No chain length could be measured."
    words += f" A chain holds {_unbroken(length)} particles on average"
    words += (
        "." if singles == NOT_MEASURED else f"; {_unbroken(singles)} of all particles stand alone."
    )
    if apart != NOT_MEASURED:
        words += f" From one chain to the nearest it is {_unbroken(apart)}."
    return words


def _unbroken(text: str) -> str:
    """Keep a number, its error and its unit on one line."""
    return text.replace(" ", "\u00a0")


def _warnings(numbers: dict[str, Any], run: Run) -> str:
    """Box with everything the reader must know before trusting a number."""
    given = [str(note) for note in numbers.get("warnings") or ()]
    told = {note.partition(":")[0] for note in given}  # such as "equilibration"
    first: list[str] = []
    rest: list[str] = []
    if not run.finished and "run" not in told:
        reason = run.end_reason or "reason not recorded"
        first.append(report_text.UNFINISHED_NOTE.format(reason=reason))
    if style.provisional_text(run):
        reach = with_unit(as_float(run.derived.get("cutoff_m")), "m")
        reach = "a short range" if reach == NOT_MEASURED else reach
        first.append(report_text.CUT_OFF_NOTE.format(range=reach))
        given = [note for note in given if "dipole forces were cut off" not in note]
    equilibration = numbers.get("equilibration")
    at_rest = not isinstance(equilibration, dict) or equilibration.get("reached") is not False
    if not at_rest and "equilibration" not in told:
        time = with_unit(as_float(run.derived.get("duration_s")), "s")
        time = "the simulated time" if time == NOT_MEASURED else time
        first.append(report_text.NOT_AT_REST_NOTE.format(time=time))
    if "file" not in told:
        first += [str(note) for note in run.notices]
    for note in given:
        weighty = note.partition(":")[0] in ("run", "file", "equilibration")
        (first if weighty else rest).append(_named(note))
    notes = first + rest
    if not notes:
        return (
            '<section class="warnings none"><h2>No warnings</h2>'
            "<p>All checks of this run passed.</p></section>"
        )
    rows = "".join(f"<li>{escape(note)}</li>" for note in notes)
    return f'<section class="warnings"><h2>Read this first</h2><ul>{rows}</ul></section>'


def _named(note: str) -> str:
    """Begin a warning with the name of what it is about instead of its key in measures.json."""
    key, colon, words = note.partition(":")
    for item in report_text.MEASURED:
        if colon and key == f"{item.section}.{item.key}":
            return f"{item.name}:{words}"
    section, dot, rest = key.partition(".")
    if colon and dot and section.isidentifier() and rest.isidentifier():
        return f"{_plain_name(rest)}:{words}"
    return note[:1].upper() + note[1:] if colon and key.isidentifier() else note


def _figures(measurement: Measurement, run: Run) -> str:
    """All pictures of the report, drawn afresh and put into the page."""
    from analysis.pictures import decay as decay_picture
    from analysis.pictures import hysteresis
    from analysis.pictures import lag as lag_picture
    from analysis.pictures import light as light_pictures
    from analysis.pictures import order as order_pictures
    from analysis.pictures import susceptibility as susceptibility_picture
    from analysis.pictures.all import figures_of

    figures = figures_of(measurement)
    captions = {name: said for name, said in CAPTIONS.items() if name in figures}
    for name, title, caption in (
        ("hysteresis", hysteresis.TITLE, hysteresis.CAPTION),
        ("columns", *order_pictures.columns_words(measurement)),
        ("susceptibility", susceptibility_picture.TITLE, susceptibility_picture.CAPTION),
        ("lag", lag_picture.TITLE, lag_picture.CAPTION),
        ("decay", decay_picture.TITLE, decay_picture.CAPTION),
    ):
        if name in figures:
            captions[name] = (title, caption)
    captions |= {name: said for name, said in light_pictures.CAPTIONS.items() if name in figures}
    parts = []
    for name, (title, caption) in captions.items():
        picture = figure_or_nothing(name, partial(_picture, figures[name], measurement, run))
        if picture is None:
            parts.append(missing_figure(name, title))
            continue
        data = base64.b64encode(picture).decode("ascii")
        kind = ' class="wide"' if name in _WIDE else ""
        parts.append(
            f'<figure{kind} id="{name}"><h3>{escape(title)}</h3><div class="frame">'
            f'<img alt="{escape(title)}: {escape(caption)}" src="data:image/png;base64,{data}">'
            f"</div><figcaption>{escape(caption)}</figcaption></figure>"
        )
    return "\n".join(parts)


def _picture(
    draw: Callable[[Measurement, Run], Figure], measurement: Measurement, run: Run
) -> bytes:
    return style.figure_bytes(draw(measurement, run), "png", _DOTS_PER_INCH)


def _basis(run: Run) -> str:
    """Say from how many frames and by which criterion the numbers come."""
    words = f"The run holds {run.frames} frames."
    distance, alignment = (as_float(run.bonds.get(key)) for key in ("distance", "alignment"))
    if math.isfinite(distance) and math.isfinite(alignment):
        words += (
            f" Two particles count as bonded when closer than {distance:g} diameters with both "
            f"moments head to tail (product of their cosines to the line above {alignment:g})."
        )
    return words


def _measured_table(numbers: dict[str, Any]) -> str:
    """Table of the measured numbers, those with a meaning first, then any further ones."""
    rows = []
    for item in report_text.MEASURED:
        block = numbers.get(item.section)
        if isinstance(block, dict) and item.key in block:
            text = with_error(*measured(numbers, item.section, item.key), item.unit)
            if item.key.endswith(DECAY_TIME):  # bounds where there is no time
                text = decay_time(numbers, item.key.removesuffix(DECAY_TIME))
            rows.append((item.name, text, item.meaning + _comparison(block, item.key)))
    return _table(rows + _further_rows(numbers))


def _comparison(block: dict[str, Any], key: str) -> str:
    """Sentence with the number that a measured one is to be compared with, where there is one."""
    if key not in report_text.COMPARISONS:
        return ""
    other, unit, sentence = report_text.COMPARISONS[key]
    number = with_unit(as_float(block.get(other)), unit)
    return "" if number == NOT_MEASURED else f" {sentence.format(number=number)}"


def _further_rows(numbers: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Rows for measured numbers that have no text of their own, as far as they have a value."""
    known = {(item.section, item.key) for item in report_text.MEASURED} | report_chains.TOLD
    rows = []
    unmeasured = ("derived", "timing", "parameters", "measured_by")
    for section, block in numbers.items():
        if section in unmeasured or not isinstance(block, dict):
            continue
        for key, entry in block.items():
            if (section, key) in known or not (isinstance(entry, dict) and "value" in entry):
                continue
            unit = next((u for end, u in _UNITS_BY_ENDING.items() if key.endswith(end)), "")
            text = with_error(as_float(entry["value"]), as_float(entry.get("error")), unit)
            if text != NOT_MEASURED:
                rows.append((_plain_name(key), text, f"{section}.{key} in measures.json"))
    return rows


def _derived_table(run: Run) -> str:
    """Table of what was simulated, from the derived numbers of the run."""
    rows = [
        (item.name, with_unit(as_float(run.derived[item.key]), item.unit), item.meaning)
        for item in report_text.DERIVED
        if item.key in run.derived
    ]
    low, middle, high = (
        as_float(run.derived.get(f"predicted_mean_length{end}")) for end in ("_low", "", "_high")
    )
    if math.isfinite(middle):
        band = f" ({low:.3g} to {high:.3g})" if math.isfinite(low) and math.isfinite(high) else ""
        rows.append(
            ("Mean chain length to expect", f"{middle:.3g}{band}", report_text.EXPECTED_LENGTH)
        )
    sides = " × ".join(with_unit(float(side), "m") for side in (*run.sides, run.thickness))
    rows.append(("Patch", sides, "length, width and thickness of the film that was followed."))
    return _table(rows)


def _plain_name(key: str) -> str:
    """Turn a key into words: `free_width_m` reads "Free width"."""
    for ending in _UNITS_BY_ENDING:
        key = key.removesuffix(ending)
    return key.replace("_", " ").capitalize()


def _table(rows: Iterable[tuple[str, str, str]]) -> str:
    """Table of name, value and meaning."""
    body = "".join(
        f'<tr><th scope="row">{escape(name)}</th>'
        f'<td class="value{" missing" if value == NOT_MEASURED else ""}">{escape(value)}</td>'
        f"<td>{escape(meaning)}</td></tr>"
        for name, value, meaning in rows
    )
    if not body:
        return "<p>Nothing was recorded.</p>"
    head = "<tr><th>Quantity</th><th>Value</th><th>What it means</th></tr>"
    return f"<table><thead>{head}</thead><tbody>{body}</tbody></table>"
