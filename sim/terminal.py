"""What goes to standard error: notices, one line for an error, and how much of the rest."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Iterable

__all__ = [
    "error_line",
    "line_seconds",
    "notice_lines",
    "printable",
    "progress_line",
    "say_on_terminal",
    "sees_bars",
    "set_loudness",
]

LINE_SECONDS = 60.0
"""Wall time between two lines of progress where there is no terminal."""
VERBOSE_SECONDS = 10.0
"""The same with -v."""

_loudness = {"quiet": False, "verbose": False}


def set_loudness(*, quiet: bool, verbose: bool) -> None:
    """Choose how much of its progress this process tells; errors and notices always are."""
    _loudness.update(quiet=quiet, verbose=verbose)


def line_seconds() -> float | None:
    """Return the wall time in s between two lines of progress; None where none are wanted."""
    if _loudness["quiet"]:
        return None
    return VERBOSE_SECONDS if _loudness["verbose"] else LINE_SECONDS


def sees_bars() -> bool:
    """Whether somebody at a terminal is to see bars."""
    return not _loudness["quiet"] and sys.stderr.isatty()


def printable(text: str) -> str:
    """Return a text whose signs only show: none that moves a cursor, recolours or turns a line.

    A title or path from somewhere else could otherwise write over what stands on the terminal.
    """
    return "".join(
        sign if sign == "\n" or unicodedata.category(sign) not in ("Cc", "Cf", "Zl", "Zp") else "?"
        for sign in text
    )


def notice_lines(notices: Iterable[str]) -> None:
    """Write notices, a line each."""
    for notice in notices:
        sys.stderr.write(f"notice: {printable(notice)}\n")


def error_line(text: str) -> None:
    """Write the one line of an error."""
    sys.stderr.write(f"chainfilm: {printable(text)}\n")


def progress_line(text: str) -> None:
    """Write a line on how far a command is."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def say_on_terminal(text: str) -> None:
    """Write a line where a person may be waiting; into a pipe or file only with -v."""
    if sees_bars() or _loudness["verbose"]:
        progress_line(text)
