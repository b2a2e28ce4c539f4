"""The page of a search: the answer first, then the film, what it costs to change it, all runs."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

from analysis.common import file_names
from analysis.common.odds import percent
from analysis.design.pictures import design_figures
from analysis.design.record import key_of, shown_of, words_of
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
    table,
)
from analysis.sweeps.keys import SweptKey
from analysis.uncertainty.number_text import NOT_MEASURED

FROM_FILM = "follows from the film"
_KIND = "Report of a search for a film that meets a wish"
_HEADS = {
    "met": "A film was found",
    "out of reach": "No film of these ranges meets the wish",
    "open": "Not decided within the budget",
}
_NOTE = (
    "Expected values are those of theory and all runs together, with bands that hold 90 of 100 "
    "films; measured ones the mean of the runs of this very film."
)
_TRADE = (
    "All curves come from a Gaussian process of what the runs add to theory; far from any run "
    "their bands are those of theory."
)
_HOW = (
    (
        "Theory first",
        "the laws of a check before the run foretell films of all parts of the ranges; what they "
        "give up, with their known bands, is not run.",
    ),
    (
        "Runs where they tell most",
        "each further film is the one with the largest expected gain: the odds that all wishes "
        "hold, times how far it may lie inside them beyond the best film so far.",
    ),
    (
        "Yes",
        "needs the wished odds, and two runs of the very film with seeds of their own.",
    ),
    (
        "No",
        "is said when the odds that any film of the ranges meets all wishes, all films imagined "
        "together, have fallen below half of what the wish leaves open.",
    ),
    (
        "Life",
        "is the law of drift and of weight alone, for chains of the predicted length; nothing of "
        "it is run. A century is the longest that is told: films that last longer have 100 years, "
        "too. Evaporation, chemistry and particles that stick are no part of it.",
    ),
)


def write_design_report(told: dict[str, Any], directory: str | Path) -> Path:
    """Write `design.html`.

    Parameters
    ----------
    told : dict
        Content of design.json.
    directory : str or Path
        Folder of the search; links are relative to it. An older page is replaced as a whole.

    Returns
    -------
    Path
        The page that was written.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    return write_text(Path(directory) / file_names.DESIGN_REPORT, page(told, Path(directory)))


def page(told: dict[str, Any], directory: Path) -> str:
    """Text of the page as HTML, pictures included."""
    reason = told["reason"]
    count = len(told["runs"])
    ran = "1 film was run" if count == 1 else f"{count} films were run"
    passed = f"{_HEADS[told['verdict']]}; {ran}."
    parts = [
        decisive_box(reason, 0, passed) if reason else "",
        section("The film", _film(told) + _wished(told), _NOTE),
        section("What changes buy and cost", figure_blocks(design_figures(told)), _TRADE),
        fold("All films that were run", _runs(told, directory)),
        fold("How the film was looked for", definitions([*_how(told), *_HOW])),
        fold("Before you build it", definitions(CAUTIONS)),
    ]
    return frame(_KIND, told["title"] or told["film"], told["answer"], parts, _about(told))


def _about(told: dict[str, Any]) -> str:
    """Say what was free, and within which ranges."""
    free = []
    for one in told["free"]:
        key, ends = key_of(one), [one["least"], one["most"]]
        free.append(f"{words_of(key.words)} {key.shown(ends[0])} to {key.shown(ends[1])}")
    return f"Free were {', '.join(free)}; all else is as in {told['film']}."


def _film(told: dict[str, Any]) -> str:
    """Table of the settings of the film."""
    units = {one["path"]: one["unit"] for one in told["free"]}
    rows = [
        (SweptKey(path, units[path]).words, str(value), path)
        for path, value in told["settings"].items()
    ]
    return table(["Key", "Value", "In film.toml"], rows)


def _wished(told: dict[str, Any]) -> str:
    """Table of all quantities: wish, expected, measured, odds."""
    shown, rows = shown_of(told), []
    for one in told["quantities"]:
        quantity, measured = shown[one["label"]], one["measured"]
        found = FROM_FILM if quantity.is_known else NOT_MEASURED
        if measured:
            found = quantity.text(measured["value"], measured["error"])
        odds = "" if one["odds"] is None else percent(one["odds"])
        band = quantity.band(one["expected"])
        rows.append((quantity.name, quantity.wish() or "–", odds, band, found))
    return table(["Quantity", "Wished", "Odds", "Expected", "Measured"], rows, "points waves wraps")


def _runs(told: dict[str, Any], directory: Path) -> str:
    """Table of all runs."""
    shown, rows = shown_of(told), []
    keys = [key_of(one) for one in told["free"]]
    for run in told["runs"]:
        state = run["state"] + (f": {run['reason']}" if run["state"] == "failed" else "")
        values = [
            shown[label].text(entry["value"], entry["error"])
            for label, entry in run["values"].items()
        ]
        settings = [key.shown(run["columns"][key.key]) for key in keys]
        rows.append([_linked(run["folder"], directory), *settings, state, *values])
    head = ["Run", *(key.words for key in keys), "State", *(one.name for one in shown.values())]
    return table(head, rows, "points", "No film was run.")


def _linked(folder: str, directory: Path) -> str:
    """Return the folder of a run, as a link where it has a page."""
    place = f"{folder}/{file_names.REPORT}"
    if not (directory / place).is_file():
        return folder
    return Html(f'<a href="{escape(quote(place))}">{escape(folder)}</a>')


def _how(told: dict[str, Any]) -> list[tuple[str, str]]:
    """Say how much theory looked at, and with which fluids."""
    theory = told["theory"]
    words = f"{theory['places']} films foretold; {theory['hopeful']} of them with hope"
    if theory["no_films"]:
        words += f"; {theory['no_films']} places are no film: {theory['reason']}"
    found = [("Looked at", f"{words}.")]
    if theory["fluids"] > 1:
        found.append(
            (
                "The bottle",
                f"{theory['fluids']} equally likely fluids that fit its sheet; odds and bands hold "
                "for a fluid that is any of them.",
            )
        )
    return found
