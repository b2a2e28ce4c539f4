"""Where the compiled kernels of both packages are kept.

numba does not see that a function called from another module has changed, so the folder's name
carries a hash of all kernel sources, versions and flags: an edited law or an upgraded library
never meets stale machine code.

What lies in the folder is run, so nobody else may be able to put anything there: the folder, and
all that leads to it, belong to the user (or to the system) and only they may write in it. Where
there is no such place, the kernels of this process go into a fresh folder that ends with it.
"""

from __future__ import annotations

import atexit
import errno
import hashlib
import os
import platform
import shutil
import stat
import sys
import tempfile
from pathlib import Path
from typing import Any

import llvmlite
import numba
import numpy as np
import platformdirs

_CONFIG: Any = numba.config  # its attributes are made at run time


def kernel_hash() -> str:
    """Return the hash of all kernel sources, versions and flags, 16 hexadecimal digits."""
    root = Path(__file__).resolve().parents[2]
    digest = hashlib.sha256()
    for package in ("analysis", "sim"):
        for source in sorted((root / package / "kernels").rglob("*.py")):
            digest.update(source.relative_to(root).as_posix().encode() + source.read_bytes())
    versions = (sys.version, np.__version__, numba.__version__, llvmlite.__version__)
    flags = (_CONFIG.BOUNDSCHECK,)
    digest.update(repr((versions, platform.machine(), flags)).encode())
    return digest.hexdigest()[:16]


def cache_folder() -> Path:
    """Return the folder for compiled kernels, made where it is not there.

    Returns
    -------
    pathlib.Path
        In the user's cache, else in the user's own temporary folder, else a fresh one. It is
        writable, and nobody but the user and the system can put anything into it.

    Raises
    ------
    OSError
        If no folder at all can be made.
    """
    name = f"kernels-{kernel_hash()}"
    for home in (_in_the_cache, _in_the_temporary):
        try:
            base, own = home()
            folder = _private(base, own, name)
            with tempfile.TemporaryFile(dir=folder):
                return folder
        except (OSError, RuntimeError):
            continue
    try:
        fresh = Path(tempfile.mkdtemp(prefix="chainfilm-kernels-"))
    except OSError as error:
        told = "no folder for compiled kernels can be written; set TMPDIR to one that can"
        raise FileNotFoundError(errno.ENOENT, told) from error
    atexit.register(shutil.rmtree, fresh, ignore_errors=True)
    return fresh


def set_cache_folder() -> None:
    """Point numba's cache at `cache_folder`, unless the user or the other package has done so."""
    if not _CONFIG.CACHE_DIR:
        _CONFIG.CACHE_DIR = str(cache_folder())


def _in_the_cache() -> tuple[Path, str]:
    """Return the user's cache and the name of this program's folder in it."""
    folder = platformdirs.user_cache_path("chainfilm", appauthor=False)
    if not folder.is_absolute():  # no home: "~" stays what it is
        raise FileNotFoundError(str(folder))
    for missing in reversed([place for place in folder.parents if not place.exists()]):
        missing.mkdir(mode=0o700, exist_ok=True)
    return folder.parent, folder.name


def _in_the_temporary() -> tuple[Path, str]:
    """Return the folder of passing files and the name of the user's folder in it."""
    user = os.getuid() if hasattr(os, "getuid") else "user"
    return Path(tempfile.gettempdir()), f"chainfilm-{user}"


def _private(base: Path, *names: str) -> Path:
    """Make folders in a folder, one in the other, and refuse what others could have filled."""
    folder = base.resolve(strict=True)
    for place in (folder, *folder.parents):
        _refuse_others(place, sticky=True)
    for name in names:
        folder = folder / name
        folder.mkdir(mode=0o700, exist_ok=True)
        _refuse_others(folder, sticky=False)
    return folder


def _refuse_others(folder: Path, *, sticky: bool) -> None:
    """Raise where others can replace what a folder holds; links are not followed.

    A sticky folder of the system, as the temporary one, lets everyone add and only the owner
    replace: good enough on the way, not for the folder itself.
    """
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        raise NotADirectoryError(str(folder))
    if not hasattr(os, "getuid"):  # elsewhere the user's folders are private by other means
        return
    owners = {os.getuid(), 0} if sticky else {os.getuid()}
    open_to_others = found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
    if found.st_uid not in owners or (open_to_others and not (sticky and _is_sticky(found))):
        raise PermissionError(str(folder))


def _is_sticky(found: os.stat_result) -> bool:
    return bool(found.st_mode & stat.S_ISVTX)
