"""Pieces of an array of an HDF5 file that are not where they are looked for.

An array is stored in pieces (chunks) that an index leads to. Of one that a flipped bit or a hole
has lost HDF5 says nothing and gives zeros. To count them is not enough: a flipped bit may have
moved one to another place.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any


def lost_piece(data: Any, starts: Sequence[Sequence[int]]) -> tuple[int, ...] | None:
    """Return where the first lost piece of an array begins, None where all are there.

    Parameters
    ----------
    data : h5py.Dataset
        An array that is stored in pieces.
    starts : sequence of sequences of int
        For each axis, where the pieces begin that are looked for.
    """
    there: set[tuple[int, ...]] = set()
    data.id.chunk_iter(lambda piece: there.add(piece.chunk_offset))
    return next((place for place in _places(starts) if place not in there), None)


def _places(starts: Sequence[Sequence[int]]) -> Iterator[tuple[int, ...]]:
    """Cross the starts along all axes one by one, as a spoilt file may say to have billions."""
    if not starts:
        yield ()
        return
    for first in starts[0]:
        for rest in _places(starts[1:]):
            yield (first, *rest)
