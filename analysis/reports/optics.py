"""Writes the page of optics of a run: what light makes of the film, in the terms of optics.

Its numbers are those of handoff.json beside it; like the page of the run it holds its pictures
inside and needs no network.
"""

from __future__ import annotations

import json
import math
from html import escape
from typing import TYPE_CHECKING, Any

from analysis.common import file_names
from analysis.files.writing import write_text
from analysis.pictures.film import film_views
from analysis.pictures.light import far_field, optical_response, optical_thickness
from analysis.quantities.light import LIGHT, OF_LIGHT, RESPONSE
from analysis.quantities.quantity import Quantity
from analysis.reports.cautions import decisive, notes_of
from analysis.reports.page import (
    Cell,
    Traced,
    decisive_box,
    definitions,
    figure_blocks,
    fold,
    frame,
    table,
    trace,
    trace_fold,
    warning_list,
)
from analysis.reports.provenance import run_rows
from analysis.reports.run import title_of
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, with_error, with_unit

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

_KIND = "Optics of a simulated film of magnetic particles"
HEAD = (
    "birefringence", "retardance_m", "n_along", "n_across", "dichroism", "direct_share",
    "scattered_share", "absorbed_share",
)  # fmt: skip
"""The eight numbers at the head of the page."""
SHARES = ("direct_share", "scattered_share", "wide_share", "trapped_share", "absorbed_share")
ANGLES = ("scatter_angle_deg", "scatter_across_deg")
_NO_ANGLE = "This patch sends no light out of the beam whose angle could be told."
ORDER = ("first_order_angle_deg", "first_order_spread_deg")
LEFT_OUT = (
    ("Reflections", "at windows and film; a bare face of glass in air takes about 4 % (Fresnel)."),
    (
        "Light scattered back",
        "single particles far smaller than the wavelength send as much back as forward (Rayleigh); "
        "the screen has forward light only.",
    ),
    ("Light scattered twice", "and what a thick film does as a volume grating."),
)
"""What the sum of the shares does not know."""


def write_optics_report(
    measurement: Measurement, run: Run, directory: Path, drawn: Sequence[Path] = ()
) -> Path | None:
    """Write ``optics_report.html`` from the hand-off in a folder.

    Parameters
    ----------
    measurement : Measurement
        Numbers and curves, light included.
    run : Run
        The run that was measured.
    directory : Path
        The folder, with handoff.json.
    drawn : sequence of Path
        Pictures of this measurement that `draw_all` wrote as png; they are not drawn again.

    Returns
    -------
    Path or None
        The page; None, and no page of an earlier measurement, where light failed.
    """
    place, path = directory / file_names.HANDOFF, directory / file_names.OPTICS_REPORT
    if not place.is_file():
        path.unlink(missing_ok=True)
        return None
    content = json.loads(place.read_text(encoding="utf-8"))
    return write_text(path, page(content, measurement, run, drawn))


def page(
    content: dict[str, Any], measurement: Measurement, run: Run, drawn: Sequence[Path] = ()
) -> str:
    """Text of the page as HTML, pictures included; ``content`` is that of handoff.json."""
    light, numbers = content["light"], measurement.numbers
    given, told = notes_of(numbers, run)
    verdict = decisive(given, told)
    shown, angles, answers = (
        _pictures(measurement, run, drawn, *figures)
        for figures in ((optical_thickness,), (far_field,), (optical_response,))
    )
    parts = [
        decisive_box(verdict, len(told) - bool(verdict), "All checks of this run passed."),
        _by_wavelength(light, HEAD),
        f'<p class="quiet">{_CORES_EXACT}</p>',
        shown or figure_blocks({film_views.name: film_views}, measurement, run, drawn=drawn),
        f'<p><a href="{file_names.REPORT}">The chains of this film</a> have a page of their own.'
        "</p>",
        warning_list(told),
        fold("Where the light goes", _budget(light)),
        fold(
            "At which angles",
            _grating(light) + _by_wavelength(light, ANGLES, _NO_ANGLE) + angles,
        ),
        fold(
            "How fast it answers", _response(content["response"]) + answers,
            "From 10 to 90 % of the change after the field is switched, with the band that holds "
            "the true time in about 68 of 100 cases.",
        ),
        fold("Laws of mixing compared", _laws(light), _LAWS_NOTE),
        fold("Index of the cores", _core_tables(content), _TABLES_NOTE),
        fold("Every number of light", _by_wavelength(light, _ALL)),
        trace_fold(_all_traced(content), file_names.HANDOFF),
        fold("What the numbers hold for", definitions(LEFT_OUT) + _items(content["limits"])),
        fold("How this was made", definitions(run_rows(numbers, run))),
    ]  # fmt: skip
    return frame(_KIND, title_of(run), answer(content), parts, _about(content))


