"""Whether the heaps of an HDF5 file, in which texts lie, can be walked to their end.

HDF5 goes through a heap from object to object by the sizes that stand in it. A free one of size 0,
as a page of zeros makes it, it never leaves, and no signal reaches it there. So the heaps are
walked before HDF5 does. `sim` has the same for the files that it goes on with.

Source: HDF5 File Format Specification, version 3, section III.E (Global Heap).
"""

from __future__ import annotations

import mmap
from pathlib import Path

__all__ = ["endless_heap"]

HEAD = b"GCOL\x01\0\0\0"
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
    if path.stat().st_size == 0:
        return False
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        # Copied piece by piece: bytes are searched many times faster than a map of a file.
        for first in range(0, len(content), PIECE):
            piece = content[first : first + PIECE + len(HEAD) - 1]
            place = piece.find(HEAD)
            while place >= 0:
                if not _ends(content, first + place):
                    return True
                place = piece.find(HEAD, place + 1)
    return False


def _ends(content: mmap.mmap, place: int) -> bool:
    """Walk one heap."""

    def number(at: int, length: int) -> int:
        return int.from_bytes(content[at : at + length], "little")

    end = place + number(place + 8, 8)
    if end > len(content):
        return True  # HDF5 refuses what is cut off
    place += OBJECT
    while place + OBJECT <= end:
        size = number(place + 8, 8)
        # Object 0 is what is free, head included; others are filled up to eights.
        step = size if number(place, 2) == 0 else OBJECT + (size + 7) // 8 * 8
        if not 0 < step <= end - place:
            return False
        place += step
    return True
