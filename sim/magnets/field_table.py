"""A measured field in a CSV file: places on a regular grid and the flux density there.

The header names the columns x, y, z, Bx, By, Bz with their units, as in `x (mm)`, `x [mm]` or
`x_mm`; lines that start with # are comments. Rows come in any order. A table of one height holds a
scan of the film's plane.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.common.errors import InputError
from sim.physics.shown import show
from sim.physics.units import UnitError, parse, plain_number

COLUMNS = (("x", "length"), ("y", "length"), ("z", "length"), ("Bx", "field"), ("By", "field"),
           ("Bz", "field"))  # fmt: skip
HEADER = "x (mm), y (mm), z (mm), Bx (mT), By (mT), Bz (mT)"
MOST_ROWS = 2_000_000
MOST_BYTES = 400_000_000
SAME = 1e-6
"""Coordinates that differ by less than this share of the range are the same."""
EVEN = 1e-3
"""Distances of neighbouring coordinates differ by less than this share of themselves."""


class FieldTableError(InputError):
    """A file that holds no measured field; the text is the rest of a sentence on it."""


@dataclass(frozen=True, eq=False)
class Grid:
    """A field on a regular grid.

    Attributes
    ----------
    axes : tuple of ndarray
        Coordinates along x, y and z in m, rising.
    field : ndarray, shape (nx, ny, nz, 3)
        In T.
    """

    axes: tuple[Floats, Floats, Floats]
    field: Floats


def file_digest(path: str) -> str:
    """Give the SHA-256 of a file, so that a changed one is another field."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


@lru_cache(maxsize=8)
def read_grid(path: str, digest: str) -> Grid:
    """Read a table.

    Parameters
    ----------
    path : str
        The file.
    digest : str
        Its SHA-256 as `file_digest` gave it.

    Raises
    ------
    FieldTableError
        If the file holds no field on a regular grid, or another than it did.
    """
    if file_digest(path) != digest:
        raise FieldTableError("must stay as it is while it is in use; it was changed.")
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise FieldTableError("must be a text file (UTF-8).") from error
    if (found := text.count("\n")) > 2 * MOST_ROWS:  # comments leave room; lines cost memory
        raise FieldTableError(f"must hold at most {2 * MOST_ROWS} lines; received {found}.")
    lines = [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.strip().startswith("#")
    ]
    if len(lines) < 2 or len(lines) > MOST_ROWS:
        raise FieldTableError(
            f"must hold a header and from 1 to {MOST_ROWS} rows; received {max(0, len(lines) - 1)} "
            "rows."
        )
    units = _units(lines[0][1])
    return _grid(np.array([_row(number, line) for number, line in lines[1:]]) * units)


def _units(line: str) -> Floats:
    """Read the header: what one of each column is in SI."""
    cells = [cell.strip() for cell in line.split(",")]
    wrong = f"must begin with a header such as {HEADER}; received {line[:80]!r}."
    if len(cells) != len(COLUMNS):
        raise FieldTableError(wrong)
    found = []
    for cell, (name, dimension) in zip(cells, COLUMNS, strict=True):
        match = re.fullmatch(rf"{name}\s*(?:\((.+)\)|\[(.+)\]|_(.+))", cell, re.IGNORECASE)
        if match is None:
            raise FieldTableError(wrong)
        unit = next(part for part in match.groups() if part is not None)
        try:
            found.append(parse(f"1 {unit.strip()}", dimension))
        except UnitError as error:
            raise FieldTableError(wrong) from error
    return np.array(found)


def _row(number: int, line: str) -> list[float]:
    """Read one row of finite numbers."""
    read = [plain_number(cell) for cell in line.split(",")]
    values = [value for value in read if value is not None]
    if len(read) != len(COLUMNS) or len(values) != len(read) or not np.all(np.isfinite(values)):
        raise FieldTableError(
            f"must hold {len(COLUMNS)} finite numbers a row; line {number} holds {line[:80]!r}."
        )
    return values


def _grid(rows: Floats) -> Grid:
    """Put rows (n, 6) in SI on their grid."""
    places: list[NDArray[np.int64]] = []
    axes: list[Floats] = []
    for name, values in zip("xyz", rows[:, :3].T, strict=True):
        axis, place = _axis(values)
        if len(axis) < (1 if name == "z" else 4):
            raise FieldTableError(
                f"must hold at least 4 places along {name}; received {len(axis)}."
            )
        if len(axis) > 2 and np.ptp(np.diff(axis)) > EVEN * np.diff(axis).max():
            raise FieldTableError(
                f"must hold evenly spaced places; along {name} they are from "
                f"{1e3 * np.diff(axis).min():.6g} to {1e3 * np.diff(axis).max():.6g} mm apart."
            )
        axes.append(axis)
        places.append(place)
    shape = (len(axes[0]), len(axes[1]), len(axes[2]))
    flat = np.ravel_multi_index(tuple(places), shape)
    if len(rows) != np.prod(shape) or len(np.unique(flat)) != len(rows):
        raise FieldTableError(
            f"must hold each place of a grid of {shape[0]} x {shape[1]} x {shape[2]} once; "
            f"received {len(rows)} rows on {len(np.unique(flat))} places."
        )
    field = np.empty((len(rows), 3))
    field[flat] = rows[:, 3:]
    return Grid((axes[0], axes[1], axes[2]), field.reshape(*shape, 3))


def _axis(values: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Give the coordinates of an axis, rising, and which of them each row has."""
    order = np.argsort(values, kind="stable")
    steps = np.diff(values[order]) > SAME * max(float(np.ptp(values)), 1e-12)
    group = np.concatenate([[0], np.cumsum(steps)])
    count = np.bincount(group)
    axis = np.bincount(group, weights=values[order]) / count
    place = np.empty(len(values), np.int64)
    place[order] = group
    return axis, place


def _readable(path: Path) -> str:
    """Give the whole path of a file of a size that can be read."""
    whole = path.resolve()
    size = whole.stat().st_size
    if not whole.is_file() or size > MOST_BYTES:
        raise FieldTableError(f"must be a file of at most {MOST_BYTES // 10**6} MB.")
    return str(whole)


def with_field_files(raw: dict[str, Any], folder: Path) -> tuple[dict[str, Any], list[str]]:
    """Give the measured fields of a parameter file their whole paths, and read them.

    Parameters
    ----------
    raw : dict
        The tables of a parameter file as TOML gives them.
    folder : Path
        Folder of the parameter file: tables stand beside it.

    Returns
    -------
    raw : dict
        The same, with whole paths in the keys `file` of [[magnets]].
    problems : list of str
        One sentence for each file that cannot be used.
    """
    given = raw.get("magnets")
    if not isinstance(given, list) or not given:
        return raw, []
    problems, magnets = [], []
    for number, magnet in enumerate(given, start=1):
        name = magnet.get("file") if isinstance(magnet, Mapping) else None
        if not isinstance(name, str) or not name or magnet.get("kind") != "table":
            magnets.append(magnet)
            continue
        label = f"[[magnets]] number {number} file"
        try:
            path = _readable(folder / name)
            read_grid(path, file_digest(path))
            magnets.append({**magnet, "file": path})
        except (OSError, RuntimeError, ValueError) as error:
            if isinstance(error, FieldTableError):
                problems.append(f"{label} {show(name)} {error}")
                continue
            reason = (getattr(error, "strerror", None) or str(error)).lower()
            problems.append(f"{label} must name a readable file; {show(name)}: {reason}.")
    return {**raw, "magnets": magnets}, problems