_ALL = tuple(one.key for one in LIGHT)
_CORES_EXACT = (
    "The index of the cores counts as exact in these errors; what other published ones would give "
    "stands under Index of the cores."
)
_LAWS_NOTE = (
    "The numbers above follow Maxwell Garnett for straight chains. The coupled dipoles know where "
    "every particle is: where they agree, the law holds for this film; where they do not, chains "
    "are bent or lie close, and the distance is in the errors above."
)
_TABLES_NOTE = (
    "What the film would do with each published index of its cores. Their absorption differs "
    "several fold: where it matters, measure it and give core_index in the table [optics] of the "
    "parameter file, or choose a table by core_table."
)


def answer(content: dict[str, Any]) -> str:
    """Say in one sentence what light makes of the film, at the first wavelength."""
    light = content["light"][0]
    at = with_unit(as_float(light["wavelength_m"]["value"]), "m")
    if "n_along" not in light:
        return f"At {at} nothing can be told: {content['optics']['core_index']['source']}."
    direct, absorbed = (
        with_unit(as_float(light[key]["value"]), "%") for key in ("direct_share", "absorbed_share")
    )
    delay = _told(OF_LIGHT["retardance_m"], light.get("retardance_m"))
    words = f"At {at} the film passes {direct} of the light straight on and absorbs {absorbed}"
    words += _by_other_tables(light)
    if delay != NOT_MEASURED:
        words += f"; it delays light polarised along its chains by {delay}"
    if "first_order_angle_deg" in light:
        angle = _told(OF_LIGHT["first_order_angle_deg"], light["first_order_angle_deg"])
        return f"{words}, and diffracts the rest to {angle}."
    return f"{words}; it is no grating at this wavelength."


def _by_other_tables(light: dict[str, Any]) -> str:
    """Say how much the other published tables would absorb, as their k differ several fold."""
    others = [
        1 - as_float(row["transmittance"])
        for row in light.get("core_tables", ())
        if not row["chosen"] and math.isfinite(as_float(row["transmittance"]))
    ]
    if not others:
        return ""
    low, high = (with_unit(end, "%", 2) for end in (min(others), max(others)))
    span = low if low == high else f"{low.removesuffix(' %')} to {high}"
    return f" ({span} by other published indices of its cores)"


def _about(content: dict[str, Any]) -> str:
    """Say what film this is and which index of the cores was taken."""
    film = content["film"]
    thickness = with_unit(as_float(film["thickness_m"]["value"]), "m")
    share = with_unit(as_float(film["volume_fraction"]["value"]), "%")
    return (
        f"A film {thickness} thick with {share} of particles, looked through along its normal. "
        f"Index of the cores: {content['optics']['core_index']['source']}."
    )


def _told(one: Quantity, entry: Any) -> str:
    """Return an entry of the hand-off for a reader."""
    if not isinstance(entry, dict):
        return NOT_MEASURED
    if entry.get("value") is None:
        for key, words in (("longer_than_s", "longer than"), ("shorter_than_s", "shorter than")):
            if math.isfinite(as_float(entry.get(key))):
                return f"{words} {with_unit(as_float(entry[key]), one.unit, 2)}"
    value, error = as_float(entry.get("value")), as_float(entry.get("error"))
    if one.computed:
        return with_unit(value, one.unit, 5)
    return one.told(entry) if "interval_68" in entry else with_error(value, error, one.unit)


def _traced(one: Quantity, entry: Any, at: str = "") -> Traced:
    """Return a number of light with what stands behind it."""
    known = entry if isinstance(entry, dict) else {}
    samples = as_float(known.get("samples"))
    key = f"{one.path}{f' ({at})' if at else ''}"
    name = f"{one.name}{f', {at}' if at else ''}"
    counted = f"{samples:.3g}" if math.isfinite(samples) and samples > 0 else ""
    return Traced(key, name, _told(one, entry), one.definition, counted)


def _at(light: dict[str, Any]) -> str:
    return with_unit(as_float(light["wavelength_m"]["value"]), "m")


def _all_traced(content: dict[str, Any]) -> list[Traced]:
    """Return every number of the page."""
    found = [
        _traced(one, light.get(one.key), _at(light)) for one in LIGHT for light in content["light"]
    ]
    found += [_traced(one, content["response"].get(one.key)) for one in RESPONSE]
    return [one for one in found if one.text != NOT_MEASURED]


