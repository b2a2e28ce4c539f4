"""How objects show themselves in a notebook: a small table of what is in them."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape


def html_table(title: str, rows: Iterable[tuple[str, str]]) -> str:
    """Return a table of two columns as HTML, all texts escaped.

    Parameters
    ----------
    title : str
        What stands above it.
    rows : iterable of (str, str)
        What each row is called, and what it holds.
    """
    cells = "".join(
        f"<tr><th style='text-align:left'>{escape(name)}</th>"
        f"<td style='text-align:left'>{escape(text)}</td></tr>"
        for name, text in rows
    )
    return f"<table><caption>{escape(title)}</caption>{cells}</table>"
