"""Each key of a parameter file against its expectation, with one sentence a mistake.

pydantic finds the mistakes; the words are ours. What could be read is kept although other keys are
wrong, so that the checks between keys can still speak in the same answer.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from sim.parameters.field_tables import StepTable
from sim.parameters.magnet_tables import MOST_STEPS, MagnetStepTable, MagnetTable
from sim.parameters.table import Reading
from sim.parameters.tables import MAGNETS, STEPS, TABLES, FileTable, Table, expectation
from sim.physics.shown import show

__all__ = ["file_schema", "read_tables"]


_LISTS: dict[tuple[str, ...], tuple[str, type[Table]]] = {
    STEPS: ("[[field.steps]]", StepTable),
    MAGNETS: ("[[magnets]]", MagnetTable),
}
"""Lists of tables: their heading and what each holds."""


def read_tables(raw: dict[str, Any]) -> Reading:
    """Read every key of a file.

    Parameters
    ----------
    raw : dict
        The tables as TOML gives them.

    Returns
    -------
    Reading
        Values and mistakes.
    """
    mistakes: list[Any] = []
    try:
        FileTable.model_validate(raw)
    except ValidationError as error:
        mistakes = list(error.errors(include_url=False))
    reading = Reading(raw, [_sentence(mistake) for mistake in mistakes])
    bad = {tuple(mistake["loc"][:2]) for mistake in mistakes}
    if ("title",) not in bad:
        reading.values["", "title"] = raw.get("title", "")
    for name, table in TABLES.items():
        if (name,) not in bad:
            wrong = {place[1] for place in bad if place[0] == name}
            _keep_values(reading, name, table, wrong)
    if STEPS in reading.values:
        reading.steps = [
            _values(StepTable, step) for step in reading.raw.get("field", {}).get("steps", [])
        ]
    if all(place[0] != "magnets" for place in bad):
        reading.magnets = [_magnet(magnet) for magnet in raw.get("magnets", [])]
    return reading


def _keep_values(reading: Reading, name: str, table: type[Table], wrong: set[Any]) -> None:
    """Keep the values of one table, without its mistaken keys."""
    written = reading.raw.get(name, {})
    for key in table.model_fields:
        if key not in wrong:
            reading.values[name, key] = _value(table, key, written)


def _values(table: type[Table], written: Mapping[str, Any]) -> dict[str, Any]:
    return {key: _value(table, key, written) for key in table.model_fields}


def _magnet(written: Mapping[str, Any]) -> dict[str, Any]:
    """Give the values of a magnet and of its steps."""
    steps = [_values(MagnetStepTable, step) for step in written.get("steps", [])]
    return {**_values(MagnetTable, written), "steps": steps}


def _value(table: type[Table], key: str, written: Mapping[str, Any]) -> Any:
    """Value inside of a key that has passed its check."""
    value = written[key] if key in written else table.model_fields[key].default
    expected = expectation(table, key)
    return value if value is None or expected is None else expected.read(value)


def _label(place: tuple[Any, ...]) -> str:
    """Write where a mistake is: [table] key."""
    for start, (heading, _) in _LISTS.items():
        if place[: len(start)] == start and len(place) > len(start):
            number, *inside = place[len(start) :]
            if inside[:1] == ["steps"] and len(inside) > 1:
                inside[:2] = [f"[[magnets.steps]] number {inside[1] + 1}"]
            return " ".join([f"{heading} number {number + 1}", *map(str, inside)])
    if len(place) == 1:
        return f"[{place[0]}]" if place[0] in {*TABLES, "sweep"} else str(place[0])
    return f"[{place[0]}] " + ".".join(str(part) for part in place[1:])


def _table_at(place: tuple[Any, ...]) -> type[Table]:
    """Find the table that holds the key at a place."""
    for start, (_, table) in _LISTS.items():
        if place[: len(start)] == start and len(place) > len(start) + 1:
            return MagnetStepTable if "steps" in place[len(start) : -1] else table
    return TABLES.get(place[0], FileTable) if len(place) > 1 else FileTable


def _sentence(mistake: Mapping[str, Any]) -> str:
    """Word one mistake."""
    place, kind, value = tuple(mistake["loc"]), mistake["type"], mistake["input"]
    if kind == "extra_forbidden":
        return _unknown(place, value)
    if kind == "value_error":
        return f"{_label(place)} {mistake['ctx']['error']}."
    if kind == "missing":
        expected = expectation(_table_at(place), str(place[-1]))
        must = expected.must if expected is not None else "a table"
        return f"{_label(place)} is missing; it must be {must}."
    if place in _LISTS:
        received = "too many" if kind == "too_long" else show(value)
        name, most = ("[field] steps", 10000) if place == STEPS else ("magnets", 1000)
        return (
            f"{name} must be a list of at most {most} tables, each headed {_LISTS[place][0]}; "
            f"received {received}."
        )
    if place[-1] == "steps" and place[:1] == MAGNETS:
        received = "too many" if kind == "too_long" else show(value)
        return (
            f"{_label(place)} must be a list of at most {MOST_STEPS} tables, each headed "
            f"[[magnets.steps]]; received {received}."
        )
    return f"{_label(place)} must be a table of keys; received {show(value)}."


def _unknown(place: tuple[Any, ...], value: object) -> str:
    """Word an unknown table or key, with the nearest known one."""
    word = str(place[-1])
    shown = word if word.replace("_", "").isalnum() and len(word) < 40 else show(word)
    known = list(_table_at(place).model_fields)
    if len(place) == 1 and _is_table(value):
        known.remove("title")
        nearest = difflib.get_close_matches(word.lower(), known, 1, 0.4)
        hint = f"the nearest is [{nearest[0]}]" if nearest else "known: " + ", ".join(known)
        return f"[{shown}] is not a known table; {hint}."
    home = [name for name, table in TABLES.items() if word in table.model_fields]
    nearest = difflib.get_close_matches(word.lower(), known, 1, 0.4)
    if home:
        hint = f"it belongs in [{home[0]}]"
    elif nearest and len(place) == 1 and nearest[0] != "title":
        hint = f"the nearest is the table [{nearest[0]}]"
    elif nearest:
        hint = f"the nearest is {nearest[0]}"
    else:
        hint = "known keys: " + ", ".join(known)
    return f"{_label((*place[:-1], shown))} is not a known key; {hint}."


def _is_table(value: object) -> bool:
    if isinstance(value, list):
        return bool(value) and all(isinstance(item, Mapping) for item in value)
    return isinstance(value, Mapping)


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
