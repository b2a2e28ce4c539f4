"""Opens a file that may hold anything: every surprise becomes an error that names the file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from analysis.trajectory.arrays import TrajectoryError

Read = TypeVar("Read")


def guarded(path: Path, read: Callable[[], Read]) -> Read:
    """Read from a file that may hold anything: every surprise is an error of the file."""
    try:
        return read()
    except TrajectoryError:
        raise
    except MemoryError as error:
        raise TrajectoryError(
            f"{path} must fit into memory; there is not enough for what it holds."
        ) from error
    except (
        ArithmeticError, AttributeError, LookupError, OSError, RuntimeError, SystemError,
        TypeError, ValueError,
    ) as error:  # fmt: skip
        raise TrajectoryError(
            f"{path} must be a complete H5MD file; reading it failed ({error})."
        ) from error


def opened(path: Path) -> Any:
    """Open the file for reading, or say in one sentence why not."""
    import h5py

    try:
        return h5py.File(path, "r", locking=False)
    except OSError as error:
        if "locking flag" in str(error):  # this process has it open with locks
            return h5py.File(path, "r")
        kind = "is not an HDF5 file" if not h5py.is_hdf5(path) else "is truncated or unreadable"
        raise TrajectoryError(f"{path} must be an H5MD file (HDF5); it {kind}.") from error
