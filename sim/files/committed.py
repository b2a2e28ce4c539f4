"""A file that HDF5 writes into and that a kill, a full disk or a power cut cannot tear.

HDF5 changes its indices in place, a piece at a time; a kill between two pieces leaves an index
that points at nothing, and every frame behind it is lost. So what would change bytes that already
count is held back until `commit`. A commit writes these pages beside the file, brings them to the
disk, and only then puts them into the file; `recover` does that again where a kill came between.
What is appended goes into the file at once: nothing that counts points there before the commit.

A write that fails is no error to HDF5, which would keep a file open that it cannot close: all goes
on in memory, and the commit fails.

Python file objects are what h5py takes in place of a path (its driver "fileobj").
"""

from __future__ import annotations

import errno
import io
import os
import struct
import zlib
from pathlib import Path

PAGE = 4096
_HEAD = struct.Struct("<8sQQI")
_MAGIC = b"chfilmj1"


def journal_of(path: Path) -> Path:
    """Return the file that holds the pages of a commit until they are in the file."""
    return path.with_name(f".{path.name}.commit")


def recover(path: Path) -> None:
    """Finish the commit that a kill has cut off, if there is one; one that is not whole never was.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    journal = journal_of(path)
    try:
        content = journal.read_bytes()
    except FileNotFoundError:
        return
    found = _pages_in(content)
    if found is not None and path.exists():
        size, pages = found
        handle = os.open(path, os.O_RDWR)
        try:
            _apply(handle, size, pages)
        finally:
            os.close(handle)
    journal.unlink()


def _pages_in(content: bytes) -> tuple[int, dict[int, bytes]] | None:
    """Read a journal; None where it is cut short or damaged."""
    if len(content) < _HEAD.size:
        return None
    magic, size, count, check = _HEAD.unpack_from(content)
    body = content[_HEAD.size :]
    if magic != _MAGIC or len(body) != count * (8 + PAGE) or zlib.crc32(body) != check:
        return None
    starts = range(0, len(body), 8 + PAGE)
    return size, {
        int.from_bytes(body[i : i + 8], "little"): body[i + 8 : i + 8 + PAGE] for i in starts
    }


def _apply(handle: int, size: int, pages: dict[int, bytes] | dict[int, bytearray]) -> None:
    """Put the pages of a commit into the file and bring it to the disk."""
    for number, page in pages.items():
        os.pwrite(handle, page, number * PAGE)
    os.ftruncate(handle, size)
    os.fsync(handle)


def _write(path: Path, content: bytes) -> None:
    """Write a file and bring it to the disk."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o666)
    try:
        done = 0
        while done < len(content):
            done += os.pwrite(handle, content[done:], done)
        os.fsync(handle)
    finally:
        os.close(handle)


