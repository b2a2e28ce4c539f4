"""Warnings of a run by their weight: the one that decides first, the others after it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from analysis.pictures import style
from analysis.quantities.all import MEASURED
from analysis.quantities.light import OF_LIGHT
from analysis.reports import glossary
from analysis.uncertainty.number_text import NOT_MEASURED, as_float, with_unit

if TYPE_CHECKING:
    from analysis.trajectory.run import Run

DECISIVE = (
    ("equilibration:", "The film had not come to rest"),
    ("run:", "The run did not reach"),
    ("chains: the patch is", "Provisional:"),
    ("spacing: the patch holds",),
    ("spacing.structure_factor_m:",),
    ("file:",),
)
"""How warnings begin that decide whether numbers can be used, the weightiest first: not at rest,
ended early, patch or range too small, no peak, a file that says too little."""
_NAMES = {one.path: one for one in (*MEASURED, *OF_LIGHT.values())}
_SECTIONS = "|".join(sorted({one.section for one in _NAMES.values()}))
_KEY = re.compile(rf"\b(?:{_SECTIONS})(?:\.(?!csv\b|json\b|h5\b)[a-z_0-9]+)+")
"""A key of measures.json or handoff.json inside a sentence; names of files are none."""
_TWICE = re.compile(r"\b(\w[\w ]*) \(\1\)")
_WEIGHTY = ("run", "file", "equilibration")
_UNITS = ("_m", "_s", "_t", "_k", "_deg")


def notes_of(numbers: dict[str, Any], run: Run) -> tuple[list[str], list[str]]:
    """Return all that must be known before a number is trusted: as measured, and as told.

    Parameters
    ----------
    numbers : dict
        Content of measures.json.
    run : Run
        The run.

    Returns
    -------
    given, told : lists of str
        The same notes in the same order, weighty ones first; ``told`` begins with the names of
        numbers where ``given`` has their keys.
    """
    given = [str(note) for note in numbers.get("warnings") or ()]
    told = {note.partition(":")[0] for note in given}  # such as "equilibration"
    first: list[str] = []
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
    weighty = [note for note in given if note.partition(":")[0] in _WEIGHTY]
    notes = [*first, *weighty, *(note for note in given if note not in weighty)]
    return notes, [_named(note) for note in notes]


def decisive(given: list[str], told: list[str]) -> str:
    """Return the weightiest note of those that decide, empty where none does."""
    for starts in DECISIVE:
        for note, words in zip(given, told, strict=True):
            if note.startswith(starts):
                return words
    return ""


def _named(note: str) -> str:
    """Tell a warning with names instead of keys of measures.json."""
    key, colon, words = note.partition(":")
    # A sentence that names a number and gives its key behind it would name it twice.
    words = _TWICE.sub(r"\1", _KEY.sub(_name_of, words))
    first, *others = key.split(", ")
    if colon and first in _NAMES and all(other in _NAMES for other in others):
        names = [_NAMES[first].name, *(_NAMES[other].label for other in others)]
        return f"{', '.join(names)}:{words}"
    section, dot, rest = key.partition(".")
    if colon and dot and section.isidentifier() and rest.isidentifier():
        return f"{plain_name(rest)}:{words}"
    return f"{plain_name(key)}:{words}" if colon and key.isidentifier() else note


def _name_of(found: re.Match[str]) -> str:
    """Return the name of a key inside a sentence."""
    key = found.group()
    return _NAMES[key].label if key in _NAMES else plain_name(key.rpartition(".")[2]).lower()


def plain_name(key: str) -> str:
    """Turn a key into words: `free_width_m` reads "Free width"."""
    for ending in _UNITS:
        key = key.removesuffix(ending)
    return key.replace("_", " ").capitalize()
