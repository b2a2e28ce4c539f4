"""A value of a file as messages show it."""

from __future__ import annotations

import json
from collections.abc import Mapping

LONGEST_SHOWN = 60
"""Longer values are cut in messages, in characters."""


def show(value: object) -> str:
    """Write a value of the file for a message, on one line and not too long.

    Parameters
    ----------
    value : object
        Anything that TOML can hold.

    Returns
    -------
    str
        The value as the file would write it.
    """
    if isinstance(value, Mapping):
        return "a table" if value else "an empty table"
    if isinstance(value, int) and value.bit_length() > 200:
        return f"a whole number of about {int(value.bit_length() * 0.30103)} digits"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, list):
        text = "[" + ", ".join(show(item) for item in value[:5]) + "]"
        text = text[:-1] + ", ...]" if len(value) > 5 else text
    elif isinstance(value, str | bool | int):
        text = json.dumps(value, ensure_ascii=False)
    else:
        text = str(value)
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 3] + "..."
