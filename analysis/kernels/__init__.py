"""Pure loops on arrays, compiled on first use: numpy, math and numba only, no checks by design.

Importing this package points numba's cache at a folder that belongs to exactly these sources.
numba itself does not notice that a function called from another module has changed, and would
go on to use the old machine code; the folder name therefore carries a hash of all kernel sources
(those of ``sim`` too, so that both packages agree on one folder), of the versions and of the
flags that change the code.
"""

from __future__ import annotations

import hashlib
import os
import platform
import sys
import tempfile
from pathlib import Path
from typing import Any

import numba
import numpy as np

_CONFIG: Any = numba.config  # its attributes are made at run time


def kernel_hash() -> str:
    """Return the hash of all kernel sources, versions and flags, 16 hexadecimal digits."""
    here = Path(__file__).resolve().parent
    folders = [here, here.parents[1] / "sim" / "kernels"]
    digest = hashlib.sha256()
    for folder in folders:
        for source in sorted(folder.rglob("*.py")):
            digest.update(source.relative_to(folder.parents[1]).as_posix().encode())
            digest.update(source.read_bytes())
    facts = (sys.version, platform.machine(), np.__version__, numba.__version__)
    flags = (_CONFIG.BOUNDSCHECK, _CONFIG.ENABLE_CUDASIM)
    digest.update(repr((facts, flags)).encode())
    return digest.hexdigest()[:16]


def _user_cache() -> Path:
    """Return the folder in which this system keeps what a user can do without."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def cache_folder() -> str:
    """Return a writable folder for compiled kernels: the user's cache, else a temporary one."""
    try:
        folder = _user_cache() / "chainfilm" / f"analysis-{kernel_hash()}"
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return str(folder)
    except (OSError, RuntimeError):
        # A read-only home, or none: a fresh folder, so that nobody else can have filled it.
        return tempfile.mkdtemp(prefix="chainfilm-kernels-")


def set_cache_folder() -> None:
    """Point numba's cache at ``cache_folder()`` unless the user has chosen one."""
    current = _CONFIG.CACHE_DIR
    chosen_by_user = bool(os.environ.get("NUMBA_CACHE_DIR")) or (
        bool(current) and "chainfilm" not in current
    )
    if not chosen_by_user:
        _CONFIG.CACHE_DIR = cache_folder()


set_cache_folder()
