"""The one bar of a terminal. Where the terminal goes away tqdm stops drawing; work goes on."""

from __future__ import annotations

from typing import Any

COLUMNS = 100
"""A bar is at most so wide."""


class Bar:
    """A bar of tqdm on standard error, as wide as its window.

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
        from shutil import get_terminal_size

        from tqdm import tqdm

        window = get_terminal_size()  # 80 by 24 where a terminal does not know its size
        self._bar: Any = tqdm(
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
