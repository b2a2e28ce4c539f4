"""What goes to a person: notices, one line for an error, results, and how much of the rest."""

from __future__ import annotations

import contextlib
import os
import sys
import unicodedata
from collections.abc import Iterable
from typing import TextIO

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


def say(text: str) -> None:
    """Write results to standard output, as signs that only show."""
    sys.stdout.write(f"{printable(text)}\n")


def notice_lines(notices: Iterable[str]) -> None:
    """Write notices, a line each."""
    for notice in notices:
        _tell(f"notice: {printable(notice)}\n")


def error_line(text: str) -> None:
    """Write the one line of an error."""
    _tell(f"chainfilm: {printable(text)}\n")


def progress_line(text: str) -> None:
    """Write a line on how far a command is."""
    _tell(f"{text}\n")


def give_up(stream: TextIO) -> None:
    """Send what is left for a stream nowhere, so that the interpreter does not fail at its end."""
    with contextlib.suppress(OSError, ValueError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, stream.fileno())
        os.close(null)


def _tell(text: str) -> None:
    """Write to standard error; that nobody can read it is no reason to end a run."""
    try:
        sys.stderr.write(text)
        sys.stderr.flush()
    except OSError:  # full, or its reader has left
        give_up(sys.stderr)


def say_on_terminal(text: str) -> None:
    """Write a line where a person may be waiting; into a pipe or file only with -v."""
    if sees_bars() or _loudness["verbose"]:
        progress_line(text)
