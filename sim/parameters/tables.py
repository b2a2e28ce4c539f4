"""The whole parameter file: its tables, whose classes declare their keys, and its JSON schema."""

from __future__ import annotations

from typing import Any

from sim.parameters.field_types import FieldTable
from sim.parameters.force_types import PAIR_FORCES
from sim.parameters.keys import Key, Tables, keys_of
from sim.parameters.magnet_tables import MagnetTable
from sim.parameters.particle_types import ParticleParameters
from sim.parameters.types import (
    BondParameters,
    CarrierParameters,
    CellParameters,
    DipoleParameters,
    FilmParameters,
    GravityParameters,
    MotionParameters,
    OpticsParameters,
    OutputParameters,
    RepulsionParameters,
    RunParameters,
    StartParameters,
    WindowParameters,
)
from sim.parameters.values import Words

TABLES: dict[str, type] = {
    "particles": ParticleParameters,
    "carrier": CarrierParameters,
    "film": FilmParameters,
    "repulsion": RepulsionParameters,
    "field": FieldTable,
    "dipoles": DipoleParameters,
    "run": RunParameters,
    "output": OutputParameters,
    "start": StartParameters,
    "bonds": BondParameters,
    "windows": WindowParameters,
    "motion": MotionParameters,
    **PAIR_FORCES,
    "gravity": GravityParameters,
    "optics": OpticsParameters,
    "cell": CellParameters,
}
"""The tables of a file, by name."""

TITLE = Key(Words(200, "curtain film, first chains"), "Heading of reports and figures.", "")
MAGNETS = Key(
    Tables(MagnetTable, "[[magnets]]", 1000), "Magnets and coils, instead of [field].", ()
)
SWEEP = "Values to vary, by dotted key, for `chainfilm sweep`; one run ignores it."

KNOWN = ("title", *TABLES, "magnets", "sweep")
"""All that may stand at the top of a file."""


def all_tables() -> dict[str, type]:
    """Give the tables of a file and of the lists in it by name, such as `magnets.steps`."""
    found = {**TABLES, "magnets": MagnetTable}
    for name, table in list(found.items()):
        for inner, key in keys_of(table).items():
            if isinstance(key.must, Tables):
                found[f"{name}.{inner}"] = key.must.table
    return found


def key_at(path: str) -> Key:
    """Find the declaration of a key.

    Parameters
    ----------
    path : str
        Dotted path of a key that exists, such as `field.strength` or `magnets.0.steps.2.rate`;
        numbers of tables in a list may be left out.

    Returns
    -------
    Key
        What it must be, what it means, and its default.
    """
    first, *inner = (part for part in path.split(".") if not part.isdecimal())
    known = {"title": TITLE, "magnets": MAGNETS}
    found = known[first] if first in known else keys_of(TABLES[first])[inner.pop(0)]
    for part in inner:
        if isinstance(found.must, Tables):
            found = keys_of(found.must.table)[part]
    return found


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
    found = {**key.must.shape, "description": f"{key.text} Must be {key.must.must}."}
    # null is no TOML value: a key without a default is simply absent.
    return found if key.is_required or key.default is None else {**found, "default": key.default}
