"""Which keys differ between two parameter files, called as the files write them.

A run is compared by its values in SI, several of which may come from one key and one from several:
a strength and a tilt are the vector of the field. Whoever is told of a change looks for the key.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from itertools import zip_longest
from typing import Any

from sim.files.record import LIMITS, differences
from sim.parameters.keys import Key, Tables, keys_of
from sim.parameters.tables import MAGNETS, TABLES, TITLE
from sim.parameters.toml import ParameterError, parse_toml
from sim.physics.shown import show

_LEFT_OUT: Any = object()


def changes(
    before: tuple[str, dict[str, Any]],
    now: tuple[str, dict[str, Any]],
    leave: Collection[str] = LIMITS,
) -> list[str]:
    """Return a phrase for each key that makes a film another one.

    Parameters
    ----------
    before, now : tuple of str and dict
        Text of the parameter file, and all its values as `sim.files.record.resolved` gives them.
    leave : collection of str
        Dotted keys that may differ.

    Returns
    -------
    list of str
        Empty where all other values are the same. What is changed by no key, such as by an
        option of the command, is told by the names of its values.
    """
    values = differences(before[1], now[1], leave)
    tables = {phrase.split(".")[0].split(" ")[0] for phrase in values}
    found = changed_keys(before[0], now[0], leave) if values else []
    # a key that its film does not use may differ, and is not what stands in the way
    told = [phrase for table, phrase in found if table in tables]
    return told or list(_changed_files(now[0], tables)) or values


def changed_keys(before: str, now: str, leave: Collection[str]) -> list[tuple[str, str]]:
    """Find the keys in which two parameter files differ.

    Values that are the same in other units, or as the default that is left out, do not differ.

    Parameters
    ----------
    before, now : str
        Texts of the files.
    leave : collection of str
        Dotted keys that are passed over, such as "run.duration".

    Returns
    -------
    list of tuple of str
        Name of its table, or "title", and a phrase such as
        '[[field.steps]] number 1 strength was "20 mT" and is now "30 mT"'. Empty where one of the
        texts is no TOML.
    """
    try:
        old, new = (parse_toml(text, "parameters") for text in (before, now))
    except ParameterError:
        return []
    found = [("title", phrase) for phrase in _of_key("", "title", TITLE, old, new)]
    for name, table in TABLES.items():
        keys = {k: v for k, v in keys_of(table).items() if f"{name}.{k}" not in leave}
        both = (old.get(name, {}), new.get(name, {}))
        found += [(name, phrase) for phrase in _of_table(f"[{name}] ", keys, *both)]
    found += [("magnets", phrase) for phrase in _of_key("", "magnets", MAGNETS, old, new)]
    return found


def _changed_files(text: str, tables: Collection[str]) -> Iterator[str]:
    """Tell the files with values of these tables that a parameter file names."""
    try:
        raw = parse_toml(text, "parameters")
    except ParameterError:
        return
    cores = raw.get("particles", {}).get("core_diameter")
    if "particles" in tables and isinstance(cores, Mapping):
        yield f"{cores.get('file')}, which [particles] core_diameter names, has changed"
    for number, magnet in enumerate(raw.get("magnets", []) if "magnets" in tables else [], start=1):
        if magnet.get("kind") == "table":
            yield f"{magnet.get('file')}, which [[magnets]] number {number} names, has changed"


def _of_table(label: str, keys: Mapping[str, Key], old: Any, new: Any) -> Iterator[str]:
    """Tell the keys of one table; what is no table has none."""
    old, new = (table if isinstance(table, Mapping) else {} for table in (old, new))
    for name, key in keys.items():
        yield from _of_key(label, name, key, old, new)


def _of_key(
    label: str, name: str, key: Key, old: Mapping[str, Any], new: Mapping[str, Any]
) -> Iterator[str]:
    values = (old.get(name, _LEFT_OUT), new.get(name, _LEFT_OUT))
    if isinstance(key.must, Tables):
        yield from _of_list(label, key.must, *values)
    elif values[0] != values[1] and not _mean_the_same(key, *values):
        was, now = (_shown(key, value) for value in values)
        yield f"{label}{name} was {was} and is now {now}"


def _of_list(label: str, must: Tables, old: Any, new: Any) -> Iterator[str]:
    """Tell the tables of two lists, one beside the other."""
    outer = label if label.startswith("[[") else ""  # steps of a magnet are named after it
    old, new = (rows if isinstance(rows, list) else [] for rows in (old, new))
    for number, (one, other) in enumerate(zip_longest(old, new, fillvalue=_LEFT_OUT), start=1):
        here = f"{outer}{must.heading} number {number}"
        if one is _LEFT_OUT:
            yield f"{here} is new"
        elif other is _LEFT_OUT:
            yield f"{here} is gone"
        else:
            yield from _of_table(f"{here} ", keys_of(must.table), one, other)


def _mean_the_same(key: Key, *written: Any) -> bool:
    """Return whether both are one value inside; what is told of a file stays what is written."""
    try:
        one, other = (key.left_out() if w is _LEFT_OUT else key.must.check(w) for w in written)
    except ValueError:
        return False
    return bool(one == other)


def _shown(key: Key, value: Any) -> str:
    if value is not _LEFT_OUT:
        return show(value)
    return "left out" if key.default is None else f"{show(key.default)} (left out)"
