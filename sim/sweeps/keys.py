"""The keys that a sweep may vary: dotted paths, which of them exist, and how one is set.

A path is table and key, such as `field.strength`; `field.steps.0.duration` is that of the first
step of the field programme, `magnets.0.remanence` of the first magnet, `magnets.0.steps.0.rate` of
its first step; `.x`, `.y` and `.z` after a place take one of its coordinates. `field.ramp_rate`
stands for all ramps of the programme: it sets their durations, and `run.duration` to the length of
the programme.
"""

from __future__ import annotations

import copy
import difflib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sim.parameters.field_types import FieldStepTable
from sim.parameters.keys import Tables, keys_of
from sim.parameters.magnet_tables import MagnetTable
from sim.parameters.tables import TABLES, key_at
from sim.parameters.types import COORDINATE
from sim.parameters.values import Expectation, Number, Quantity, WholeNumber
from sim.physics.shown import show
from sim.physics.units import UnitError, parse

RAMP_RATE = "field.ramp_rate"
PLACES = ("position", "pivot")
"""Keys of magnets that hold three coordinates."""
_COORDINATES = ("x", "y", "z")

RATE_RANGE = (1e-9, 1e12)
"""Smallest and largest ramp rate in T/s."""

_FIXED = {
    "title": "it names the film",
    "output": "it changes no film",
    "sweep": "it is the table of the sweep itself",
    "run.seed": "replicas = N makes runs with other seeds",
}
"""What exists in a file and is no property of a point."""

_SUFFIX = {
    "length": "m",
    "time": "s",
    "field": "T",
    "viscosity": "Pa_s",
    "temperature": "K",
    "area_density": "per_m2",
    "magnetisation": "A_per_m",
    "energy_density": "J_per_m3",
    "energy_product": "J_per_m3",
    "density": "kg_per_m3",
    "angle": "rad",
    "frequency": "Hz",
    "current": "A",
}
"""Unit at the end of a column's name, by dimension; other texts and plain numbers have none."""


@dataclass(frozen=True)
class SweepKey:
    """A key that can be swept.

    Attributes
    ----------
    path : str
        Dotted path.
    column : str
        Name of its column in tables: the path and the SI unit.
    unit : str
        SI unit as tables spell it, "" for texts and plain numbers.
    """

    path: str
    column: str
    unit: str

    def number(self, value: object) -> float | int | str:
        """Give a value, checked before, as tables hold it: a number in SI, or the text."""
        if self.path == RAMP_RATE:
            return ramp_rate(value)
        expected = expectation(self.path)
        if isinstance(expected, Quantity) and self.unit:
            return float(expected.read(value))
        if isinstance(expected, Number | WholeNumber):
            return float(expected.read(value))
        return value if isinstance(value, str) else show(value)

    def set(self, tables: dict[str, Any], value: object) -> dict[str, Any]:
        """Give a copy of the tables of a file with this key set."""
        changed = copy.deepcopy(tables)
        *way, last = self.path.split(".")
        inside: Any = changed
        for part in way:
            if part.isdecimal():
                inside = inside[int(part)]
            elif last in _COORDINATES and part in PLACES:
                inside = inside.setdefault(part, ["0 mm", "0 mm", "0 mm"])
            else:
                inside = inside.setdefault(part, {})
        inside[_COORDINATES.index(last) if isinstance(inside, list) else last] = value
        return changed


def known_keys(tables: Mapping[str, Any]) -> list[str]:
    """List the paths that a sweep of a file may vary.

    Parameters
    ----------
    tables : mapping
        Tables of the file; its field programme decides which steps there are.

    Returns
    -------
    list of str
        Dotted paths.
    """
    return list(_known(tables))


def _known(tables: Mapping[str, Any]) -> Iterator[str]:
    for name, table in TABLES.items():
        if name not in _FIXED:
            yield from _keys(name, table, tables.get(name))
    for index, magnet in enumerate(_listed(tables, "magnets")):
        yield from _keys(f"magnets.{index}", MagnetTable, magnet)
    if any(isinstance(step, Mapping) and step.get("kind") == "ramp" for step in _steps(tables)):
        yield RAMP_RATE


def _keys(path: str, table: type, written: object) -> Iterator[str]:
    """Give the paths in one table of the file, and in those of its lists."""
    for name, key in keys_of(table).items():
        here = f"{path}.{name}"
        if isinstance(key.must, Tables):
            for number, item in enumerate(_listed(written, name)):
                yield from _keys(f"{here}.{number}", key.must.table, item)
        elif here not in _FIXED:
            yield here
        if name in PLACES:
            yield from (f"{here}.{coordinate}" for coordinate in _COORDINATES)


def _listed(table: object, key: str) -> list[Any]:
    """Give the list of tables under a key, an empty one where there is none."""
    found = table.get(key) if isinstance(table, Mapping) else None
    return found if isinstance(found, list) else []


def _steps(tables: Mapping[str, Any]) -> list[Any]:
    return _listed(tables.get("field"), "steps")


