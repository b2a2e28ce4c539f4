"""Opening an HDF5 file with one clear sentence for each way in which it can be wrong."""

from __future__ import annotations

import contextlib
from pathlib import Path

import h5py

from analysis.common.errors import InputError
from analysis.common.foreign_parts import foreign_part
from analysis.common.heaps import endless_heap

SPOILT = (RuntimeError, OSError, LookupError, SystemError, TypeError, ValueError)
"""What reading a damaged part may raise."""
_SIGNATURE = b"\x89HDF\r\n\x1a\n"


class RunFileError(InputError):
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
        in other files (to go on with a run would write into those) or nowhere.
    InUseError
        If another program has it open.
    """
    if not path.exists():
        raise RunFileError(f"{path} does not exist")
    if path.is_dir():
        raise RunFileError(f"{path} is a folder, not a file")
    if not path.is_file():  # a pipe would never answer
        raise RunFileError(f"{path} is no ordinary file")
    try:
        with path.open("rb") as raw:
            signature = raw.read(len(_SIGNATURE))
    except OSError as error:
        raise RunFileError(f"{path} cannot be read: {error.strerror}") from error
    if signature != _SIGNATURE:
        raise RunFileError(f"{path} is not an HDF5 file")
    if endless_heap(path):
        raise RunFileError(f"{path} is damaged: the texts in it cannot be read")
    try:
        file = h5py.File(path, mode, libver="earliest")
    except BlockingIOError as error:
        raise InUseError(f"{path} is in use by another program") from error
    except PermissionError as error:
        raise RunFileError(f"{path} may not be written") from error
    except (OSError, RuntimeError) as error:
        if "already open" in str(error) or "locking flag" in str(error):
            # by this process, in another mode, or without locks as measuring does
            raise InUseError(f"{path} is in use by this program") from error
        raise RunFileError(f"{path} is cut short or damaged: it cannot be opened") from error
    part = ""
    with contextlib.suppress(*SPOILT):  # a damaged part is told by whoever reads it
        part = foreign_part(file, path)
    if part:
        file.close()
        raise RunFileError(f"{path} must hold all of its contents itself; {part}")
    return file
