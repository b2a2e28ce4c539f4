"""The one bar of a terminal or a notebook. Where the terminal goes away, work goes on."""

from __future__ import annotations

import sys
import warnings
from typing import Any

COLUMNS = 100
"""A bar is at most so wide."""


class Bar:
    """A bar of tqdm: on standard error as wide as its window, in a notebook as notebooks show it.

    Parameters
    ----------
    text : str
        What goes on, before the bar.
    total : float
        What it counts up to.
    first : float
        Where it begins.
    shape : keyword arguments
        Further ones of `tqdm`, such as `unit`.
    """

    def __init__(self, text: str, total: float, first: float = 0.0, **shape: Any) -> None:
        self._bar: Any
        if "IPython" in sys.modules:  # it alone tells whether a notebook can show a bar of its own
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # without widgets it takes a bar of text
                from tqdm.auto import tqdm as bar_of_its_kind

            self._bar = bar_of_its_kind(desc=text, total=total, initial=first, **shape)
            return
        from shutil import get_terminal_size

        from tqdm import tqdm

        window = get_terminal_size()  # 80 by 24 where a terminal does not know its size
        self._bar = tqdm(
            desc=text, total=total, initial=first, ncols=min(window.columns, COLUMNS),
            nrows=window.lines, **shape,
        )  # fmt: skip

    def move(self, to: float, beside: str = "") -> None:
        """Move the bar, with a text at its end; one with a text is drawn at once."""
        if beside:
            self._bar.set_postfix_str(beside, refresh=False)
            self._bar.n = to
            self._bar.refresh()
        else:
            self._bar.update(to - self._bar.n)

    def close(self) -> None:
        """Leave the bar as it stands."""
        self._bar.close()