def find_key(path: str, tables: Mapping[str, Any]) -> SweepKey:
    """Find a key by its dotted path.

    Parameters
    ----------
    path : str
        As the [sweep] table writes it.
    tables : mapping
        Tables of the file.

    Returns
    -------
    SweepKey
        The key.

    Raises
    ------
    ValueError
        If there is no such key or it cannot be swept; the text is the rest of a sentence that
        begins with the key.
    """
    if path in known_keys(tables):
        unit = "T_per_s" if path == RAMP_RATE else unit_of(expectation(path))
        return SweepKey(path, f"{path}_{unit}" if unit else path, unit)
    head = path.partition(".")[0]
    if path in _FIXED or head in _FIXED:
        raise ValueError(f"cannot be swept: {_FIXED.get(path, _FIXED.get(head))}.")
    if path == RAMP_RATE:
        raise ValueError(
            'cannot be swept: the file has no [[field.steps]] of the kind "ramp" whose rate it '
            "could set."
        )
    if path == "field.steps" or path.startswith("field.steps."):
        raise ValueError(_about_steps(tables))
    if head == "magnets":
        raise ValueError(_about_magnets(tables))
    raise ValueError(f"is not a known key; {_hint(path, tables)}.")


def _about_steps(tables: Mapping[str, Any]) -> str:
    count = len(_steps(tables))
    if count == 0:
        return "cannot be swept: the file has no [[field.steps]]."
    keys = ", ".join(keys_of(FieldStepTable))
    return (
        f"must be field.steps.N.KEY with N from 0, the first step, to {count - 1}, the last one, "
        f"and KEY one of {keys}, such as field.steps.0.strength."
    )


def _about_magnets(tables: Mapping[str, Any]) -> str:
    count = len(_listed(tables, "magnets"))
    if count == 0:
        return "cannot be swept: the file has no [[magnets]]."
    return (
        f"must be magnets.N.KEY with N from 0, the first magnet, to {count - 1}, the last one, or "
        "magnets.N.steps.M.KEY for one of its steps, such as magnets.0.remanence, "
        "magnets.0.position.z or magnets.0.steps.0.rate."
    )


def _hint(path: str, tables: Mapping[str, Any]) -> str:
    known = known_keys(tables)
    last = path.rpartition(".")[2]
    homes = [key for key in known if key.count(".") == 1 and key.endswith(f".{last}")]
    if "." not in path and homes:
        return f"a key is written with its table: {' or '.join(homes)}"
    nearest = difflib.get_close_matches(path.lower(), known, 1, 0.5) or homes[:1]
    if nearest:
        return f"the nearest is {nearest[0]}"
    return "a key is written with its table, such as field.strength"


def expectation(path: str) -> Expectation:
    """Say what the value of a key that can be swept must be."""
    *_, inner, last = path.split(".")
    return COORDINATE if last in _COORDINATES and inner in PLACES else key_at(path).must


def unit_of(expected: Expectation) -> str:
    """Return the SI unit of values as tables spell it, "" for texts and plain numbers."""
    if not isinstance(expected, Quantity) or expected.has_auto:
        return ""  # no number, or it may be a word: the text is kept
    return _SUFFIX.get(expected.dimension, "")


def ramp_rate(value: object) -> float:
    """Read a ramp rate such as "5 mT/us".

    Parameters
    ----------
    value : object
        A text: a field and a unit of time, with a slash between.

    Returns
    -------
    float
        Rate in T/s.

    Raises
    ------
    ValueError
        If it is none; the text is the rest of a sentence that begins with the key.
    """
    low, high = RATE_RANGE
    must = f'must be a ramp rate from {low:g} to {high:g} T/s such as "5 mT/us"'
    wrong = ValueError(f"{must}; received {show(value)}.")
    if not isinstance(value, str) or value.count("/") == 0:
        raise wrong
    field, _, unit = value.rpartition("/")
    try:
        rate = parse(field, "field") / parse(f"1 {unit.strip()}", "time")
    except UnitError as error:
        raise wrong from error
    if not low <= rate <= high:
        raise wrong
    return float(f"{rate:.12g}")  # so that "0.4 mT/us" and "400 T/s" are one rate


def set_ramp_rate(
    tables: dict[str, Any], vectors: list[tuple[float, float, float]], rate: float, whole: bool
) -> dict[str, Any]:
    """Give a copy of the tables of a file whose ramps run at a rate.

    Parameters
    ----------
    tables : dict
        Tables of a faultless file with a field programme.
    vectors : list of tuple
        Field in T at the end of each step.
    rate : float
        Rate in T/s.
    whole : bool
        Whether to set `run.duration` to the length of the programme.

    Returns
    -------
    dict
        The changed tables; a ramp that changes nothing keeps its duration.
    """
    changed = copy.deepcopy(tables)
    before = (0.0, 0.0, 0.0)
    for step, vector in zip(changed["field"]["steps"], vectors, strict=True):
        change = math.dist(before, vector)
        if step.get("kind") == "ramp" and change > 0.0:
            step["duration"] = f"{change / rate!r} s"
        before = vector
    if whole:
        lasting = math.fsum(parse(step["duration"], "time") for step in changed["field"]["steps"])
        changed.setdefault("run", {})["duration"] = f"{lasting!r} s"
    return changed
