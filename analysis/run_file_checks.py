"""What a run file may not hold, whatever its contents mean: parts elsewhere, and more than fits in.

A run is one file. Links and arrays that lie in other files are refused, as a file from somewhere
else could otherwise have any file of this machine read, or a pipe that never answers. So are arrays
that say to be larger than the file can hold: HDF5 gives zeros for what was never written, and the
memory for them would have to be there.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

__all__ = ["obstacle"]

LARGEST_RATIO = 1032
"""The deflate format packs at most so many bytes into one (from memory)."""
SMALL = 1_000_000
"""Arrays up to this many bytes do no harm."""


def obstacle(file: Any, path: Path) -> str:
    """Say what keeps a file from being read at all.

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

    most = max(SMALL, LARGEST_RATIO * path.stat().st_size)

    def link(name: str, what: Any) -> str | None:
        if not isinstance(what, h5py.ExternalLink):
            return None
        return f"/{name} is a link to {what.filename}"

    def item(name: str, what: Any) -> str | None:
        if not isinstance(what, h5py.Dataset):
            return None
        if what.is_virtual or what.external:
            return f"the values of /{name} lie in another file"
        # Python's integers: the sizes of a spoilt file may pass 64 bits.
        size = what.dtype.itemsize
        for side in what.shape or ():
            size *= int(side)
        if size > most:
            return f"/{name} says to be of shape {what.shape}, more than a file of this size holds"
        return None

    found = file.visititems_links(link) or file.visititems(item)
    return f"{path} must hold all of its run itself; {found}." if found else ""
