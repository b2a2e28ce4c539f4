"""A table of particle sizes in a file of its own, as microscopes and sieves give them.

One size a line: the core diameter with its unit and, after a comma, its share (1 where it is left
out, so that a list of single particles will do). Lines that start with # are comments.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sim.physics.units import plain_number

__all__ = ["with_size_file"]


def with_size_file(raw: dict[str, Any], folder: Path) -> tuple[dict[str, Any], list[str]]:
    """Put the lines of a size file in the place of its name.

    Parameters
    ----------
    raw : dict
        The tables of a parameter file as TOML gives them.
    folder : Path
        Folder of the parameter file: the size file stands beside it.

    Returns
    -------
    raw : dict
        The same, with [particles] core_diameter = { file = "..." } replaced by pairs of diameter
        text and share.
    problems : list of str
        One sentence where the file cannot be used, else none.
    """
    particles = raw.get("particles")
    given = particles.get("core_diameter") if isinstance(particles, Mapping) else None
    if not isinstance(given, Mapping) or not isinstance(particles, Mapping):
        return raw, []
    name = given.get("file")
    if set(given) != {"file"} or not isinstance(name, str) or not name:
        return raw, [
            '[particles] core_diameter must name one file such as { file = "sizes.csv" }; received '
            f"a table with {', '.join(map(str, given)) or 'no key'}."
        ]
    from sim.parameters.errors import ParameterError
    from sim.parameters.toml import LARGEST_FILE, read_text

    if (found := _bytes(folder / name)) > LARGEST_FILE:
        return raw, [
            f"[particles] core_diameter must name a file of at most {LARGEST_FILE // 1000} kB; "
            f"{name} has {found // 1000} kB."
        ]
    try:
        text = read_text(folder / name)
    except ParameterError as error:
        return raw, [f"[particles] core_diameter names {name}: {error.problems[0]}"]
    return {**raw, "particles": {**particles, "core_diameter": _pairs(text)}}, []


def _bytes(path: Path) -> int:
    """Return the size of a file; 0 of what cannot be looked at, which reading it tells."""
    try:
        return path.stat().st_size
    except (OSError, ValueError):
        return 0


def _pairs(text: str) -> list[list[Any]]:
    """Give the lines as a parameter file would write them; what is no number stays a text."""
    pairs: list[list[Any]] = []
    for line in text.splitlines():
        written = line.strip()
        if not written or written.startswith("#"):
            continue
        diameter, _, share = (part.strip() for part in written.partition(","))
        pairs.append([diameter, _number(share) if share else 1.0])
    return pairs


def _number(text: str) -> float | str:
    """Read a number, or give the text back for the message that refuses it."""
    number = plain_number(text)
    return text if number is None else number
