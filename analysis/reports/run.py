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
from analysis.optics.curves import FarField
from analysis.quantities.all import MEASURED, SIMULATED, quantity, shown
from analysis.quantities.quantity import Quantity
from analysis.reports import details, glossary
from analysis.reports.cautions import decisive, notes_of, plain_name
from analysis.reports.page import (
    Traced,
    decisive_box,
    definitions,
    figure_blocks,
    fold,
    frame,
    numbers_block,
    table,
    trace,
    trace_fold,
    warning_list,
)
from analysis.reports.provenance import run_rows
from analysis.response.decay_text import DECAY_TIME, decay_time
from analysis.response.with_flow import has_flow
from analysis.trajectory.run import as_run
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, with_unit

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

_KIND = "Report of a simulated film of magnetic particles"
_HEADLINES = tuple(one.path for one in shown("screen"))
"""The few numbers that stand at the head of the page."""
_FILM = ("film_views",)
_QUANTITY_HEAD = ("Quantity", "Value", "What it means")
_OF_STEPS = ("duration_s", "time_step_s", "steps")  # of what happens in time
_UNITS = {"_m": "m", "_s": "s", "_t": "T", "_k": "K"}  # by the endings of keys


def write_report(
    measurement: Measurement,
    run: Run | str | os.PathLike[str],
    directory: str | os.PathLike[str],
    drawn: Sequence[Path] = (),
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
    drawn : sequence of Path
        Pictures of this measurement that `draw_all` wrote as png; they are not drawn again.

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
    return write_text(folder / file_names.REPORT, page(measurement, as_run(run), drawn))


def page(measurement: Measurement, run: Run, drawn: Sequence[Path] = ()) -> str:
    """Text of the report as HTML, pictures included."""
    numbers = measurement.numbers
    given, told = notes_of(numbers, run)
    verdict = decisive(given, told)
    picture, others = _figures(measurement, run, drawn)
    traced = list(_traced(numbers, run.is_sampled))
    parts = [
        decisive_box(verdict, len(told) - bool(verdict), "All checks of this run passed."),
        numbers_block(one for one in traced if one.key in _HEADLINES),
        picture,
        _to_optics(measurement),
        warning_list(told),
        fold(
            "What was measured",
            table(_QUANTITY_HEAD, _measured_rows(numbers, traced))
            + details.stages(numbers)
            + details.shape(numbers)
            + details.rules(numbers),
            f"Each number with its standard error. {_basis(run)}",
        ),
        fold("Further pictures", others),
        fold("What was simulated", table(_QUANTITY_HEAD, _simulated_rows(run))),
        trace_fold(traced, file_names.MEASURES),
        fold("Words used here", definitions(glossary.GLOSSARY)),
        fold("Before you build it", definitions(cautions_of(run))),
        fold(
            "Parameter file",
            f"<pre>{escape(run.parameters_text.strip() or 'not recorded in this run')}</pre>",
            "The file that this run was started with. Run it again to get the same film.",
        ),
        fold("How this was made", definitions(run_rows(numbers, run))),
    ]
    return frame(_KIND, title_of(run), answer(numbers), parts, _circumstances(numbers, run))


def title_of(run: Run) -> str:
    """Title from the parameter file, or a plain one."""
    try:
        title = tomllib.loads(run.parameters_text).get("title")
    except tomllib.TOMLDecodeError:
        title = None
    return title if isinstance(title, str) and title.strip() else "Chains in a film"


def answer(numbers: dict[str, Any]) -> str:
    """Say in one sentence what came out."""
    length, singles, apart = (
        quantity(path).text(numbers)
        for path in ("chains.mean_length", "chains.singles_fraction", "spacing.nearest_neighbour_m")
    )
    condensed = numbers.get("equilibration", {}).get("condensed")
    if condensed:
        return f"{condensed[:1].upper()}{condensed[1:]}."
    if length == NOT_MEASURED:
        return "No chain length could be measured."
    words = [f"a chain holds {_unbroken(length)} particles on average"]
    if singles != NOT_MEASURED:
        words.append(f"{_unbroken(singles)} of all particles stand alone")
    if apart != NOT_MEASURED:
        words.append(f"from one chain to the nearest it is {_unbroken(apart)}")
    found = "; ".join(words)
    return f"{found[:1].upper()}{found[1:]}."


def _circumstances(numbers: dict[str, Any], run: Run) -> str:
    """Say in a few sentences what was done, and by what the film is at rest."""
    diameter = with_unit(as_float(run.derived.get("median_diameter_m")), "m")
    time = with_unit(as_float(run.derived.get("duration_s")), "s")
    field = with_unit(as_float(run.derived.get("largest_field_t")), "T")
    thickness = with_unit(float(run.thickness), "m")
    size = "" if diameter == NOT_MEASURED else f" of {diameter} diameter"
    words = f"{run.held} magnetic particles{size} in a film {thickness} thick"
    words += "" if time == NOT_MEASURED else f", followed for {time}"
    stages = numbers.get("stages")
    changes = isinstance(stages, list) and len(stages) > 1
    upto = "up to " if changes else ""
    words += "." if field == NOT_MEASURED else f" in a field of {upto}{field}."
    over = averaged_over(numbers)
    if changes and over:
        words += f" The numbers are for its last stage, averaged over {over}."
    return words + _at_rest(numbers)


def _at_rest(numbers: dict[str, Any]) -> str:
    """Say that the film has come to rest, and by what; a film that has not is warned about."""
    found = numbers.get("equilibration")
    if not isinstance(found, dict) or found.get("reached") is not True:
        return ""
    return f" The film is at rest ({found.get('reason')}): these are its properties."


def cautions_of(run: Run) -> list[tuple[str, str]]:
    """Return what to think of before building; nothing on times of a run that has none."""
    told = dict(glossary.CAUTIONS)
    if run.is_sampled:
        del told[glossary.TIMES]
    elif has_flow(run):
        told[glossary.TIMES] = glossary.TIMES_WITH_FLOW
    return list(told.items())


def _unbroken(text: str) -> str:
    """Keep a number, its error and its unit on one line."""
    return text.replace(" ", "\u00a0")


def _figures(measurement: Measurement, run: Run, drawn: Sequence[Path]) -> tuple[str, str]:
    """Return the film's picture and all others, put into the page."""
    from analysis.pictures.all import figures_of

    found = figures_of(measurement)
    film = {name: found.pop(name) for name in _FILM if name in found}
    blocks = (figure_blocks(some, measurement, run, drawn=drawn) for some in (film, found))
    return tuple(blocks)  # type: ignore[return-value]


def _to_optics(measurement: Measurement) -> str:
    """Return the link to the page of optics, where there is one beside this page."""
    if not FarField.among(measurement.curves).wavelengths:
        return ""
    return (
        f'<p><a href="{file_names.OPTICS_REPORT}">What light makes of this film</a>: indices, '
        "birefringence, where the light goes, response.</p>"
    )


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


def _traced(numbers: dict[str, Any], sampled: bool) -> Iterable[Traced]:
    """Measured numbers that the run can have, and further ones with a value.

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
            yield traced_of(one, one.entry(numbers), text)


def traced_of(one: Quantity, entry: Any, text: str) -> Traced:
    """Return a quantity with what stands behind its value."""
    known = entry if isinstance(entry, dict) else {}
    samples = as_float(known.get("samples"))
    ends = known.get("interval_95")
    between = " to ".join(with_unit(as_float(end), one.unit, 4) for end in ends) if ends else ""
    counted = f"{samples:.3g}" if math.isfinite(samples) else ""
    return Traced(one.path, one.name, text, one.definition, counted, between)


def _measured_rows(
    numbers: dict[str, Any], traced: Iterable[Traced]
) -> Iterable[tuple[str, str, str]]:
    """Rows of the measured numbers: name, value, meaning."""
    explained = {one.path: one.explained(numbers) for one in (*MEASURED, *_undeclared(numbers))}
    return [(one.name, trace(one), explained[one.key]) for one in traced]


def _undeclared(numbers: dict[str, Any]) -> Iterable[Quantity]:
    """Measured numbers of sections that were handed to ``analysis.measure``, named by their key."""
    known = {one.path for one in MEASURED}
    for section_name, block in numbers.items():
        for key, entry in block.items() if isinstance(block, dict) else ():
            path = f"{section_name}.{key}"
            if path not in known and isinstance(entry, dict) and "value" in entry:
                unit = next((unit for end, unit in _UNITS.items() if key.endswith(end)), "")
                meaning = f"measured beside the numbers of this program ({section_name})."
                yield Quantity(path, unit, plain_name(key), meaning, page="further")


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
