"""Opening an HDF5 file with one clear sentence for each way in which it can be wrong."""

from __future__ import annotations

from pathlib import Path

import h5py

__all__ = ["InUseError", "RunFileError", "open_hdf5"]

_SIGNATURE = b"\x89HDF\r\n\x1a\n"


class RunFileError(ValueError):
    """A run file or checkpoint that cannot be used; the text is one sentence for the user."""


class InUseError(RunFileError):
    """A run file or checkpoint that another program has open; nothing is wrong with it."""


def open_hdf5(path: Path, mode: str) -> h5py.File:
    """Open an HDF5 file for reading ("r") or changing ("r+").

    Parameters
    ----------
    path : Path
        The file.
    mode : str
        "r" or "r+".

    Returns
    -------
    h5py.File
        The open file.

    Raises
    ------
    RunFileError
        If it is missing, a folder, not HDF5, cut short, may not be read or written, or has parts
        in other files: to go on with a run would write into those.
    InUseError
        If another program has it open.
    """
    if not path.exists():
        raise RunFileError(f"{path} does not exist")
    if path.is_dir():
        raise RunFileError(f"{path} is a folder, not a file")
    try:
        with path.open("rb") as raw:
            signature = raw.read(len(_SIGNATURE))
    except OSError as error:
        raise RunFileError(f"{path} cannot be read: {error.strerror}") from error
    if signature != _SIGNATURE:
        raise RunFileError(f"{path} is not an HDF5 file")
    try:
        file = h5py.File(path, mode, libver="earliest")
    except BlockingIOError as error:
        raise InUseError(f"{path} is in use by another program") from error
    except PermissionError as error:
        raise RunFileError(f"{path} may not be written") from error
    except (OSError, RuntimeError) as error:
        if "already open" in str(error):  # by this process, in another mode
            raise InUseError(f"{path} is in use by this program") from error
        raise RunFileError(f"{path} is cut short or damaged: it cannot be opened") from error
    part = _part_elsewhere(file)
    if part:
        file.close()
        raise RunFileError(
            f"{path} must hold all of its contents itself; {part} is in another file"
        )
    return file


def _part_elsewhere(file: h5py.File) -> str:
    """Name a link to another file, or an array whose values are in one; "" where there is none."""

    def link(name: str, what: object) -> str | None:
        return f"/{name}" if isinstance(what, h5py.ExternalLink) else None

    def item(name: str, what: object) -> str | None:
        elsewhere = isinstance(what, h5py.Dataset) and (what.is_virtual or what.external)
        return f"/{name}" if elsewhere else None

    try:
        return str(file.visititems_links(link) or file.visititems(item) or "")
    except (RuntimeError, OSError, LookupError, SystemError, TypeError, ValueError):
        return ""  # a damaged part is told by whoever reads it
