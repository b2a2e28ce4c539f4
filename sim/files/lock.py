"""One writer per folder: a lock that ends with its holder, however the holder ends.

The lock is the system's, on the file `.lock`. A file that locks by being there would outlive a
kill, and the process number in it may by then be that of another program. Who holds the lock stands
in `.writer`, for messages only.

Some network disks have no such locks. There the file does lock by being there, and what
`.writer` says decides whether its holder lives: process number, the time at which that process
began, and the machine.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import psutil

from analysis.common.errors import InputError

if TYPE_CHECKING:
    from filelock import BaseFileLock

WAIT_SECONDS, LOOK_SECONDS = 0.25, 0.05
"""A look at a lock takes it for a moment; that is no writer, and is waited for."""
_UNSUPPORTED = {errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS}

_LOCK, _WRITER = ".lock", ".writer"
LOCK_FILES = (_WRITER, _LOCK)
"""What lies in a folder while it is written; a killed run leaves it behind."""
_CLOCK_SHIFTS_S = 2.0
"""The system tells the begin of a process from a clock that may be set meanwhile."""


class FolderError(InputError):
    """An output folder that may not be used; the text is one sentence for the user."""


class LockedError(FolderError):
    """A folder that another process writes; the text is one sentence for the user."""


@contextlib.contextmanager
def held(folder: Path) -> Iterator[list[str]]:
    """Hold the lock of a folder, which must exist.

    Parameters
    ----------
    folder : Path
        The folder.

    Yields
    ------
    list of str
        A notice if an earlier holder was killed.

    Raises
    ------
    LockedError
        If another process holds it.
    FolderError
        If the folder cannot be written.
    """
    try:
        lock = _take(folder)
        before = _holder(folder)
        _sign(folder)
    except OSError as error:
        raise FolderError(f"output folder {folder} cannot be written: {error.strerror}") from error
    try:
        taken = f"{_who(before)} was killed while it wrote {folder}; its lock is taken over"
        yield [taken] if before else []
    finally:
        for name in LOCK_FILES:  # before the lock is let go: who waits for it sees they are gone
            with contextlib.suppress(OSError):  # gone with its folder, or read-only by now
                (folder / name).unlink()
        lock.release()


def refuse_if_held(folder: Path) -> None:
    """Refuse a folder that another process writes, without changing anything in it.

    Raises
    ------
    LockedError
        If another process holds its lock.
    """
    if (folder / _LOCK).exists():
        with contextlib.suppress(OSError):  # one that cannot be read; taking it says what is wrong
            _take(folder, look=True).release()


def _take(folder: Path, *, look: bool = False) -> BaseFileLock:
    """Return the lock, taken; on a disk without locks a look finds out that its holder is gone."""
    from filelock import FileLock, SoftFileLock, Timeout

    lock: BaseFileLock = FileLock(folder / _LOCK, mode=0o644, fallback_to_soft=False)
    try:
        try:
            lock.acquire(timeout=WAIT_SECONDS, poll_interval=LOOK_SECONDS)
        except OSError as error:
            if error.errno not in _UNSUPPORTED:
                raise
            _require_gone(folder, _holder(folder))
            if not look:
                (folder / _LOCK).unlink(missing_ok=True)
                lock = SoftFileLock(folder / _LOCK)
                lock.acquire(blocking=False)
    except Timeout as error:
        raise LockedError(_sentence(folder, _holder(folder))) from error
    return lock


def _sign(folder: Path) -> None:
    """Write who holds the lock; a full disk only makes the messages poorer."""
    holder = {
        "process": os.getpid(),
        "began": psutil.Process().create_time(),
        "host": socket.gethostname(),
        "since": time.strftime("%Y-%m-%d %H:%M:%S"),
    }
    path = folder / _WRITER
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
        with path.open("x", encoding="utf-8") as note:  # no link is followed
            json.dump(holder, note)


def _holder(folder: Path) -> dict[str, str]:
    """Read who holds, or held, the lock; {} where nothing says."""
    try:
        with (folder / _WRITER).open("rb") as note:
            found = json.loads(note.read(4096))
        return {name: str(found[name])[:100] for name in ("process", "began", "host", "since")}
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return {}


def _require_gone(folder: Path, holder: dict[str, str]) -> None:
    """Refuse a folder whose lock file names a process that lives, or one that cannot be seen."""
    if not holder:
        return
    if holder["host"] != socket.gethostname():
        raise LockedError(
            f"output folder {folder} is locked by {_who(holder)}, and its disk has no locks that "
            f"end with a process; if that one is gone, remove {folder / _LOCK}"
        )
    if _lives(holder):
        raise LockedError(_sentence(folder, holder))


def _lives(holder: dict[str, str]) -> bool:
    """Return whether the process of a lock file on this machine is still the same and alive."""
    try:
        began = psutil.Process(int(holder["process"])).create_time()
        return bool(abs(began - float(holder["began"])) < _CLOCK_SHIFTS_S)
    except (psutil.Error, ValueError, OverflowError):
        return False


def _who(holder: dict[str, str]) -> str:
    if not holder:
        return "another process"
    here = "this machine" if holder["host"] == socket.gethostname() else "another machine"
    return f"process {holder['process']} on {holder['host']} ({here}, since {holder['since']})"


def _sentence(folder: Path, holder: dict[str, str]) -> str:
    return (
        f"output folder {folder} is being written by {_who(holder)}; wait for its end, stop it, or "
        "name another folder with -o"
    )
