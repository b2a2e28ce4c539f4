"""Each key of a parameter file against its declaration, with one sentence a mistake.

What could be read is kept although other keys are wrong, so that the checks between keys can still
speak in the same answer.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

from sim.parameters.field_types import FieldStepTable
from sim.parameters.keys import Key, Tables, filled, keys_of
from sim.parameters.magnet_tables import MagnetTable
from sim.parameters.tables import KNOWN, MAGNETS, TABLES, TITLE
from sim.parameters.values import Quantity
from sim.physics.shown import show
from sim.physics.units import parse

if TYPE_CHECKING:
    from sim.magnets.shapes import Magnet

__all__ = ["Reading", "missing_keys", "read_tables", "unused_keys"]


@dataclass
class Reading:
    """What could be read from a file.

    Attributes
    ----------
    raw : dict
        The tables as written.
    problems : list of str
        One sentence a mistake.
    values : dict
        Values inside by (table, key), defaults included, mistaken keys left out; the table of what
        stands above all tables is "".
    sources : list of tuple or None
        Once asked for, the number of its table and each single magnet.
    """

    raw: dict[str, Any]
    problems: list[str] = field(default_factory=list)
    values: dict[tuple[str, str], Any] = field(default_factory=dict)
    sources: list[tuple[int, Magnet]] | None = None

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
    problems = reading.problems
    found = {"": _read_keys({"title": TITLE}, raw, "", problems)}
    for name, table in TABLES.items():
        found[name] = _read_table(table, raw.get(name, {}), f"[{name}]", problems)
    found[""] |= _read_keys({"magnets": MAGNETS}, raw, "", problems)
    if not isinstance(sweep := raw.get("sweep", {}), Mapping):
        problems.append(f"[sweep] must be a table of keys; received {show(sweep)}.")
    problems += [
        _unknown(word, KNOWN, "", value) for word, value in raw.items() if word not in KNOWN
    ]
    reading.values = {(name, key): v for name, values in found.items() for key, v in values.items()}
    _take_temperature(reading)
    return reading


def _read_table(table: type, written: object, label: str, problems: list[str]) -> dict[str, Any]:
    """Give the values of one table, without its mistaken keys."""
    if not isinstance(written, Mapping):
        problems.append(f"{label} must be a table of keys; received {show(written)}.")
        return {}
    keys = keys_of(table)
    values = _read_keys(keys, written, f"{label} ", problems)
    unknown = [word for word in written if word not in keys]
    problems += [_unknown(word, keys, f"{label} ", written[word]) for word in unknown]
    return values


def _read_keys(
    keys: Mapping[str, Key], written: Mapping[str, Any], label: str, problems: list[str]
) -> dict[str, Any]:
    values = {}
    for name, key in keys.items():
        where = f"{label}{name}"
        try:
            if name not in written:
                values[name] = key.left_out()
            elif isinstance(key.must, Tables):
                found = _read_list(key.must, written[name], label.strip(), problems)
                if found is not None:
                    values[name] = found
            else:
                values[name] = key.must.check(written[name])
        except ValueError as error:
            problems.append(f"{where} {error}.")
    return values


def _read_list(
    must: Tables, written: object, label: str, problems: list[str]
) -> tuple[Any, ...] | None:
    """Give the tables of a list, or None where one of them is mistaken."""
    if not isinstance(written, list) or len(written) > must.most:
        received = "too many" if isinstance(written, list) else show(written)
        raise ValueError(f"must be {must.must}; received {received}")
    before = len(problems)
    found = [
        _read_table(must.table, item, _numbered(label, must, number), problems)
        for number, item in enumerate(written, start=1)
    ]
    return tuple(filled(must.table, item) for item in found) if len(problems) == before else None


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


def missing_keys(reading: Reading) -> Iterator[str]:
    """Find keys that a chosen kind needs and the file leaves out."""
    for label, table, values, _ in _places(reading):
        for name, key in keys_of(table).items():
            if key.is_needed and name in values and values[name] is None:
                choice, *kinds = key.only
                if values.get(choice) in kinds:
                    yield (
                        f'{label} {name} is missing; {choice} = "{values[choice]}" needs it, and '
                        f"it must be {key.must.must}."
                    )


def unused_keys(reading: Reading) -> Iterator[str]:
    """Name the keys of a faultless file that its chosen kinds do not use."""
    for label, table, values, written in _places(reading):
        for name, key in keys_of(table).items():
            if key.only and name in written:
                choice, *kinds = key.only
                if values[choice] not in kinds:
                    yield f'{label} {name} is not used with {choice} = "{values[choice]}".'


Place: TypeAlias = tuple[str, type, Mapping[str, Any], Mapping[str, Any]]


def _places(reading: Reading) -> Iterator[Place]:
    """Give label, class, values and raw values of each table that could be read."""
    for name, table in TABLES.items():
        yield from _inside(f"[{name}]", table, reading.table(name), reading.raw.get(name, {}))
    if reading.magnets:
        top = {"magnets": reading.magnets}
        yield from _lists("", {"magnets": MAGNETS}, top, reading.raw)


def _inside(
    label: str, table: type, values: Mapping[str, Any], written: Mapping[str, Any]
) -> Iterator[Place]:
    yield label, table, values, written
    yield from _lists(label, keys_of(table), values, written)


def _lists(
    label: str, keys: Mapping[str, Key], values: Mapping[str, Any], written: Mapping[str, Any]
) -> Iterator[Place]:
    for name, key in keys.items():
        if isinstance(key.must, Tables):
            for number, item in enumerate(values.get(name, ()), start=1):
                here = _numbered(label, key.must, number)
                yield from _inside(here, key.must.table, vars(item), written[name][number - 1])


def _numbered(label: str, must: Tables, number: int) -> str:
    """Name a table of a list; steps of a magnet are named after it, those of a field alone."""
    return f"{label} {must.heading} number {number}".removeprefix("[field] ").strip()


def _unknown(word: object, keys: Iterable[str], label: str, value: object) -> str:
    """Word an unknown table or key, with the nearest known one; the top of a file has no label."""
    word, known = str(word), list(keys)
    shown = word if word.replace("_", "").isalnum() and len(word) < 40 else show(word)
    if not label and _is_table(value):
        known.remove("title")
        nearest = difflib.get_close_matches(word.lower(), known, 1, 0.4)
        hint = f"the nearest is [{nearest[0]}]" if nearest else "known: " + ", ".join(known)
        return f"[{shown}] is not a known table; {hint}."
    home = [name for name, table in TABLES.items() if word in keys_of(table)]
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
