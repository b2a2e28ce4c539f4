"""Every CSV file of the program is written here: one header line, numbers that read back."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from numbers import Integral, Real
from pathlib import Path
from typing import Any

from analysis.files.writing import write_text

FORMULA_STARTS = ("=", "+", "-", "@")
"""A spreadsheet computes a text that begins so; an apostrophe before it keeps it a text."""


def write_csv(
    path: Path, header: Iterable[Any], rows: Iterable[Iterable[Any]], digits: int | None = None
) -> Path:
    """Write a table, atomically.

    Parameters
    ----------
    path : Path
        The file; its folder must exist.
    header : iterable
        Names of the columns, with their units.
    rows : iterable of iterables
        Numbers, texts, truth values, or None where there is nothing.
    digits : int or None
        Digits of numbers; None for as many as read back to the same bits.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    OSError
        If it cannot be written; an old file then stays as it was.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([cell(name) for name in header])
    writer.writerows([cell(value, digits) for value in row] for row in rows)
    return write_text(path, stream.getvalue())


def cell(value: Any, digits: int | None = None) -> str:
    """Return the text of a cell.

    It is empty for None and for numbers that are not finite. Texts are one line, and begin with an
    apostrophe where a spreadsheet would take them for a formula.
    """
    if value is None:
        return ""
    if not isinstance(value, bool):
        if isinstance(value, Integral):
            return str(int(value))
        if isinstance(value, Real):
            return _number(float(value), digits)
    text = " ".join(str(value).split())
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def _number(number: float, digits: int | None) -> str:
    if not math.isfinite(number):
        return ""
    if digits is not None:
        return f"{number:.{digits}g}"
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
