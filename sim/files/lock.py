"""One writer a folder: a lock that ends with its holder, however the holder ends.

The lock is the system's (`flock`) on the file `.lock`. A file that locks by being there would
outlive a kill, and the process number in it may by then be that of another program. What the file
says, who holds it, is for messages only.

Some network disks and systems have no such locks. There the file does lock by being there, and
what it says decides whether its holder lives: process number, the time at which that process
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
from typing import Any

from analysis.common.errors import InputError

try:
    import fcntl
except ImportError:  # a system without flock
    fcntl = None  # type: ignore[assignment]

__all__ = ["LOCK_NAME", "FolderError", "LockedError", "held", "refuse_if_held"]

TRIES, PAUSE_SECONDS = 5, 0.05
"""A look at a lock takes it for a moment; that is no writer, and is waited for."""
_UNSUPPORTED = {errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS}
_MODE = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)

LOCK_NAME = ".lock"
"""File that is locked while a folder is written; a killed run leaves it behind."""


class FolderError(InputError):
    """An output folder that may not be used; the text is one sentence for the user."""


class LockedError(FolderError):
    """A folder that another process writes; the text is one sentence for the user."""


class _NoLocks(Exception):
    """The disk or the system has no locks."""


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
    path = folder / LOCK_NAME
    try:
        handle, before = _take(path)
        _sign(handle)
    except OSError as error:
        raise FolderError(f"output folder {folder} cannot be written: {error.strerror}") from error
    try:
        yield [_left_behind(folder, before)] if before else []
    finally:
        with contextlib.suppress(OSError):  # gone with its folder, or read-only by now
            path.unlink()  # before the lock is let go: who waits for this file sees it is gone
        os.close(handle)


def refuse_if_held(folder: Path) -> None:
    """Refuse a folder that another process writes, without changing anything in it.

    Raises
    ------
    LockedError
        If another process holds its lock.
    """
    try:
        handle = os.open(folder / LOCK_NAME, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
    except OSError:
        return  # no lock, or none that can be read; taking it says what is wrong
    try:
        _flock(handle, shared=True)
    except BlockingIOError as error:
        raise LockedError(_sentence(folder, _holder(handle))) from error
    except _NoLocks:
        _require_gone(folder, _holder(handle))
    finally:
        os.close(handle)


def _take(path: Path) -> tuple[int, dict[str, Any]]:
    """Return the locked file and who held it before; {} where nobody was killed."""
    for left in range(TRIES, 0, -1):
        # No link is followed: the file that is written is in this folder.
        handle = os.open(path, _MODE, 0o644)
        try:
            _flock(handle)
            if _is_file_at(handle, path):
                return handle, _holder(handle)
        except BlockingIOError as error:
            if left == 1:
                raise LockedError(_sentence(path.parent, _holder(handle))) from error
        except _NoLocks:
            os.close(handle)
            return _take_by_being_there(path)
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)
        time.sleep(PAUSE_SECONDS)
    raise LockedError(_sentence(path.parent, {}))


def _take_by_being_there(path: Path) -> tuple[int, dict[str, Any]]:
    """Make the file anew, after making sure that who wrote the old one is gone."""
    before: dict[str, Any] = {}
    with contextlib.suppress(FileNotFoundError):
        before = _read_holder(path)
        _require_gone(path.parent, before)
        path.unlink()
    try:
        return os.open(path, _MODE | os.O_EXCL, 0o644), before
    except FileExistsError as error:  # another took it over at the same moment
        raise LockedError(_sentence(path.parent, {})) from error


def _flock(handle: int, *, shared: bool = False) -> None:
    """Lock an open file at once, or say that it is locked or that there are no locks."""
    if fcntl is None:
        raise _NoLocks
    try:
        fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except BlockingIOError:
        raise
    except OSError as error:
        if error.errno in _UNSUPPORTED:
            raise _NoLocks from error
        raise


def _is_file_at(handle: int, path: Path) -> bool:
    """Return whether the file still has its name: its last holder may have removed it."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except FileNotFoundError:
        return False


def _sign(handle: int) -> None:
    """Write who holds the lock; a full disk only makes the messages poorer."""
    holder = {
        "process": os.getpid(),
        "began": _began(os.getpid()),
        "host": socket.gethostname(),
        "since": time.strftime("%Y-%m-%d %H:%M:%S"),
    }
    with contextlib.suppress(OSError):
        os.truncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, json.dumps(holder).encode())


def _holder(handle: int) -> dict[str, Any]:
    """Read who holds, or held, the lock; {} where the file does not say."""
    try:
        os.lseek(handle, 0, os.SEEK_SET)
        found = json.loads(os.read(handle, 4096))
        return {name: str(found[name])[:100] for name in ("process", "began", "host", "since")}
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return {}


def _read_holder(path: Path) -> dict[str, Any]:
    handle = os.open(path, os.O_RDONLY)
    try:
        return _holder(handle)
    finally:
        os.close(handle)


def _began(process: int) -> str:
    """Return when a process began, in ticks since the machine did; "" where that is not told.

    Field 22 of /proc/PID/stat, counted after the name, which ends in the last parenthesis.
    """
    try:
        text = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace")
        return text.rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""


def _require_gone(folder: Path, holder: dict[str, Any]) -> None:
    """Refuse a folder whose lock file names a process that lives, or one that cannot be seen."""
    if not holder:
        return
    if holder["host"] != socket.gethostname():
        raise LockedError(
            f"output folder {folder} is locked by {_who(holder)}, and its disk has no locks that "
            f"end with a process; if that one is gone, remove {folder / LOCK_NAME}"
        )
    if _lives(holder):
        raise LockedError(_sentence(folder, holder))


def _lives(holder: dict[str, Any]) -> bool:
    """Return whether the process of a lock file on this machine is still the same and alive."""
    try:
        os.kill(int(holder["process"]), 0)
    except (ProcessLookupError, ValueError, OverflowError):
        return False
    except PermissionError:
        pass  # it is there, and belongs to another user
    return bool(holder["began"] == _began(int(holder["process"])))


def _who(holder: dict[str, Any]) -> str:
    if not holder:
        return "another process"
    here = "this machine" if holder["host"] == socket.gethostname() else "another machine"
    return f"process {holder['process']} on {holder['host']} ({here}, since {holder['since']})"


def _sentence(folder: Path, holder: dict[str, Any]) -> str:
    return (
        f"output folder {folder} is being written by {_who(holder)}; wait for its end, stop it, or "
        "name another folder with -o"
    )


def _left_behind(folder: Path, holder: dict[str, Any]) -> str:
    return f"{_who(holder)} was killed while it wrote {folder}; its lock is taken over"