class CommittedFile(io.RawIOBase):
    """A file whose content changes by whole commits only.

    Parameters
    ----------
    path : Path
        The file; a commit that was cut off must have been recovered.
    new : bool
        Whether to make it, replacing one that is there.
    """

    def __init__(self, path: Path, *, new: bool) -> None:
        self._path = path
        self._journal = journal_of(path)
        if new:
            self._journal.unlink(missing_ok=True)
        mode = os.O_RDWR | (os.O_CREAT | os.O_TRUNC if new else 0)
        self._handle = os.open(path, mode | getattr(os, "O_CLOEXEC", 0), 0o666)
        self._size = os.fstat(self._handle).st_size
        self._at = 0
        self._kept = self._pages_of_size()
        self._room = self._size
        self._pages: dict[int, bytearray] = {}
        self.trouble: OSError | None = None

    def readable(self) -> bool:
        """Return true."""
        return True

    def writable(self) -> bool:
        """Return true."""
        return True

    def seekable(self) -> bool:
        """Return true."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move to a place in the file as it will be after the commit."""
        self._at = offset + {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._size}[whence]
        return self._at

    def tell(self) -> int:
        """Return the place."""
        return self._at

    def readinto(self, buffer: memoryview | bytearray) -> int:  # type: ignore[override]
        """Read the file as it will be after the commit."""
        view = memoryview(buffer).cast("B")
        first = self._at
        end = max(first, min(first + len(view), self._size))
        stored = os.pread(self._handle, end - first, first)
        view[: len(stored)] = stored
        view[len(stored) : end - first] = bytes(end - first - len(stored))
        for number in range(first // PAGE, -(-end // PAGE)):
            page = self._pages.get(number)
            if page is not None:
                a, b = max(first, number * PAGE), min(end, (number + 1) * PAGE)
                view[a - first : b - first] = page[a - number * PAGE : b - number * PAGE]
        self._at = end
        return end - first

    def write(self, data: bytes | memoryview) -> int:  # type: ignore[override]
        """Append at once; hold back what changes bytes that count."""
        view = memoryview(data).cast("B")
        first, at, end = self._at, self._at, self._at + len(view)
        try:
            while self.trouble is None and max(at, self._kept * PAGE) < end:
                at = max(at, self._kept * PAGE)
                at += os.pwrite(self._handle, view[at - first :], at)
        except OSError as error:
            self._note(error)
        until = end if self.trouble is not None else min(end, self._kept * PAGE)
        self._hold(view[: max(0, until - first)], first)
        self._at, self._size = end, max(self._size, end)
        return end - first

    def _hold(self, view: memoryview, first: int) -> None:
        """Put bytes into the pages that are held back."""
        done = 0
        while done < len(view):
            number, offset = divmod(first + done, PAGE)
            part = view[done : done + PAGE - offset]
            self._page(number)[offset : offset + len(part)] = part
            done += len(part)

    def _pages_of_size(self) -> int:
        """Return the pages that hold bytes which count: these are changed by commits only."""
        return -(-self._size // PAGE)

    def _page(self, number: int) -> bytearray:
        """Return a page that is held back, as it is in the file at first."""
        page = self._pages.get(number)
        if page is None:
            stored = os.pread(self._handle, PAGE, number * PAGE)
            page = self._pages[number] = bytearray(stored.ljust(PAGE, b"\0"))
        return page

    def truncate(self, size: int | None = None) -> int:
        """Set the size that the file has after the commit."""
        self._size = self._at if size is None else size
        return self._size

    def commit(self) -> None:
        """Make all that was written since the last commit count, at once.

        Raises
        ------
        OSError
            If the disk is full or gone; the file stays as the last commit left it.
        """
        try:
            if self.trouble is None:
                self._commit()
        except OSError as error:
            self._note(error)
        if self.trouble is not None:
            raise self.trouble

    def _note(self, error: OSError) -> None:
        """Keep what went wrong, with the name of the file that it went wrong with."""
        if error.filename is None:
            error.filename = str(self._path)
        self.trouble = error

    def _commit(self) -> None:
        about = os.fstat(self._handle)
        if about.st_nlink == 0:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        if self._size > about.st_size:
            os.ftruncate(self._handle, self._size)
        first = min(self._size, self._room)
        if self._size > first and hasattr(os, "posix_fallocate"):
            os.posix_fallocate(self._handle, first, self._size - first)  # no page lacks room below
            self._room = self._size
        os.fsync(self._handle)  # what was appended, before anything points there
        if self._pages:
            body = b"".join(n.to_bytes(8, "little") + page for n, page in self._pages.items())
            head = _HEAD.pack(_MAGIC, self._size, len(self._pages), zlib.crc32(body))
            _write(self._journal, head + body)
            _apply(self._handle, self._size, self._pages)
            os.unlink(self._journal)  # noqa: PTH108
            self._pages.clear()
        self._kept = self._pages_of_size()

    def close(self) -> None:
        """Close the file without a commit."""
        if not self.closed:
            os.close(self._handle)
        super().close()
