"""Pieces of arrays that a run file has lost: HDF5 says nothing and gives zeros in their place.

Arrays are stored in pieces (chunks) that an index leads to. A file of which one flipped bit or a
hole has spoilt the index reads like a whole one, so the pieces are counted before they are read.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from analysis.common.lost_pieces import lost_piece
from analysis.files.checks import TrajectoryError
from analysis.trajectory.particles import Particles

__all__ = ["arrays_of", "require_pieces"]

MOVING = ("value", "step", "time")
"""Names of arrays that have a row a frame, in H5MD."""


def arrays_of(group: Any) -> list[Any]:
    """Return all arrays of an HDF5 group and of the groups in it."""
    found: list[Any] = []

    def note(_: str, item: Any) -> None:
        if hasattr(item, "dtype"):
            found.append(item)

    group.visititems(note)
    return found


def require_pieces(
    arrays: Iterable[Any], frames: int, path: Path, particles: Particles | None = None
) -> None:
    """Refuse arrays that lack numbers which are going to be read.

    Parameters
    ----------
    arrays : iterable of h5py.Dataset
        What is read. Those of a fill value of the writer's own may leave out what equals it.
    frames : int
        Frames that count; a killed writer may have made room for more.
    path : Path
        The file, for errors.
    particles : Particles, optional
        Which rows of a frame are particles, where they are known: fillers need no numbers.

    Raises
    ------
    TrajectoryError
        Where a piece is not there.
    """
    for data in arrays:
        if lost := _lost(data, frames, particles):
            raise TrajectoryError(
                f"{path} must hold all that it was given; {data.name} has lost {lost}, and HDF5 "
                "reads zeros in their place."
            )


def _lost(data: Any, frames: int, particles: Particles | None) -> str:
    """Say which numbers are not in the file, "" where all are."""
    from h5py import h5d

    plan = data.id.get_create_plist()
    if not data.size or plan.fill_value_defined() == h5d.FILL_VALUE_USER_DEFINED:
        return ""
    if not data.chunks:
        return "" if data.id.get_storage_size() else "all its numbers"
    sides = list(zip(data.shape, data.chunks, strict=True))
    moving = data.name.rpartition("/")[2] in MOVING
    starts: list[Sequence[int]] = [range(0, size, piece) for size, piece in sides]
    if moving:
        starts[0] = range(0, min(frames, data.shape[0]), data.chunks[0])
    axis = 1 if moving else 0  # of the particles
    if particles and particles.rows is not None and data.shape[axis:][:1] == (particles.stored,):
        piece = data.chunks[axis]
        starts[axis] = sorted({int(row) // piece * piece for row in particles.rows})
    lost = lost_piece(data, starts)
    if lost is None or not moving:
        return "" if lost is None else "some of its numbers"
    last = min(lost[0] + data.chunks[0], frames, data.shape[0]) - 1
    return f"numbers of frames {lost[0]} to {last}"
