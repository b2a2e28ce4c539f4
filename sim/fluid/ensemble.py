"""A file of equally likely fluids, and a film with one of them in it.

Each [[fluids]] holds keys of [particles] and [carrier] as a parameter file writes them. They take
the place of those of a film; the amount of particles, which a film may give in three ways, as one.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from sim.parameters.checks import FRACTIONS
from sim.parameters.reading import Reading, read_table
from sim.parameters.tables import TABLES
from sim.parameters.toml import ParameterError, name_of, parse_toml, read_text
from sim.physics.shown import show

Fluid: TypeAlias = dict[str, dict[str, Any]]
"""Keys of one fluid, below "particles" and "carrier"."""

PARTS = ("particles", "carrier")
"""The tables of a film that belong to its fluid."""

MOST_FLUIDS = 1000
ENSEMBLE = "an ensemble of fluids"


@dataclass(frozen=True)
class Ensemble:
    """Fluids that are equally likely.

    Attributes
    ----------
    title : str
        What they are, for reports.
    fluids : tuple of dict
        Keys of each, below "particles" and "carrier", as a parameter file writes them.
    """

    title: str
    fluids: tuple[Fluid, ...]


def read_ensemble(path: str | os.PathLike[str]) -> Ensemble:
    """Read a file of fluids.

    Parameters
    ----------
    path : str or path-like
        The file.

    Returns
    -------
    Ensemble
        Its fluids; each of their keys could be read. Whether they go together with a film, the
        film's own checks say.

    Raises
    ------
    ParameterError
        If the file cannot be read or holds mistakes; it lists all of them.
    """
    name = name_of(os.fspath(path))
    raw = parse_toml(read_text(Path(path), ENSEMBLE), name, ENSEMBLE)
    fluids = raw.get("fluids")
    problems = [
        f"{show(key)} is not a known key; known: title, sheet, [[fluids]]."
        for key in raw
        if key not in ("title", "sheet", "fluids")
    ]
    if not isinstance(raw.get("title", ""), str):
        problems.append(f"title must be a text; received {show(raw['title'])}.")
    if not isinstance(fluids, list) or not 0 < len(fluids) <= MOST_FLUIDS:
        problems.append(
            f"fluids must be from 1 to {MOST_FLUIDS} tables headed [[fluids]]; received "
            f"{show(fluids) if fluids is not None else 'none'}."
        )
    else:
        problems += _mistakes(fluids)
    if problems:
        raise ParameterError(name, problems)
    found: Any = fluids
    return Ensemble(raw.get("title", ""), tuple(found))


def _mistakes(fluids: list[Any]) -> Iterable[str]:
    """Give a sentence for each mistake in some fluids."""
    for number, fluid in enumerate(fluids, 1):
        label = f"[[fluids]] number {number}"
        if not isinstance(fluid, Mapping) or not set(fluid) & set(PARTS):
            yield f"{label} must hold the table particles; received {show(fluid)}."
            continue
        yield from (
            f"{label} {show(key)} is not a known table; known: particles, carrier."
            for key in fluid
            if key not in PARTS
        )
        reading = Reading({})
        for part in PARTS:
            if part in fluid:
                read_table(reading, TABLES[part], fluid[part], f"{label} {part}")
        # A key that a fluid leaves out is that of the film.
        yield from (text for text in reading.problems if " is missing; " not in text)


def with_fluid(tables: Mapping[str, Any], fluid: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Put a fluid into a film.

    Parameters
    ----------
    tables : mapping
        Tables of a film as TOML gives them.
    fluid : mapping
        Keys of the fluid, below "particles" and "carrier".

    Returns
    -------
    dict
        The tables with the keys of the fluid in the place of their own.
    """
    found = dict(tables)
    for part, keys in fluid.items():
        written = found.get(part, {})
        own = written if isinstance(written, Mapping) else {}
        if set(keys) & set(FRACTIONS):
            own = without_amount(own)
        found[part] = {**own, **keys}
    return found


def without_amount(particles: Mapping[str, Any]) -> dict[str, Any]:
    """Give keys of [particles] without those that say how many particles there are."""
    return {key: value for key, value in particles.items() if key not in FRACTIONS}
