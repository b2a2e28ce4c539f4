"""The parameter file as a JSON schema, for editors."""

from __future__ import annotations

from typing import Any

from sim.parameters.keys import Key, keys_of
from sim.parameters.tables import MAGNETS, SWEEP, TABLES, TITLE, all_tables

__all__ = ["file_schema"]


def file_schema() -> dict[str, Any]:
    """Describe the parameter file.

    Returns
    -------
    dict
        JSON schema, draft 2020-12.
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "chainfilm parameter file",
        "description": "A parameter file of chainfilm.",
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "title": _property(TITLE),
            **{name: {"$ref": f"#/$defs/{name}"} for name in TABLES},
            "magnets": _property(MAGNETS),
            "sweep": {"type": "object", "additionalProperties": True, "description": SWEEP},
        },
        "required": [name for name, table in TABLES.items() if _required(table)],
        "$defs": {name: _definition(table) for name, table in all_tables().items()},
    }


def _definition(table: type) -> dict[str, Any]:
    found = {
        "type": "object",
        "additionalProperties": False,
        "description": (table.__doc__ or "").partition("\n")[0],
        "properties": {name: _property(key) for name, key in keys_of(table).items()},
    }
    return found | ({"required": required} if (required := _required(table)) else {})


def _required(table: type) -> list[str]:
    return [name for name, key in keys_of(table).items() if key.is_required]


def _property(key: Key) -> dict[str, Any]:
    found = {**key.must.shape, "description": f"{key.about} Must be {key.must.must}."}
    # null is no TOML value: a key without a default is simply absent.
    return found if key.is_required or key.default is None else {**found, "default": key.default}
