"""Writing a file so that a reader sees the old content or the new, never a part."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a file under a passing name in its folder, then rename it.

    Parameters
    ----------
    path : Path
        The file; its folder must exist.
    content : bytes
        All of it.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    OSError
        If it cannot be written; an old file then stays as it was.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        # mkstemp makes the file private; give it the mode that any new file would have.
        mask = os.umask(0)
        os.umask(mask)
        Path(name).chmod(0o666 & ~mask)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return path


def write_text(path: Path, text: str) -> Path:
    """Write a text file in UTF-8; see ``write_bytes``.

    Names of files may hold bytes that are no text: "?" stands for each.
    """
    return write_bytes(path, text.encode("utf-8", "replace"))
