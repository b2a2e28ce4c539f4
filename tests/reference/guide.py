"""Guides fuzzing by what the program runs: cases that reach a new line are kept to build on."""

import sys
from contextlib import contextmanager
from pathlib import Path

PROJECT = f"{Path(__file__).parents[2]}/"


class Guide:
    """Lines reached so far, and the cases that reached one of them first.

    Parameters
    ----------
    parts : tuple of str
        Starts of the paths, in the project, of the files whose lines count.
    """

    def __init__(self, parts):
        self.parts = tuple(PROJECT + part for part in parts)
        self.reached, self.kept = set(), []

    @contextmanager
    def watch(self, case):
        """Note the lines that are run inside; keep the case if one of them is new."""
        before = len(self.reached)
        sys.settrace(self._call)
        try:
            yield
        finally:
            sys.settrace(None)
        if len(self.reached) > before:
            self.kept.append(case)

    def _call(self, frame, _event, _argument):
        return self._line if frame.f_code.co_filename.startswith(self.parts) else None

    def _line(self, frame, event, _argument):
        if event == "line":
            self.reached.add((frame.f_code.co_filename, frame.f_lineno))
        return self._line
