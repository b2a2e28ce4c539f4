"""What an HDF5 file may not hold, whatever its contents mean: parts elsewhere, and absurd sizes.

A run is one file. Links and arrays that lie in other files are refused, as a file from somewhere
else could otherwise have any file of this machine read, or written, or a pipe that never answers.
So are arrays that say to be larger than the file can hold: HDF5 gives zeros for what was never
written, and the memory for them would have to be there.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

LARGEST_RATIO = 1032
"""The deflate format packs at most so many bytes into one (from memory)."""
SMALL = 1_000_000
"""Arrays up to this many bytes do no harm."""
LARGEST_CHUNK = 64_000_000
"""A chunk is read as a whole, however little of it counts; no writer makes larger ones."""


def foreign_part(file: Any, path: Path) -> str:
    """Say what is in another file, or is nowhere; to ask follows no link and reads no array.

    Parameters
    ----------
    file : h5py.File
        The opened file.
    path : Path
        Where it is.

    Returns
    -------
    str
        A clause, empty where all is in the file.
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
        size, piece = _bytes(what, what.shape), _bytes(what, what.chunks)
        if size > _most_bytes(what, in_file):
            return f"/{name} says to be of shape {what.shape}, more than the file holds of it"
        if what.chunks and piece > max(LARGEST_CHUNK, 2 * size):
            return f"/{name} says to be stored in pieces of {piece} bytes"
        return None

    return str(file.visititems_links(link) or file.visititems(item) or "")


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
