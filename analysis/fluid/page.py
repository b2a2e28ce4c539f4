"""Writes the page of a bottle: what its sheet tells of the particles, and what it cannot tell."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common import file_names
from analysis.files.provenance import facts, libraries_text, program_text
from analysis.files.writing import write_text
from analysis.fluid.figures import FIGURES
from analysis.reports.page import (
    Traced,
    decisive_box,
    definitions,
    figure_blocks,
    fold,
    frame,
    numbers_block,
    section,
    table,
    trace_fold,
    warning_list,
)
from analysis.uncertainty.number_text import with_error, with_unit

if TYPE_CHECKING:
    from analysis.fluid.bottle import Bottle

MEANINGS = {
    "magnetic_fraction": "share of the fluid's volume that is magnetic: cores without dead layers",
    "core_diameter_m": "median by number of the core diameter, dead layer included",
    "size_spread": "standard deviation of ln(core diameter)",
    "dead_layer_m": "non-magnetic skin of the cores",
    "shell_thickness_m": "what moves with a core: surfactant and the liquid that it holds",
    "core_fraction": "share of the fluid's volume that is core, dead layers included",
    "whole_fraction": "share of the fluid's volume that is particle, shells included",
    "coupling": "of two median particles that touch: half of what binds them, in kT",
    "coupling_by_volume": "the same of particles of the median by volume, on which chains depend",
}
"""What each number is, by its key in fluid.json."""

METHOD = (
    ("All at once", "All numbers, curve and spectrum of the sheet are laid beside what a fluid "
     "would show. Fluids are drawn as often as they are likely: 95 of 100 intervals hold the truth "
     "if the errors of the sheet are right and its cores follow a log-normal law."),
    ("Magnetisation", "Langevin's law over all sizes, in the field that neighbours change, to "
     "second order (Ivanov and Kuznetsova, Phys. Rev. E 64, 041405 (2001)); up to couplings of "
     "about 2."),
    ("Ends of the curve", "Median and spread from initial slope and approach to saturation alone "
     "(Chantrell, Popplewell and Charles, IEEE Trans. Magn. 14, 975 (1978)), for comparison."),
    ("Viscosity", "gives the fraction of whole particles, by the law that the sheet names, and so "
     "the shell; density gives that of the cores, and so the dead layer."),
)  # fmt: skip
"""How the numbers are found."""


def write_page(bottle: Bottle, directory: Path) -> Path:
    """Write fluid.html.

    Parameters
    ----------
    bottle : Bottle
        What is shown.
    directory : Path
        An existing folder.
    """
    content = bottle.content
    notes = [*content["untold"], *content["cautions"]]
    wanted = {name: one for name, one in FIGURES.items() if one.wanted(bottle)}
    chief = [_traced(key, one) for key, one in content["numbers"].items() if key in MEANINGS]
    sheet = [(_words(name), one["sheet"], _fitted(one)) for name, one in content["data"].items()]
    parts = [
        decisive_box(
            notes[0] if notes else "", max(len(notes) - 1, 0),
            "The sheet tells all unknowns apart.",
        ),
        numbers_block(chief),
        section("Figures", figure_blocks(wanted, bottle)),
        section("Sheet and best fit", table(("On the sheet", "Says", "Best fit"), sheet)),
        warning_list(notes),
        fold("Tables for a film", f"<pre>{escape(bottle.film)}</pre>",
             f"The middle one of the fluids that fit; those of {bottle.ensemble} show how far they "
             "differ."),
        fold("All numbers", table(("Number", "Value", "95 % interval"), _rows(content))),
        fold("What was possible before the sheet was read", _listed(content["priors"]),
             "Within each range all values are equally likely."),
        fold("What was assumed", _listed(content["assumptions"])),
        trace_fold(
            chief, file_names.FLUID,
            "Each is the mean of all fluids that fit, and its error their standard deviation.",
        ),
        fold("How it is found", definitions(METHOD)),
        fold("How it was made", definitions(_made())),
    ]  # fmt: skip
    page = frame(
        "From the bottle to the film", content["title"] or "Bottle", _summary(content), parts
    )
    return write_text(directory / file_names.FLUID_REPORT, page)


def _summary(content: dict[str, Any]) -> str:
    """Answer in a sentence."""
    numbers = content["numbers"]
    core, spread, cores = (
        value_text(key, numbers[key]) for key in ("core_diameter_m", "size_spread", "core_fraction")
    )
    return (
        f"Cores of {core} (median), spread {spread}, fill {cores} of the fluid; films of "
        f"{content['members']} fluids that fit show what the sheet leaves open."
    )


def _unit(key: str) -> str:
    return "%" if key.endswith("_fraction") else ""


def value_text(key: str, entry: dict[str, Any]) -> str:
    """Give a number of fluid.json with its error; `key` tells its unit."""
    if key.endswith(("_a_per_m", "_kg_per_m3", "_pa_s")):
        return f"{entry['value']:.4g} ± {entry['error']:.2g}"
    if key.endswith("_m"):  # all lengths of particles in one unit
        return f"{with_error(1e9 * entry['value'], 1e9 * entry['error'])} nm"
    return with_error(entry["value"], entry["error"], _unit(key))


def interval_text(key: str, entry: dict[str, Any]) -> str:
    """Give the 95 % interval of a number of fluid.json."""
    low, high = (_value(key, end) for end in entry["interval_95"])
    return f"{low} to {high}"


def _value(key: str, value: float) -> str:
    return f"{with_unit(1e9 * value)} nm" if key.endswith("_m") else with_unit(value, _unit(key))


def _traced(key: str, entry: dict[str, Any]) -> Traced:
    return Traced(
        f"numbers.{key}", _headed(entry["name"]), value_text(key, entry), MEANINGS[key],
        interval=interval_text(key, entry),
    )  # fmt: skip


def _rows(content: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    for key, entry in content["numbers"].items():
        yield _headed(entry["name"]), value_text(key, entry), interval_text(key, entry)
    ends = content["ends_of_curve"] or {}
    for key, words in (
        ("core_diameter_with_mean_dead_layer_m", "median core, from the ends of the curve alone"),
        ("size_spread", "spread, from the ends of the curve alone"),
    ):
        if key in ends and ends["size_spread"] > 0.0:
            yield _headed(words), _value(key, ends[key]), ""


def _words(name: str) -> str:
    return _headed(name.replace("_", " "))


def _headed(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}"


def _fitted(one: dict[str, Any]) -> str:
    return f"{one['best_fit']} ({round(one['deviation_in_errors'], 1) + 0.0:+.1f} errors)"


def _listed(sentences: list[str]) -> str:
    rows = "".join(f"<li>{escape(one)}</li>" for one in sentences)
    return f'<ul class="notes">{rows}</ul>' if rows else ""


def _made() -> list[tuple[str, str]]:
    found = facts()
    rows = [("Program", program_text(found) or "not recorded")]
    if isinstance(found.get("versions"), dict):
        rows.append(("Libraries", libraries_text(found["versions"])))
    return rows
