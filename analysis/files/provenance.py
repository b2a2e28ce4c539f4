"""What made the files of a folder, told in those that have room for it: pictures, grids, JSON.

Who measures hands over the facts (`signed`); files that are written meanwhile carry them. CSV
tables have no room for them: the JSON file beside each holds them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

_FACTS: ContextVar[dict[str, Any] | None] = ContextVar("provenance", default=None)


@contextmanager
def signed(about: dict[str, Any]) -> Iterator[None]:
    """Let all files that are written meanwhile say what made them.

    Parameters
    ----------
    about : dict
        Plain JSON types: ``program``, ``version``, ``commit``, ``sources``, ``versions``,
        ``processor``, ``cores``, and of the run or film ``seed``, ``run_id``, ``parameters`` (the
        file that holds them). What is left out is not told.
    """
    token = _FACTS.set(about)
    try:
        yield
    finally:
        _FACTS.reset(token)


def facts() -> dict[str, Any]:
    """Return the facts that were handed over; {} where there are none."""
    return dict(_FACTS.get() or {})


def program_text(about: dict[str, Any]) -> str:
    """Return program, version, commit and sources in words, such as "chainfilm 0.1 (commit ab)"."""
    name = " ".join(str(about[key]) for key in ("program", "version") if about.get(key))
    more = [f"{key} {str(about[key])[:12]}" for key in ("commit", "sources") if about.get(key)]
    return f"{name} ({', '.join(more)})" if more else name


def libraries_text(found: dict[str, Any]) -> str:
    """Return names and versions of libraries in words."""
    return ", ".join(f"{name} {number}" for name, number in sorted(found.items()))


def line() -> str:
    """Return the facts in one line, "" where there are none."""
    about = facts()
    parts = [program_text(about)] if about.get("program") else []
    if about.get("seed") is not None:
        parts.append(f"seed {about['seed']}")
    if about.get("run_id"):
        parts.append(f"run {about['run_id']}")
    if about.get("parameters"):
        parts.append(f"parameters in {about['parameters']}")
    if isinstance(about.get("versions"), dict):
        parts.append(libraries_text(about["versions"]))
    if about.get("processor"):
        parts.append(str(about["processor"]))
    return " ".join("; ".join(parts).split())


def comment() -> list[str]:
    """Return the line as an XML comment, none where nothing is known.

    Two hyphens end a comment (XML 1.0, section 2.5).
    """
    text = line()
    while "--" in text:
        text = text.replace("--", "- ")
    return [f"<!-- {text} -->"] if text else []


def picture_metadata(format: str) -> dict[str, str | None]:
    """Return what a picture file says of itself: the line, and no date, so that bytes repeat.

    The names are those of the formats: PNG text chunks, Dublin Core in SVG, the PDF document
    information.
    """
    names = {
        "png": ("Software", "Description", ()),
        "svg": ("Creator", "Description", ("Date",)),
        "pdf": ("Creator", "Subject", ("CreationDate",)),
    }
    program, description, left_out = names[format]
    told: dict[str, str | None] = dict.fromkeys(left_out)
    about, text = facts(), line()
    if format == "png" or about:  # matplotlib puts its own name where nothing is given
        told[program] = program_text(about) or None
    if text:
        told[description] = text
    return told