def _by_wavelength(
    light: list[dict[str, Any]],
    keys: Iterable[str],
    without: str = "No index of the film is known.",
) -> str:
    """Return a table of some numbers, a column a wavelength; the text where there are none."""
    rows: list[list[Cell]] = []
    for one in (OF_LIGHT[key] for key in keys):
        cells: list[Cell] = [trace(_traced(one, each.get(one.key), _at(each))) for each in light]
        if any(cell != NOT_MEASURED for cell in cells):
            rows.append([one.name, *cells])
    head = ["Quantity", *(f"at {_at(each)}" for each in light)]
    return table(head, rows, "points waves", without)


def _budget(light: list[dict[str, Any]]) -> str:
    """Return where the light goes, with the sum and what it leaves out."""
    if "absorbed_share" not in light[0]:
        return ""
    sums = [
        with_unit(sum(as_float(each[key]["value"]) for key in SHARES), "%", 6) for each in light
    ]
    body = _by_wavelength(light, SHARES)
    last = "".join(f"<td>{cell}</td>" for cell in sums)
    body = body.replace("</tbody>", f'<tr><th scope="row">Sum</th>{last}</tr></tbody>')
    return body + "<h3>What the sum leaves out</h3>" + definitions(LEFT_OUT)


def _grating(light: list[dict[str, Any]]) -> str:
    """Say whether the film is a grating: an order and its angle, or why there is none."""
    told = [
        (_at(each), each.get("diffraction_reason", "an order leaves the film")) for each in light
    ]
    orders = _by_wavelength(light, ORDER) if any(ORDER[0] in each for each in light) else ""
    return f"<h3>As a grating</h3>{orders}{definitions(told)}<h3>Scattered light</h3>"


def _response(response: dict[str, Any]) -> str:
    """Return the response times, with the reason where there is none."""
    rows = []
    for one in RESPONSE:
        entry = response[one.key]
        rows.append((one.name, trace(_traced(one, entry)), entry.get("reason") or one.meaning))
    return table(("Quantity", "10 to 90 %", "What it means"), rows)


def _laws(light: list[dict[str, Any]]) -> str:
    """Return what each law of mixing says at each wavelength, and where it holds."""
    head = ("Law", "Along", "Across", "Birefringence", "Dichroism")
    out = ""
    for each in light:
        rows = [
            (
                law["law"],
                *(_index(law[f"n_{way}"], law[f"k_{way}"]) for way in ("along", "across")),
                with_error(as_float(law["birefringence"]), spread)
                if math.isfinite(spread := as_float(law["birefringence_between_frames"]))
                else with_unit(as_float(law["birefringence"])),
                with_unit(as_float(law["dichroism"])),
            )
            for law in each.get("laws", ())
        ]
        if rows:
            out += f"<h3>{_at(each)}</h3>{table(head, rows, 'points')}"
    holds = [(law["law"], law["holds"]) for law in light[0].get("laws", ())]
    return out and f"{out}<h3>Where each holds</h3>{definitions(holds)}"


def _index(n: Any, k: Any) -> str:
    return f"{as_float(n):.5f} + {as_float(k):.5f} i"


def _core_tables(content: dict[str, Any]) -> str:
    """Return what each published table of the cores would give."""
    head = ("Table", "n + ik of the cores", "Passed without chains", "Birefringence", "Dichroism")
    out = ""
    for each in content["light"]:
        rows = [
            (
                _table_name(row),
                _index(row["n"], row["k"]),
                with_unit(as_float(row["transmittance"]), "%", 4),
                with_unit(as_float(row["birefringence"])),
                with_unit(as_float(row["dichroism"])),
            )
            for row in each.get("core_tables", ())
        ]
        if rows:
            out += f"<h3>{_at(each)}</h3>{table(head, rows, 'points')}"
    sources = [
        (_table_name(row), row["source"]) for row in content["light"][0].get("core_tables", ())
    ]
    return out and f"{out}<h3>Sources</h3>{definitions(sources)}"


def _table_name(row: dict[str, Any]) -> str:
    return (row["table"] or "given in the file") + (" (chosen)" if row["chosen"] else "")


def _items(texts: list[str]) -> str:
    """Return texts as a list."""
    return f'<ul class="notes">{"".join(f"<li>{escape(text)}</li>" for text in texts)}</ul>'


def _pictures(measurement: Measurement, run: Run, drawn: Sequence[Path], *figures: Any) -> str:
    """Return those of the figures that this measurement has, drawn."""
    wanted = {one.name: one for one in figures if one.wanted(measurement)}
    return figure_blocks(wanted, measurement, run, drawn=drawn) if wanted else ""
