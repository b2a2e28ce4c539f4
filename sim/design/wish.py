"""The file of a wish: what is wanted of a film, which keys are free, what may be spent on it.

title = "curtain that turns red light"
film = "film.toml"                      # the film to begin with, beside this file
odds = 0.9                              # with which all that is wanted is to hold
ensemble = "bottle/ensemble.toml"       # fluids that fit a sheet; may be left out

[wanted]                                # each with a least, a most, or both
mean_length = { least = 3 }
retardance = { least = "1 nm", wavelength = "633 nm" }
field = { most = "40 mT" }

[free]                                  # any key that a sweep can take
"field.strength" = { least = "5 mT", most = "60 mT" }
"particles.volume_fraction" = { least = 0.01, most = 0.04 }

[budget]
runs = 40
time = "2 h"
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sim.design.box import Box, FreeKey, one_number
from sim.design.quantities import BY_WORD, Scaled, Wanted
from sim.design.task import CONFIRMED, Wish
from sim.parameters.load import from_text
from sim.parameters.toml import ParameterError, name_of, parse_toml, read_text
from sim.parameters.types import Parameters
from sim.parameters.values import (
    Expectation,
    FileName,
    Number,
    Quantity,
    WholeNumber,
    Words,
)
from sim.physics.shown import show
from sim.physics.units import UnitError, parse
from sim.sweeps.keys import find_key

ODDS = Number(0.5, 0.99, 0.9)
RUNS, TIME = WholeNumber(1, 10_000, 40), Quantity("time", 1.0, 3.2e7, "2 h")
WAVELENGTH = Quantity("length", 2e-7, 2e-5, "633 nm")
DEFAULT_ODDS, DEFAULT_RUNS = 0.9, 40
MOST_FREE = 8
"""Free keys at most: a few dozen films say little about a larger box."""

_TOP: dict[str, Expectation] = {
    "title": Words(200, "curtain that turns red light"),
    "film": FileName(4096, "film.toml"),
    "odds": ODDS,
    "ensemble": FileName(4096, "bottle/ensemble.toml"),
}
_TABLES = ("wanted", "free", "budget")
WISH = "a wish"


@dataclass(frozen=True)
class WishFile:
    """A wish as read.

    Attributes
    ----------
    title, name : str
        Heading, and the file as messages call it.
    base : Parameters
        The film to begin with.
    tables : dict
        Tables of its file.
    wishes : tuple of Wish
        What is wanted.
    box : Box
        The free keys.
    odds : float
        With which all that is wanted is to hold.
    runs : int
        Films at most.
    seconds : float or None
        Wall time at most.
    ensemble : Path or None
        File of the fluids that fit a sheet.
    """

    title: str
    name: str
    base: Parameters
    tables: dict[str, Any]
    wishes: tuple[Wish, ...]
    box: Box
    odds: float
    runs: int
    seconds: float | None
    ensemble: Path | None


def first_films(keys: int) -> int:
    """Return how many films are run before the runs say where the next one goes."""
    return 2 * keys + 2


def read_wish(path: str | Path) -> WishFile:
    """Read a wish.

    Parameters
    ----------
    path : str or Path
        The file; the film that it names is looked for beside it.

    Returns
    -------
    WishFile
        The wish, checked.

    Raises
    ------
    ParameterError
        If the wish or its film is mistaken; it lists all mistakes.
    """
    name = name_of(path)
    tables = parse_toml(read_text(Path(path), WISH), name, WISH)
    return _Reading(tables, name, Path(path).parent).wish()


class _Reading:
    """A wish, read key by key with one sentence a mistake."""

    def __init__(self, tables: dict[str, Any], name: str, folder: Path) -> None:
        self.problems: list[str] = []
        self.tables, self.name, self.folder = tables, name, folder

    def wish(self) -> WishFile:
        """Read all of it."""
        top = self._top()
        if "film" not in top:
            raise ParameterError(self.name, self.problems)
        film = self.folder / top["film"]
        text = read_text(film)
        base = from_text(text, str(film))
        raw = parse_toml(text, str(film))
        if raw.get("sweep"):
            self.problems.append(f"film must be a single film; {top['film']} has a [sweep] table.")
        wishes = tuple(self._wishes(base))
        keys = tuple(self._free(raw))
        runs, seconds = self._budget(len(keys))
        if self.problems:
            raise ParameterError(self.name, self.problems)
        ensemble = self.folder / top["ensemble"] if "ensemble" in top else None
        return WishFile(
            top.get("title", ""), self.name, base, raw, wishes, Box(keys),
            top.get("odds", DEFAULT_ODDS), runs, seconds, ensemble,
        )  # fmt: skip

    def _top(self) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key, value in self.tables.items():
            if key in _TOP:
                self._take(found, "", key, _TOP[key], value)
            elif key not in _TABLES:
                known = ", ".join([*_TOP, *(f"[{name}]" for name in _TABLES)])
                self.problems.append(f"{show(key)} is not a known key; known are {known}.")
        if "film" not in self.tables:
            self.problems.append(f"film is missing; it must be {_TOP['film'].must}.")
        return found

    def _take(
        self, into: dict[str, Any], place: str, key: str, must: Expectation, value: object
    ) -> None:
        try:
            into[key] = must.check(value)
        except ValueError as error:
            self.problems.append(f"{place}{key} {error}.")

    def _table(self, name: str, example: str) -> dict[str, Any]:
        found = self.tables.get(name)
        if isinstance(found, Mapping) and found:
            return dict(_flat(found))
        received = "none" if name not in self.tables else show(found)
        self.problems.append(f"[{name}] must be a table such as {example}; received {received}.")
        return {}

    def _wishes(self, base: Parameters) -> Iterator[Wish]:
        example = 'mean_length = { least = 3 } or field = { most = "40 mT" }'
        for word, value in self._table("wanted", example).items():
            wanted = BY_WORD.get(word)
            if wanted is None:
                known = ", ".join(BY_WORD)
                self.problems.append(
                    f"[wanted] {word} is nothing that can be wanted; known are {known}."
                )
                continue
            reason = _unmeasurable(wanted, base)
            if reason:
                self.problems.append(f"[wanted] {word} cannot be measured: {reason}.")
                continue
            made = self._one_wish(wanted, value, base)
            if made is not None:
                yield made

    def _one_wish(self, wanted: Wanted, value: object, base: Parameters) -> Wish | None:
        known = ("least", "most", *(("wavelength",) if wanted.needs_light else ()))
        table = self._ends(f"[wanted] {wanted.word}", value, known)
        if table is None:
            return None
        before, place = len(self.problems), f"[wanted] {wanted.word} "
        wavelength = base.optics.wavelengths[0] if wanted.needs_light else None
        read: dict[str, Any] = {}
        if "wavelength" in table:
            self._take(read, place, "wavelength", WAVELENGTH, table["wavelength"])
            wavelength = read.get("wavelength")
        for end in ("least", "most"):
            if end in table:
                given = _as_delay(table[end], wavelength) if wanted.has_sign else table[end]
                self._take(read, place, end, wanted.must, given)
        if len(self.problems) > before:
            return None
        least, most = read.get("least", -math.inf), read.get("most", math.inf)
        if least >= most:
            self.problems.append(
                f"[wanted] {wanted.word} least must be below most, or no film can meet both; "
                f"received {show(table['least'])} and {show(table['most'])}."
            )
            return None
        sizes = [abs(end) for end in (least, most) if math.isfinite(end) and end != 0.0]
        of = Scaled(wanted, wavelength).of_size(min(sizes, default=0.0))
        words = [
            f"at {w} {show(table[e]).strip(chr(34))}"
            for e, w in (("least", "least"), ("most", "most"))
            if e in table
        ]
        return Wish(of, least, most, f"{of.label.replace('_', ' ')} {' and '.join(words)}")

    def _ends(self, place: str, value: object, known: tuple[str, ...]) -> dict[str, Any] | None:
        """Take a table of least and most, or tell what is wrong with it."""
        must = f"{place} must be a table with least, most or both"
        if not isinstance(value, Mapping) or not {"least", "most"} & set(value):
            self.problems.append(f"{must}; received {show(value)}.")
            return None
        unknown = [key for key in value if key not in known]
        if unknown:
            self.problems.append(
                f"{place} {unknown[0]} is not a known key; known are {', '.join(known)}."
            )
            return None
        return dict(value)

    def _free(self, raw: dict[str, Any]) -> Iterator[FreeKey]:
        table = self._table("free", '"field.strength" = { least = "5 mT", most = "60 mT" }')
        if len(table) > MOST_FREE:
            self.problems.append(
                f"[free] must name at most {MOST_FREE} keys; received {len(table)}."
            )
        for path, value in table.items():
            try:
                key = find_key(path, raw)
            except ValueError as error:
                told = str(error).replace("cannot be swept", "cannot be free")
                self.problems.append(f"[free] {path} {told}")
                continue
            place = f"[free] {path}"
            must = one_number(path)
            if must is None:
                self.problems.append(f"{place} must be a key that holds one number or quantity.")
                continue
            ends = self._ends(place, value, ("least", "most"))
            if ends is None:
                continue
            if len(ends) < 2:
                self.problems.append(
                    f"{place} must have both least and most; received {next(iter(ends))} alone."
                )
                continue
            read: dict[str, Any] = {}
            for end, given in ends.items():
                self._take(read, f"{place} ", end, must, given)
            if len(read) == 2 and not read["least"] < read["most"]:
                self.problems.append(
                    f"{place} least must be below most; received {show(ends['least'])} and "
                    f"{show(ends['most'])}."
                )
            elif len(read) == 2:
                yield FreeKey(key, float(read["least"]), float(read["most"]))

    def _budget(self, keys: int) -> tuple[int, float | None]:
        table = self.tables.get("budget", {})
        if not isinstance(table, Mapping):
            self.problems.append(
                f"[budget] must be a table such as runs = 40; received {show(table)}."
            )
            return DEFAULT_RUNS, None
        read: dict[str, Any] = {}
        for key, value in table.items():
            must = {"runs": RUNS, "time": TIME}.get(key)
            if must is None:
                self.problems.append(f"[budget] {key} is not a known key; known are runs, time.")
            else:
                self._take(read, "[budget] ", key, must, value)
        runs = read.get("runs", DEFAULT_RUNS)
        least = first_films(keys) + CONFIRMED
        if keys and runs < least:
            self.problems.append(
                f"[budget] runs must be at least {least} for {keys} free keys: "
                f"{first_films(keys)} first films and {CONFIRMED} to confirm one; received {runs}."
            )
        return runs, read.get("time")


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Give paths and ranges; a path without quotes arrives from TOML as nested tables."""
    for key, value in table.items():
        if (
            isinstance(value, Mapping)
            and value
            and all(isinstance(v, Mapping) for v in value.values())
        ):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def _unmeasurable(wanted: Wanted, base: Parameters) -> str:
    """Say why no run of a film can measure a quantity; "" where it can."""
    if not wanted.needs_times:
        return ""
    if base.run.is_sampled:
        return (
            f'{base.name} samples films at rest (run.dynamics = "monte_carlo"), and no time '
            "belongs to its sweeps; leave run.dynamics out and give run.duration"
        )
    if wanted.word == "off_time" and base.field.steps[-1].strength > 0.0:
        return f"the field of {base.name} is never switched off; it needs [[field.steps]]"
    return ""


def _as_delay(value: object, wavelength: float | None) -> object:
    """Turn a phase, such as "90 deg", into the delay that it is at the wavelength."""
    if not isinstance(value, str) or wavelength is None:
        return value
    try:
        return f"{parse(value, 'angle') / (2.0 * math.pi) * wavelength:.12g} m"
    except UnitError:
        return value
