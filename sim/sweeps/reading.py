"""The [sweep] table of a parameter file, read key by key with one sentence a mistake."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from typing import Any

from sim.physics.shown import show
from sim.sweeps.keys import RAMP_RATE, SweepKey, find_key, ramp_rate

MOST_RUNS = 10_000
"""More runs than this are a mistake of the file."""
MOST_REPLICAS = 1000
MOST_KEYS = 100
"""More swept keys than this are a mistake of the file; each takes a while to look for."""

Settings = dict[str, Any]
"""Value of each swept key, as the file writes it."""


class SweepReading:
    """The [sweep] table of a file.

    Parameters
    ----------
    tables : dict
        Tables of the file.
    ensemble : str
        File of fluids, where one is named outside the file: a sweep then needs no [sweep] table.

    Attributes
    ----------
    problems : list of str
        One sentence a mistake.
    keys : dict of str to SweepKey
        The swept keys by path.
    lists : dict of str to list
        Values of the keys that are crossed.
    together : list of list of str
        Groups of keys in `lists` that run in step instead of being crossed.
    listed : list of dict
        Settings of the points that are listed one by one.
    replicas : int
        Runs a point.
    ensemble : str
        File of fluids with each of which every point is run; "" for the film's own.
    """

    def __init__(self, tables: dict[str, Any], ensemble: str = "") -> None:
        self.problems: list[str] = []
        self.keys: dict[str, SweepKey] = {}
        self.lists: dict[str, list[Any]] = {}
        self.together: list[list[str]] = []
        self.listed: list[Settings] = []
        self.replicas = 1
        self.ensemble = ensemble
        self._tables = tables
        table = tables.get("sweep")
        if table is None and ensemble:
            return
        if not isinstance(table, Mapping) or not table:
            self.problems.append(
                "[sweep] is missing; it must be a table of keys with lists of values, such as "
                '"field.strength" = ["5 mT", "10 mT"].'
            )
            return
        flat = list(_flat(table))
        if len(flat) > MOST_KEYS:
            self.problems.append(
                f"[sweep] must hold at most {MOST_KEYS} keys; received {len(flat)}."
            )
            return
        for path, value in flat:
            if path == "replicas":
                self._read_replicas(value)
            elif path == "points":
                self._read_points(value)
            elif path == "ensemble":
                self._read_ensemble(value)
            elif path != "together":
                self._read_list(path, value)
        if "together" in table:
            self._read_together(table["together"])
        self._check_ramps()
        self._check_size()

    def _wrong(self, path: str, rest: str) -> None:
        self.problems.append(f"[sweep] {path} {rest}")

    def _find(self, path: str) -> bool:
        try:
            self.keys[path] = find_key(path, self._tables)
        except ValueError as error:
            self._wrong(path, str(error))
            return False
        return True

    def _read_replicas(self, value: object) -> None:
        whole = value if isinstance(value, int) and not isinstance(value, bool) else 0
        if 1 <= whole <= MOST_REPLICAS:
            self.replicas = whole
        else:
            must = f"must be a whole number from 1 to {MOST_REPLICAS}"
            self._wrong("replicas", f"{must}; received {show(value)}.")

    def _read_ensemble(self, value: object) -> None:
        if not isinstance(value, str) or not value:
            self._wrong(
                "ensemble", f'must name a file such as "ensemble.toml"; received {show(value)}.'
            )
        elif not self.ensemble:
            self.ensemble = value

    def _read_list(self, path: str, value: object) -> None:
        if not self._find(path):
            return
        if not isinstance(value, list):
            self._wrong(path, f"must be a list of values; received {show(value)}.")
        elif not value:
            self._wrong(path, "must hold at least one value; received an empty list.")
        elif len(value) > MOST_RUNS:
            self._wrong(path, f"must hold at most {MOST_RUNS} values; received {len(value)}.")
        elif (twice := _repeated(value)) and not self._in_step(path):
            self._wrong(path, f"must hold each value once; received {show(twice[0])} twice.")
        else:
            self.lists[path] = value
            self._check_values(path, value)

    def _in_step(self, path: str) -> bool:
        """Whether a key runs in step with others, so that a value may stand there again."""
        together = self._tables["sweep"].get("together")
        groups = together if isinstance(together, list) else []
        return any(_is_words(group) and path in group for group in groups)

    def _check_values(self, path: str, values: list[Any]) -> None:
        """Tell what no key takes; what this key takes is seen when the points are made."""
        for value in values:
            if not _is_plain(value):
                self._wrong(
                    path, f"must hold texts, numbers or lists of them; received {show(value)}."
                )
            elif path == RAMP_RATE:
                try:
                    ramp_rate(value)
                except ValueError as error:
                    self._wrong(path, str(error))

    def _read_together(self, value: object) -> None:
        must = 'must be lists of swept keys, such as [["field.strength", "film.thickness"]]'
        groups: list[Any] = value if isinstance(value, list) else [value]
        if not groups or not all(_is_words(group) and len(group) > 1 for group in groups):
            self._wrong("together", f"{must}; received {show(value)}.")
            return
        if (count := sum(map(len, groups))) > MOST_KEYS:
            self._wrong("together", f"must name at most {MOST_KEYS} keys; received {count}.")
            return
        named: set[str] = set()
        for path in itertools.chain.from_iterable(groups):
            if path in named:
                self._wrong("together", f"must name each key once; received {show(path)} twice.")
            elif path not in self._tables["sweep"] and path not in self.lists:
                self._wrong("together", f"{must}; {path} is not swept.")
            named.add(path)
        for group in groups:
            sizes = {path: len(self.lists[path]) for path in group if path in self.lists}
            if len(set(sizes.values())) > 1:
                given = ", ".join(f"{path} has {size}" for path, size in sizes.items())
                self._wrong("together", f"must name keys with equally many values; {given}.")
        self.together = groups

    def _check_ramps(self) -> None:
        """Refuse two keys that set the same durations."""
        if RAMP_RATE not in self.keys:
            return
        for path in self.keys:
            parts = path.split(".")
            if parts[:2] == ["field", "steps"] and parts[3] == "duration":
                step = self._tables["field"]["steps"][int(parts[2])]
                if step.get("kind") == "ramp":
                    self._wrong(path, f"cannot be swept with {RAMP_RATE}, which sets it.")

    def _read_points(self, value: object) -> None:
        label = "points"
        if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
            self._wrong(label, f"must be tables headed [[sweep.points]]; received {show(value)}.")
            return
        if not value:
            self._wrong(label, "must hold at least one point; received an empty list.")
            return
        if len(value) > MOST_RUNS:
            self._wrong(label, f"must be at most {MOST_RUNS} points; received {len(value)}.")
            return
        most = max(sum(1 for _ in _flat(item)) for item in value)
        if most > MOST_KEYS:
            self._wrong(label, f"must give at most {MOST_KEYS} keys each; received {most}.")
            return
        self.listed = [dict(_flat(item)) for item in value]
        names = list(self.listed[0])
        for number, item in enumerate(self.listed, 1):
            if set(item) != set(names):
                given = ", ".join(item) or "none"
                self._wrong(
                    label,
                    f"must all give the same keys, {', '.join(names) or 'at least one'}; number "
                    f"{number} gives {given}.",
                )
        if not names:
            self._wrong(label, "must give at least one key; received an empty table.")
        for path in dict.fromkeys(itertools.chain.from_iterable(self.listed)):
            if path in self.lists or path in self._tables["sweep"]:
                self._wrong(path, "must stand either in a list or in [[sweep.points]], not both.")
            elif self._find(path):
                self._check_values(path, [item[path] for item in self.listed if path in item])

    def _check_size(self) -> None:
        if self.problems:
            return
        if not self.lists and not self.listed and not self.ensemble:
            self.problems.append(
                "[sweep] must name at least one key to vary, such as "
                '"field.strength" = ["5 mT", "10 mT"]; received none.'
            )
        runs = self.replicas * math.prod(len(axis) for axis in self._axes())
        if runs > MOST_RUNS:
            self.problems.append(f"[sweep] must ask for at most {MOST_RUNS} runs; received {runs}.")

    def settings(self) -> list[Settings]:
        """Cross the lists with the listed points, in the order of the keys."""
        merged = [
            {path: value for part in parts for path, value in part.items()}
            for parts in itertools.product(*self._axes())
        ]
        return [{path: point[path] for path in self.keys} for point in merged]

    def _axes(self) -> list[list[Settings]]:
        """Give what is crossed: single keys, groups of keys that run in step, listed points."""
        group_of = {path: tuple(group) for group in self.together for path in group}
        groups = dict.fromkeys(group_of.get(path, (path,)) for path in self.lists)
        axes = []
        for group in groups:
            columns = zip(*(self.lists[path] for path in group), strict=True)
            axes.append([dict(zip(group, values, strict=True)) for values in columns])
        return [*axes, self.listed] if self.listed else axes


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Give paths and values; a path without quotes arrives from TOML as nested tables."""
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def _is_plain(value: object) -> bool:
    """Whether a value can be that of a key: no date and no table."""
    if isinstance(value, list):
        return all(_is_plain(item) for item in value)
    return isinstance(value, str | bool | int | float)


def _is_words(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _repeated(values: list[Any]) -> list[Any]:
    # In Python, True == 1: only equal values of one type are the same value of a file.
    seen: set[tuple[type, object]] = set()
    twice = []
    for value in values:
        key = (type(value), repr(value) if isinstance(value, list | Mapping) else value)
        if key in seen:
            twice.append(value)
        seen.add(key)
    return twice
