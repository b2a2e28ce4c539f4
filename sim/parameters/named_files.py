"""Files that a parameter file names: all of them are looked for beside that file, by one rule."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sim.parameters.compound import Diameters
from sim.parameters.keys import keys_of
from sim.parameters.magnet_tables import MagnetTable
from sim.parameters.tables import TABLES
from sim.parameters.values import FileName
from sim.physics.units import plain_number

SIZE_FILE = "a text with a diameter and its share a line, such as 18 nm, 0.3"
"""What a file of sizes must be, as sentences on it say."""


def with_whole_paths(tables: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Give the tables of a parameter file with whole paths in every key that names a file.

    Parameters
    ----------
    tables : dict
        Tables as TOML gives them, mistaken or not.
    folder : Path
        Folder of the parameter file.

    Returns
    -------
    dict
        The same with whole paths in the keys that are a `FileName`, and in a table of sizes that is
        { file = "..." }. What is not the name of a file stays.
    """
    found = dict(tables)
    for name, table in {**TABLES, "magnets": MagnetTable}.items():
        if isinstance(written := tables.get(name), Mapping):
            found[name] = _with_whole(table, written, folder)
        elif isinstance(written, list):
            found[name] = [_with_whole(table, item, folder) for item in written]
    return found


def _with_whole(table: type, written: Any, folder: Path) -> Any:
    """Give a table with the whole paths of the files that its keys name."""
    if not isinstance(written, Mapping):
        return written
    found = dict(written)
    for key, declared in keys_of(table).items():
        value = written.get(key)
        if isinstance(declared.must, FileName):
            found |= _whole(key, value, folder)
        elif isinstance(declared.must, Diameters) and isinstance(value, Mapping):
            found[key] = {**value, **_whole("file", value.get("file"), folder)}
    return found


def _whole(key: str, name: object, folder: Path) -> dict[str, str]:
    """Give a key the whole path of a file; nothing where it names none."""
    if not isinstance(name, str) or not name or "\0" in name:
        return {}
    return {key: str((folder / name).absolute())}


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
    from sim.parameters.toml import LARGEST_FILE, ParameterError, read_text

    if (found := _bytes(folder / name)) > LARGEST_FILE:
        return raw, [
            f"[particles] core_diameter must name a file of at most {LARGEST_FILE // 1000} kB; "
            f"{name} has {found // 1000} kB."
        ]
    try:
        text = read_text(folder / name, SIZE_FILE)
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
