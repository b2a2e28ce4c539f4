"""Which rows of a frame are particles, and in which order, in H5MD files of other origin.

H5MD 1.1 (an open standard; its rules from memory): `id` names the particles, so that they may
stand in another order in every frame. Where their number varies, rows are filled up with
placeholders, told by an `id` or a `species` that equals the fill value that the writer chose for
the array, for which -1 is usual. Placeholders are no particles.

A film has the same particles in all frames; a file in which they come and go is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.attributes import attribute
from analysis.files.checks import TrajectoryError

__all__ = ["Particles", "same_steps", "slices", "which_particles"]

Integers = NDArray[np.int64]

BLOCK = 2_000_000
"""Names that are looked at at once."""


@dataclass(frozen=True)
class Particles:
    """The rows of a frame that are particles, in the order of their names.

    Attributes
    ----------
    rows : (count,) array or None
        The same rows for every frame; None for all rows as they stand.
    names : (count,) array or None
        Where the order changes from frame to frame: the sorted names, by which each frame's rows
        are found.
    stored : int
        Rows of a frame in the file.
    count : int
        Particles.
    """

    stored: int
    count: int
    rows: Integers | None = None
    names: Integers | None = None

    def order(self, film: Any, frames: slice) -> Integers | None:
        """Return the rows to take of each frame, (frames, count); None for all as they stand."""
        if self.names is not None:
            return _sorted_rows(_rows_of(film["id"], frames), self.names)
        if self.rows is None:
            return None
        return np.broadcast_to(self.rows, (frames.stop - frames.start, self.count))


def which_particles(
    film: Any, stored: int, frames: int, path: Path, notices: list[str]
) -> Particles:
    """Return which rows of the frames are particles.

    Parameters
    ----------
    film : h5py.Group
        The group of particles.
    stored, frames : int
        Rows of a frame; frames that count.
    path : Path
        The file, for errors.
    notices : list of str
        Is told of placeholders that were left out and of several species.

    Raises
    ------
    TrajectoryError
        Where names are no whole numbers, occur twice, or change between frames.
    """
    real = _real_rows(film, stored, frames, path, notices)
    if "id" not in film:
        rows = np.flatnonzero(real)
        return Particles(stored, len(rows), None if real.all() else rows)
    data = _checked(film, "id", stored, frames, path)
    first = _rows_of(film["id"], slice(0, 1))[0]
    names = np.sort(first[real & _named(data, first)])
    if len(names) == 0:
        raise TrajectoryError(f"{path} must hold at least one particle; all its rows are fillers.")
    if (np.diff(names) == 0).any():
        raise TrajectoryError(f"{path} must name each particle once; an id occurs twice.")
    start = _sorted_rows(first[None], names)
    if data.ndim == 1:
        # Names that are fixed in time go with rows that are: every order is as good.
        return Particles(stored, len(names), _unless_all(np.sort(start[0]), stored))
    moved = False
    for part in slices(frames, stored):
        block = _rows_of(film["id"], part)
        order = _sorted_rows(block, names)
        same = np.take_along_axis(block, order, axis=1) == names
        if not same.all() or (_named(data, block).sum(axis=1) != len(names)).any():
            raise TrajectoryError(
                f"{path} must hold the same particles in all frames; their ids change."
            )
        moved = moved or bool((order != start).any())
    if moved:
        return Particles(stored, len(names), names=names)
    return Particles(stored, len(names), _unless_all(start[0], stored))


def same_steps(film: Any, name: str, frames: int, path: Path) -> None:
    """Refuse an element that was written at other steps than the positions.

    Raises
    ------
    TrajectoryError
        Where steps or times of the element differ from those of the positions.
    """
    element, position = film[name], film["position"]
    for kind in ("step", "time"):
        if not hasattr(element, "keys") or kind not in element or kind not in position:
            continue
        own, other = element[kind], position[kind]
        if own == other:  # a link to the same array
            continue
        if own.ndim != other.ndim or not np.array_equal(_first(own, frames), _first(other, frames)):
            raise TrajectoryError(
                f"{path} must hold {name} at the {kind}s of the positions; it holds it at others."
            )


def _first(data: Any, frames: int) -> NDArray[Any]:
    """Return a series, or its increment and offset."""
    if data.ndim:
        return np.asarray(data[:frames])
    return np.array([data[()], attribute(data, "offset", 0)])


def _real_rows(
    film: Any, stored: int, frames: int, path: Path, notices: list[str]
) -> NDArray[np.bool_]:
    """Return which rows hold a particle by their species, (stored,)."""
    real = np.ones(stored, bool)
    if "species" in film:
        data = _checked(film, "species", stored, frames, path)
        kinds = _rows_of(film["species"], slice(0, 1))[0]
        real = _named(data, kinds)
        for part in slices(frames, stored) if data.ndim == 2 else ():
            block = _named(data, _rows_of(film["species"], part))
            moving = "id" in film and film["id"] != film["species"]
            if (block.sum(axis=1) != real.sum()).any() or not (moving or (block == real).all()):
                raise TrajectoryError(
                    f"{path} must hold the same particles in all frames; rows of its species are "
                    "fillers in some of them only."
                )
        if len(np.unique(kinds[real])) > 1:
            notices.append(f"all species of {path.name} count as particles of the film")
    left = stored - int(real.sum())
    if "id" in film:
        data = _checked(film, "id", stored, frames, path)
        left = stored - int((real & _named(data, _rows_of(film["id"], slice(0, 1))[0])).sum())
    if left == stored:
        raise TrajectoryError(f"{path} must hold at least one particle; all its rows are fillers.")
    if left:
        notices.append(f"{left} of {stored} rows of {path.name} are fillers and are left out")
    return real


def _checked(film: Any, name: str, stored: int, frames: int, path: Path) -> Any:
    """Return the array of names of particles or species, (stored,) or (frames, stored)."""
    fixed = not hasattr(film[name], "keys")
    data = film[name] if fixed else film[name]["value"]
    if data.dtype.kind not in "iu":
        raise TrajectoryError(f"{path} must hold whole numbers as {name}; it holds {data.dtype}.")
    good = data.shape == (stored,) if fixed else data.ndim == 2 and data.shape[1] == stored
    if not good or (not fixed and data.shape[0] < frames):
        raise TrajectoryError(
            f"{path} must hold one {name} for each of {stored} rows; it holds {data.shape}."
        )
    if not fixed:
        same_steps(film, name, frames, path)
    return data


def _rows_of(element: Any, frames: slice) -> Integers:
    """Return names of some frames, (frames, stored); one row where they are fixed in time."""
    if hasattr(element, "keys"):
        return np.asarray(element["value"][frames], dtype=np.int64)
    return np.asarray(element[()], dtype=np.int64)[None]


def _named(data: Any, names: Integers) -> NDArray[np.bool_]:
    """Return which names are no fillers: neither -1 nor the fill value that a writer chose."""
    import h5py

    real = names != -1
    if data.dtype.kind == "u":
        real &= names != np.int64(np.array(np.iinfo(data.dtype).max).astype(np.int64))
    chosen = data.id.get_create_plist().fill_value_defined() == h5py.h5d.FILL_VALUE_USER_DEFINED
    return np.asarray(real & (names != np.int64(data.fillvalue)) if chosen else real)


def _sorted_rows(block: Integers, names: Integers) -> Integers:
    """Return the row of each name in every frame, (frames, count)."""
    order = np.argsort(block, axis=1, kind="stable")
    ranked = np.take_along_axis(block, order, axis=1)
    place = np.array([np.searchsorted(row, names) for row in ranked])
    return np.take_along_axis(order, np.minimum(place, block.shape[1] - 1), axis=1)


def _unless_all(rows: Integers, stored: int) -> Integers | None:
    """Return rows, None where they are all rows as they stand."""
    return None if np.array_equal(rows, np.arange(stored)) else rows


def slices(frames: int, stored: int) -> list[slice]:
    """Return the frames in parts that fit into memory."""
    size = max(1, BLOCK // stored)
    return [slice(k, min(k + size, frames)) for k in range(0, frames, size)]
