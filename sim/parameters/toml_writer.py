"""Writes the tables of a parameter file back as TOML text, so that each point of a sweep is a file.

Only what a parameter file can hold: texts, numbers, truth values, lists, tables, lists of tables.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

__all__ = ["to_toml"]


def to_toml(tables: Mapping[str, Any]) -> str:
    """Write nested tables as TOML.

    Parameters
    ----------
    tables : mapping
        Tables as `tomllib` gives them.

    Returns
    -------
    str
        Text that `tomllib` reads back to equal tables.

    Raises
    ------
    TypeError
        If a value is of a kind that no key of a parameter file takes, such as a date.
    """
    return "\n".join(_lines(tables, "")).strip() + "\n"


def _lines(table: Mapping[str, Any], path: str) -> Iterator[str]:
    """Plain keys first, then the tables below: the order that TOML needs."""
    inner = {key: value for key, value in table.items() if _is_tables(value)}
    for key, value in table.items():
        if key not in inner:
            yield f"{_key(key)} = {_value(value)}"
    for key, value in inner.items():
        name = f"{path}{_key(key)}"
        if isinstance(value, Mapping):
            yield from ("", f"[{name}]", *_lines(value, f"{name}."))
        else:
            for item in value:
                yield from ("", f"[[{name}]]", *_lines(item, f"{name}."))


def _is_tables(value: object) -> bool:
    if isinstance(value, list):
        return bool(value) and all(isinstance(item, Mapping) for item in value)
    return isinstance(value, Mapping)


def _key(key: str) -> str:
    plain = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if plain else _text(key)


def _text(text: str) -> str:
    # JSON escapes all that TOML's basic strings must escape, but for the delete character.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)  # inf and nan are spelled alike in TOML
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, Mapping):  # a table inside a list of other things
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    raise TypeError(f"a parameter file holds texts, numbers, lists and tables; received {value!r}")
