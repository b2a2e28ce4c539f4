"""Each key of a parameter file against its declaration, with one sentence a mistake.

What could be read is kept although other keys are wrong, so that the checks between keys can still
speak in the same answer.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sim.parameters.field_types import FieldStepTable
from sim.parameters.keys import Key, Tables, filled, keys_of
from sim.parameters.magnet_tables import MagnetTable
from sim.parameters.tables import KNOWN, MAGNETS, TABLES, TITLE
from sim.parameters.values import Quantity
from sim.physics.shown import show
from sim.physics.units import parse

if TYPE_CHECKING:
    from sim.magnets.shapes import Magnet


@dataclass
class Reading:
    """What could be read from a file.

    Attributes
    ----------
    raw : dict
        The tables as written.
    problems : list of str
        One sentence a mistake.
    missing, unused : list of str
        The same of each key that its kind needs and the file leaves out, and of each that the file
        gives and its kind does not use.
    values : dict
        Values inside by (table, key), defaults included, mistaken keys left out; the table of what
        stands above all tables is "".
    sources : list of tuple or None
        Once asked for, the number of its table and each single magnet.
    tables : dict of type
        All tables that the file may hold, among which the home of a misplaced key is looked for.
    """

    raw: dict[str, Any]
    problems: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    unused: list[str] = field(default_factory=list)
    values: dict[tuple[str, str], Any] = field(default_factory=dict)
    sources: list[tuple[int, Magnet]] | None = None
    tables: Mapping[str, type] = field(default_factory=lambda: TABLES)

    @property
    def steps(self) -> tuple[FieldStepTable, ...]:
        """The field programme; empty where one of its steps is mistaken."""
        return tuple(self.values.get(("field", "steps"), ()))

    @property
    def magnets(self) -> tuple[MagnetTable, ...]:
        """The magnets; empty where one of them is mistaken."""
        return tuple(self.values.get(("", "magnets"), ()))

    def given(self, table: str, *keys: str) -> list[str]:
        """Which of some keys the file writes, mistaken or not."""
        written = self.raw.get(table)
        return [key for key in keys if isinstance(written, Mapping) and key in written]

    def has(self, table: str, *keys: str) -> bool:
        """Whether all of some keys could be read."""
        return all((table, key) in self.values for key in keys)

    def get(self, table: str, key: str) -> Any:
        """Value of a key that could be read; None where it is optional and absent."""
        return self.values[table, key]

    def table(self, name: str) -> dict[str, Any]:
        """Values of all keys of a table that could be read."""
        return {key: value for (table, key), value in self.values.items() if table == name}


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
    reading = Reading(raw)
    found = {"": _read_keys(reading, {"title": TITLE}, raw, "")}
    for name, table in TABLES.items():
        found[name] = read_table(reading, table, raw.get(name, {}), f"[{name}]")
    found[""] |= _read_keys(reading, {"magnets": MAGNETS}, raw, "")
    if not isinstance(sweep := raw.get("sweep", {}), Mapping):
        reading.problems.append(f"[sweep] must be a table of keys; received {show(sweep)}.")
    unknown = [word for word in raw if word not in KNOWN]
    reading.problems += [_unknown(reading, word, KNOWN, "", raw[word]) for word in unknown]
    reading.values = {(name, key): v for name, values in found.items() for key, v in values.items()}
    _take_temperature(reading)
    return reading


def read_table(reading: Reading, table: type, written: object, label: str) -> dict[str, Any]:
    """Give the values of one table, without its mistaken keys; mistakes go into the reading.

    Parameters
    ----------
    reading : Reading
        Takes the mistakes.
    table : type
        Class of the table, which declares its keys.
    written : object
        The table as TOML gives it.
    label : str
        How messages call it, such as "[particles]".
    """
    if not isinstance(written, Mapping):
        reading.problems.append(f"{label} must be a table of keys; received {show(written)}.")
        return {}
    keys = keys_of(table)
    values = _read_keys(reading, keys, written, f"{label} ")
    unknown = [word for word in written if word not in keys]
    reading.problems += [
        _unknown(reading, word, keys, f"{label} ", written[word]) for word in unknown
    ]
    for name, key in keys.items():
        choice, *kinds = key.only or ("",)
        if choice not in values:
            continue
        chosen = f'{choice} = "{values[choice]}"'
        if values[choice] not in kinds and name in written:
            reading.unused.append(f"{label} {name} is not used with {chosen}.")
        elif values[choice] in kinds and key.is_needed and name not in written:
            reading.missing.append(
                f"{label} {name} is missing; {chosen} needs it, and it must be {key.must.must}."
            )
    return values


def _read_keys(
    reading: Reading, keys: Mapping[str, Key], written: Mapping[str, Any], label: str
) -> dict[str, Any]:
    values = {}
    for name, key in keys.items():
        try:
            if name not in written:
                values[name] = key.left_out()
            elif not isinstance(key.must, Tables):
                values[name] = key.must.check(written[name])
            elif (found := _read_list(reading, key.must, written[name], label)) is not None:
                values[name] = found
        except ValueError as error:
            reading.problems.append(f"{label}{name} {error}.")
    return values


def _read_list(
    reading: Reading, must: Tables, written: object, label: str
) -> tuple[Any, ...] | None:
    """Give the tables of a list, or None where one of them is mistaken."""
    if not isinstance(written, list) or len(written) > must.most:
        received = "too many" if isinstance(written, list) else show(written)
        raise ValueError(f"must be {must.must}; received {received}")
    before = len(reading.problems)
    # Steps of a magnet are named after it, those of the field stand alone.
    outer = label if label.startswith("[[") else ""
    found = [
        read_table(reading, must.table, item, f"{outer}{must.heading} number {number}")
        for number, item in enumerate(written, start=1)
    ]
    is_right = len(reading.problems) == before
    return tuple(filled(must.table, item) for item in found) if is_right else None


def _take_temperature(reading: Reading) -> None:
    """Give energies in kT of the film, and leave them out where its temperature is mistaken."""
    for name, table in TABLES.items():
        for key, declared in keys_of(table).items():
            must, place = declared.must, (name, key)
            if not isinstance(must, Quantity) or must.dimension != "energy":
                continue
            if reading.values.get(place) is not None:
                del reading.values[place]
                if reading.has("carrier", "temperature"):
                    written = reading.raw.get(name, {}).get(key, declared.default)
                    temperature = reading.get("carrier", "temperature")
                    reading.values[place] = parse(written, "energy", temperature)


def _unknown(reading: Reading, word: object, keys: Iterable[str], label: str, value: object) -> str:
    """Word an unknown table or key, with the nearest known one; the top of a file has no label."""
    word, known = str(word), list(keys)
    shown = word if word.replace("_", "").isalnum() and len(word) < 40 else show(word)
    if not label and _is_table(value):
        known.remove("title")
        nearest = difflib.get_close_matches(word.lower(), known, 1, 0.4)
        hint = f"the nearest is [{nearest[0]}]" if nearest else "known: " + ", ".join(known)
        return f"[{shown}] is not a known table; {hint}."
    home = [name for name, table in reading.tables.items() if word in keys_of(table)]
    nearest = difflib.get_close_matches(word.lower(), known, 1, 0.4)
    if home:
        hint = f"it belongs in [{home[0]}]"
    elif nearest and not label and nearest[0] != "title":
        hint = f"the nearest is the table [{nearest[0]}]"
    elif nearest:
        hint = f"the nearest is {nearest[0]}"
    else:
        hint = "known keys: " + ", ".join(known)
    return f"{label}{shown} is not a known key; {hint}."


def _is_table(value: object) -> bool:
    if isinstance(value, list):
        return bool(value) and all(isinstance(item, Mapping) for item in value)
    return isinstance(value, Mapping)
