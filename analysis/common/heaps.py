"""Whether the heaps of an HDF5 file, in which texts lie, can be walked to their end.

HDF5 goes through a heap from object to object by the sizes that stand in it. A free one of size 0,
as a page of zeros makes it, it never leaves, and no signal reaches it there. So the heaps are
walked before HDF5 does. It is so for files that are measured and for those that a run goes on with.

Source: HDF5 File Format Specification, version 3, section III.E (Global Heap).
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import BinaryIO

import numpy as np

from analysis.common.blocks import blocks_of, on_all_cores

HEAD = b"GCOL\x01\0\0\0"
FIRST = int.from_bytes(HEAD[:4], "little")
OBJECT = 16
"""Bytes of the head of a heap and of each object in it, with sizes of 8 bytes as h5py writes."""
PIECE = 4_000_000
"""Bytes that are searched at once."""


def endless_heap(path: Path) -> bool:
    """Return whether a file has a heap that never ends, or leads out of itself.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    bool
        True if reading a text from the file may never end.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as file:
        return not all(_ends(file, place) for place in _heads(file))


def _heads(file: BinaryIO) -> list[int]:
    """Return where heads of heaps stand; a checkpoint may have gigabytes to search."""
    found: list[int] = []

    def look(piece: slice) -> None:
        # a head may lie across two pieces
        content = os.pread(file.fileno(), PIECE + len(HEAD) - 1, piece.start)
        for shift in range(min(4, len(content) - 3)):
            words = np.frombuffer(content, "<u4", (len(content) - shift) // 4, shift)
            places = 4 * np.flatnonzero(words == FIRST) + shift
            found.extend(piece.start + k for k in places.tolist() if content.startswith(HEAD, k))

    on_all_cores(look, blocks_of(os.fstat(file.fileno()).st_size, PIECE))
    return sorted(found)


def _ends(file: BinaryIO, place: int) -> bool:
    """Walk the heap at a place; one that the file cuts off is refused by HDF5."""

    def sizes(at: int) -> tuple[int, int]:
        file.seek(at)
        head = file.read(OBJECT)
        return int.from_bytes(head[:2], "little"), int.from_bytes(head[8:], "little")

    end = place + sizes(place)[1]
    if end > file.seek(0, os.SEEK_END):
        return True
    place += OBJECT
    while place + OBJECT <= end:
        number, size = sizes(place)
        # Object 0 is what is free, head included; others are filled up to eights.
        step = size if number == 0 else OBJECT + (size + 7) // 8 * 8
        if not 0 < step <= end - place:
            return False
        place += step
    return True
