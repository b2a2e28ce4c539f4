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
        If it is missing, a folder, not HDF5, cut short, or may not be read or written.
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
        return h5py.File(path, mode, libver="earliest")
    except BlockingIOError as error:
        raise InUseError(f"{path} is in use by another program") from error
    except PermissionError as error:
        raise RunFileError(f"{path} may not be written") from error
    except (OSError, RuntimeError) as error:
        if "already open" in str(error):  # by this process, in another mode
            raise InUseError(f"{path} is in use by this program") from error
        raise RunFileError(f"{path} is cut short or damaged: it cannot be opened") from error
