"""What a run file may not hold, whatever its contents mean: parts elsewhere, and absurd sizes.

A run is one file. Links and arrays that lie in other files are refused, as a file from somewhere
else could otherwise have any file of this machine read, or a pipe that never answers. So are arrays
that say to be larger than the file can hold: HDF5 gives zeros for what was never written, and the
memory for them would have to be there.

The limits of numbers are far beyond every film; they keep what is computed from them finite.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.large_numbers import LARGEST_NUMBER

__all__ = ["LONGEST", "NUMBER", "SHORTEST", "WIDEST", "TrajectoryError", "largest", "obstacle"]

LARGEST_RATIO = 1032
"""The deflate format packs at most so many bytes into one (from memory)."""
SMALL = 1_000_000
"""Arrays up to this many bytes do no harm."""
LARGEST_CHUNK = 64_000_000
"""A chunk is read as a whole, however little of it counts; no writer makes larger ones."""

SHORTEST, LONGEST = 1e-30, 1e30
"""Lengths and sizes of particles in SI: their squares and cubes are numbers still."""
NUMBER = LARGEST_NUMBER
"""Other numbers are at most so large."""
WIDEST = 100_000
"""Diameters along a side of the patch: tables of distances grow with it."""


class TrajectoryError(ValueError):
    """A file that cannot be read as a run: one sentence that names the file and what is missing."""


def largest(values: NDArray[np.float64]) -> float:
    """Return the largest magnitude of an array, NaN if it holds one, 0 of an empty one."""
    return float(np.max(np.abs(values), initial=0.0))


def obstacle(file: Any, path: Path) -> str:
    """Say what keeps a file from being read at all; to ask follows no link and reads no array.

    Parameters
    ----------
    file : h5py.File
        The opened file.
    path : Path
        Where it is.

    Returns
    -------
    str
        One sentence, empty where there is nothing in the way.
    """
    import h5py

    in_file = path.stat().st_size

    def link(name: str, what: Any) -> str | None:
        if not isinstance(what, h5py.ExternalLink):
            return None
        return f"/{name} is a link to {what.filename}"

    def item(name: str, what: Any) -> str | None:
        if not isinstance(what, h5py.Dataset):
            return None
        if what.is_virtual or what.external:
            return f"the values of /{name} lie in another file"
        if _bytes(what, what.shape) > _most_bytes(what, in_file):
            return f"/{name} says to be of shape {what.shape}, more than the file holds of it"
        if what.chunks and _bytes(what, what.chunks) > max(
            LARGEST_CHUNK, 2 * _bytes(what, what.shape)
        ):
            return f"/{name} says to be stored in pieces of {_bytes(what, what.chunks)} bytes"
        return None

    found = file.visititems_links(link) or file.visititems(item)
    return f"{path} must hold all of its run itself; {found}." if found else ""


def _bytes(data: Any, shape: Any) -> int:
    """Bytes of a shape; Python's integers, as the sizes of a spoilt file may pass 64 bits."""
    return math.prod(map(int, shape or ()), start=int(data.dtype.itemsize))


def _most_bytes(data: Any, in_file: int) -> int:
    """Bytes that an array may say to have, by what is stored of it.

    Twice what is stored, as a killed writer may have made room for rows that it never wrote.
    """
    from h5py import h5z

    stored = min(int(data.id.get_storage_size()), in_file)
    plist = data.id.get_create_plist()
    filters = {plist.get_filter(k)[0] for k in range(plist.get_nfilters())}
    packed = filters - {h5z.FILTER_FLETCHER32, h5z.FILTER_SHUFFLE}
    return max(SMALL, (LARGEST_RATIO if packed else 2) * stored)
