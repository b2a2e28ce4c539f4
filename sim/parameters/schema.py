"""The JSON schema of the parameter file, for editors."""

from __future__ import annotations

from typing import Any

from sim.parameters.tables import FileTable

__all__ = ["file_schema"]


def file_schema() -> dict[str, Any]:
    """Describe the parameter file.

    Returns
    -------
    dict
        JSON schema, draft 2020-12.
    """
    schema = FileTable.model_json_schema()
    tables = schema["properties"]
    for table in [schema, *schema["$defs"].values()]:
        for entry in table["properties"].values():
            # null is no TOML value: such a key is simply absent.
            if entry.get("default", "") is None:
                del entry["default"]
    required = [name for name in tables if "required" in _definition(schema, name)]
    for name in required:
        tables[name].pop("default", None)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "chainfilm parameter file",
        "required": required,
    }


def _definition(schema: dict[str, Any], name: str) -> dict[str, Any]:
    """Give the definition of a table, or an empty one for a plain key."""
    reference = str(schema["properties"][name].get("$ref", ""))
    definition: dict[str, Any] = schema["$defs"].get(reference.rpartition("/")[2], {})
    return definition
