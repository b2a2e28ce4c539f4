"""Standard input, output and error of a command that may be closed, full or left by their reader.

A command that is started with a closed stream would open its next file under that stream's number,
and what a library writes to standard error would then go into the file.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable
from typing import Any, TextIO, cast

from sim.commands.errors import FAILED
from sim.commands.terminal import error_line, give_up

_STREAMS = ((0, "stdin"), (1, "stdout"), (2, "stderr"))


class OutputError(Exception):
    """Standard output that cannot be written; no `OSError`, which argparse would swallow."""


def with_streams(command: Callable[[], int]) -> int:
    """Do a command with streams that are there, and bring all of its output out.

    Parameters
    ----------
    command : callable
        Returns the exit code; lets an `OutputError` pass.

    Returns
    -------
    int
        That code; 1 where standard output could not be written, which is then said, but for a
        reader of a pipe who has had enough.
    """
    _open_closed()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a terminal that lacks a sign shows "?" instead
            stream.reconfigure(errors="replace")
    with contextlib.redirect_stdout(cast("TextIO", _Output(sys.stdout))):
        try:
            code = command()
            sys.stdout.flush()
        except OutputError as error:
            if not isinstance(error.__cause__, BrokenPipeError):
                error_line(f"standard output cannot be written: {error}")
            give_up(sys.stdout)
            return FAILED
    return code


class _Output:
    """Standard output whose errors can be told from those of other files."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        try:
            return self._stream.write(text)
        except OSError as error:
            raise OutputError(error.strerror or str(error)) from error

    def flush(self) -> None:
        try:
            self._stream.flush()
        except OSError as error:
            raise OutputError(error.strerror or str(error)) from error


def _open_closed() -> None:
    """Put the null device in the place of streams that were closed when Python started."""
    for number, name in _STREAMS:
        if getattr(sys, name) is not None:
            continue
        try:
            os.fstat(number)  # by now it may be the number of some other file
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
        if name != "stdin":  # who reads from it is told that there is none
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123
