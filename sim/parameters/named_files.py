"""Files that a parameter file names: all of them are looked for beside that file, by one rule."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

__all__ = ["with_whole_paths"]


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
        The same with whole paths in [start] path, in `file` of [[magnets]] and in
        [particles] core_diameter = { file = "..." }. What is not the name of a file stays.
    """
    found = dict(tables)
    if isinstance(start := tables.get("start"), Mapping):
        found["start"] = _with_whole(start, "path", folder)
    particles = tables.get("particles")
    if isinstance(particles, Mapping) and isinstance(particles.get("core_diameter"), Mapping):
        sizes = _with_whole(particles["core_diameter"], "file", folder)
        found["particles"] = {**particles, "core_diameter": sizes}
    if isinstance(magnets := tables.get("magnets"), list):
        found["magnets"] = [
            _with_whole(magnet, "file", folder)
            if isinstance(magnet, Mapping) and magnet.get("kind") == "table"
            else magnet
            for magnet in magnets
        ]
    return found


def _with_whole(table: Mapping[str, Any], key: str, folder: Path) -> dict[str, Any]:
    """Give a table with the whole path of the file that a key names."""
    name = table.get(key)
    if not isinstance(name, str) or not name or "\0" in name:
        return dict(table)
    return {**table, key: str((folder / name).absolute())}
