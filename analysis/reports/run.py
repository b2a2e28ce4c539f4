"""Writes the report: one page that explains a run to somebody who has not seen one before.

The page holds its pictures inside, needs no network, and reads on a phone, a desk or paper. All
text that comes from files is escaped.
"""

from __future__ import annotations

import math
import os
import tomllib
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common import file_names
from analysis.files.writing import write_text
from analysis.measures.stages import averaged_over
from analysis.pictures import style
from analysis.quantities.all import MEASURED, SIMULATED, quantity
from analysis.quantities.quantity import Quantity
from analysis.reports import details, glossary
from analysis.reports.page import (
    definitions,
    figure_blocks,
    frame,
    section,
    table,
    warning_box,
)
from analysis.reports.provenance import run_rows
from analysis.response.decay_text import DECAY_TIME, decay_time
from analysis.trajectory.run import as_run
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, with_unit

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

_KIND = "Report of a simulated film of magnetic particles"
_QUANTITY_HEAD = ("Quantity", "Value", "What it means")
_OF_STEPS = ("duration_s", "time_step_s", "steps")  # of what happens in time
_UNITS = {"_m": "m", "_s": "s", "_t": "T", "_k": "K"}  # by the endings of keys


def write_report(
    measurement: Measurement,
    run: Run | str | os.PathLike[str],
    directory: str | os.PathLike[str],
) -> Path:
    """Write `report.html` for one run.

    Parameters
    ----------
    measurement : Measurement
        Numbers, curves and last frame.
    run : Run, str or path-like
        The run that was measured: derived numbers, parameter file, versions.
    directory : str or path-like
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
    folder = Path(directory)
    folder.mkdir(parents=True, exist_ok=True)
    return write_text(folder / file_names.REPORT, page(measurement, as_run(run)))


def page(measurement: Measurement, run: Run) -> str:
    """Text of the report as HTML, pictures included."""
    numbers = measurement.numbers
    parts = [
        _warnings(numbers, run),
        section("Pictures", _figures(measurement, run)),
        section(
            "What was measured",
            table(_QUANTITY_HEAD, _measured_rows(numbers, run.is_sampled))
            + details.stages(numbers)
            + details.shape(numbers)
            + details.rules(numbers),
            f"Each number with its standard error. {_basis(run)}",
        ),
        section("What was simulated", table(_QUANTITY_HEAD, _simulated_rows(run))),
        section("Words used here", definitions(glossary.GLOSSARY)),
        section("Before you build it", definitions(_cautions(run))),
        section(
            "Parameter file",
            f"<pre>{escape(run.parameters_text.strip() or 'not recorded in this run')}</pre>",
            "The file that this run was started with. Run it again to get the same film.",
        ),
        section("How this was made", definitions(run_rows(numbers, run))),
    ]
    return frame(_KIND, _title(run), _summary(numbers, run), parts)


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
    over = averaged_over(numbers)
    if changes and over:
        words += f" What follows is for its last stage, averaged over {over}."
    length, singles, apart = (
        quantity(path).text(numbers)
        for path in ("chains.mean_length", "chains.singles_fraction", "spacing.nearest_neighbour_m")
    )
    rest = _at_rest(numbers)
    if length == NOT_MEASURED:
        return words + rest + " No chain length could be measured."
    words += f" A chain holds {_unbroken(length)} particles on average"
    words += (
        "." if singles == NOT_MEASURED else f"; {_unbroken(singles)} of all particles stand alone."
    )
    if apart != NOT_MEASURED:
        words += f" From one chain to the nearest it is {_unbroken(apart)}."
    return words + rest


def _at_rest(numbers: dict[str, Any]) -> str:
    """Say that the film has come to rest, and by what; a film that has not is warned about."""
    found = numbers.get("equilibration")
    if not isinstance(found, dict) or found.get("reached") is not True:
        return ""
    return f" The film is at rest ({found.get('reason')}): these are its properties."


def _cautions(run: Run) -> list[tuple[str, str]]:
    """Return what to think of before building; nothing on times of a run that has none."""
    left_out = glossary.TIMES if run.is_sampled else ""
    return [(name, words) for name, words in glossary.CAUTIONS if name != left_out]


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
        first.append(glossary.UNFINISHED_NOTE.format(reason=reason))
    if style.provisional_text(run):
        reach = with_unit(as_float(run.derived.get("cutoff_m")), "m")
        reach = "a short range" if reach == NOT_MEASURED else reach
        first.append(glossary.CUT_OFF_NOTE.format(range=reach))
        given = [note for note in given if "dipole forces were cut off" not in note]
    equilibration = numbers.get("equilibration")
    at_rest = not isinstance(equilibration, dict) or equilibration.get("reached") is not False
    if not at_rest and "equilibration" not in told:
        time = with_unit(as_float(run.derived.get("duration_s")), "s")
        time = "the simulated time" if time == NOT_MEASURED else time
        first.append(glossary.NOT_AT_REST_NOTE.format(time=time))
    if "file" not in told:
        first += [str(note) for note in run.notices]
    for note in given:
        weighty = note.partition(":")[0] in ("run", "file", "equilibration")
        (first if weighty else rest).append(_named(note))
    return warning_box(first + rest, "All checks of this run passed.")


def _named(note: str) -> str:
    """Begin a warning with the name of what it is about instead of its key in measures.json."""
    key, colon, words = note.partition(":")
    for one in MEASURED:
        if colon and key == one.path:
            return f"{one.name}:{words}"
    section, dot, rest = key.partition(".")
    if colon and dot and section.isidentifier() and rest.isidentifier():
        return f"{_plain_name(rest)}:{words}"
    return note[:1].upper() + note[1:] if colon and key.isidentifier() else note


def _figures(measurement: Measurement, run: Run) -> str:
    """All pictures of the report, drawn afresh and put into the page."""
    from analysis.pictures.all import figures_of

    return figure_blocks(figures_of(measurement), measurement, run)


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


def _measured_rows(numbers: dict[str, Any], sampled: bool) -> Iterable[tuple[str, str, str]]:
    """Rows of the measured numbers that the run can have, and of further ones with a value.

    A sampled run has none that are, or hang on, times.
    """
    for one in (*MEASURED, *_undeclared(numbers)):
        if one.page not in ("main", "further") or one.entry(numbers) is None:
            continue
        text = one.text(numbers)
        if one.key.endswith(DECAY_TIME):  # bounds where there is no time
            text = decay_time(numbers, one.key.removesuffix(DECAY_TIME))
        timed = one.unit == "s" or one.section in ("relaxation", "way_to_rest")
        if text != NOT_MEASURED or (one.page == "main" and not (sampled and timed)):
            yield one.name, text, one.explained(numbers)


def _undeclared(numbers: dict[str, Any]) -> Iterable[Quantity]:
    """Measured numbers of sections that were handed to ``analysis.measure``, named by their key."""
    known = {one.path for one in MEASURED}
    for section_name, block in numbers.items():
        for key, entry in block.items() if isinstance(block, dict) else ():
            path = f"{section_name}.{key}"
            if path not in known and isinstance(entry, dict) and "value" in entry:
                unit = next((unit for end, unit in _UNITS.items() if key.endswith(end)), "")
                meaning = f"{path} in measures.json"
                yield Quantity(path, unit, _plain_name(key), meaning, page="further")


def _simulated_rows(run: Run) -> list[tuple[str, str, str]]:
    """Rows of what was simulated, from the derived numbers of the run."""
    derived = {"derived": run.derived}
    rows = [
        (one.name, one.text(derived), one.meaning)
        for one in SIMULATED
        if one.key in run.derived and not (run.is_sampled and one.key in _OF_STEPS)
    ]
    if run.is_sampled:
        sweeps = str(int(run.steps[-1]))
        rows.append(("Sweeps", sweeps, "made; each tries to move every particle once on average."))
    low, middle, high = (
        as_float(run.derived.get(f"predicted_mean_length{end}")) for end in ("_low", "", "_high")
    )
    if math.isfinite(middle):
        band = f" ({low:.3g} to {high:.3g})" if math.isfinite(low) and math.isfinite(high) else ""
        rows.append(
            ("Mean chain length to expect", f"{middle:.3g}{band}", glossary.EXPECTED_LENGTH)
        )
    sides = " × ".join(with_unit(float(side), "m") for side in (*run.sides, run.thickness))
    rows.append(("Patch", sides, "length, width and thickness of the film that was followed."))
    return rows


def _plain_name(key: str) -> str:
    """Turn a key into words: `free_width_m` reads "Free width"."""
    for ending in _UNITS:
        key = key.removesuffix(ending)
    return key.replace("_", " ").capitalize()
