"""What goes to standard error: notices, one line for an error, progress on a terminal."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Iterable
from types import TracebackType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sim.many_runs import SweepProgress

__all__ = [
    "SweepBar",
    "error_line",
    "notice_lines",
    "printable",
    "say_on_terminal",
    "tell_phase",
]


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


def say_on_terminal(text: str) -> None:
    """Write a line where a person may be waiting, and nothing into a pipe or file."""
    if sys.stderr.isatty():
        sys.stderr.write(f"{text}\n")
        sys.stderr.flush()


def tell_phase(word: str) -> None:
    """Say that kernels are compiled, which takes its time once."""
    if word == "compiling":
        say_on_terminal("compiling kernels (10 to 20 s the first time) ...")


class SweepBar:
    """A bar over the runs of a sweep, those in work counted by their steps; a terminal only."""

    def __init__(self) -> None:
        self._bar: Any = None

    def __enter__(self) -> SweepBar:
        """Wait for the first progress."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the bar as it stands."""
        if self._bar is not None:
            self._bar.close()

    def show(self, progress: SweepProgress) -> None:
        """Move the bar."""
        if not sys.stderr.isatty():
            return
        if self._bar is None:
            from tqdm import tqdm

            self._bar = tqdm(
                total=progress.runs,
                initial=progress.ended,
                desc="sweep",
                bar_format="{desc}: {percentage:3.0f}% |{bar}| {postfix} [{elapsed}<{remaining}]",
                ncols=100,
            )
        done = f"{progress.ended} of {progress.runs} runs"
        failed = f", {progress.failed} failed" if progress.failed else ""
        steps = ", ".join(f"{step}/{steps}" for step, steps in progress.steps_of_runs)
        self._bar.set_postfix_str(
            f"{done}{failed}" + (f"; steps {steps}" if steps else ""), refresh=False
        )
        self._bar.n = round(min(progress.share, progress.runs), 4)
        self._bar.refresh()
