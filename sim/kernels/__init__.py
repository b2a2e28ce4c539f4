"""Compiled loops on arrays, without checks by design: only numpy, math, numba and llvmlite.

Importing this package tells numba where to keep compiled code, before any kernel
is defined. numba does not see that a function called from another module has
changed, so the folder's name carries a hash of all kernel sources and versions:
an edited law or an upgraded library never meets stale machine code.
"""

from __future__ import annotations

import hashlib
import os
import platform
import tempfile
from pathlib import Path

import llvmlite
import numba
import numpy


def _sources() -> list[Path]:
    """Return the kernel files of both packages, in a fixed order."""
    here = Path(__file__).resolve().parent
    folders = (here, here.parents[1] / "analysis" / "kernels")
    return [path for folder in folders for path in sorted(folder.glob("*.py"))]


def cache_folder() -> Path:
    """Return the folder for compiled kernels: the user's cache, else a temporary one.

    Returns
    -------
    pathlib.Path
        A writable folder that exists and whose name ends in the hash of all
        kernel sources and of the versions of Python, numpy, numba and llvmlite.
    """
    digest = hashlib.sha256()
    for path in _sources():
        digest.update(path.name.encode() + path.read_bytes())
    versions = (platform.python_version(), numpy.__version__, numba.__version__)
    digest.update("|".join((*versions, llvmlite.__version__)).encode())
    name = f"kernels-{digest.hexdigest()[:16]}"
    base = os.environ.get("XDG_CACHE_HOME")
    user = Path(base) if base else Path("~").expanduser() / ".cache"
    for root in (user / "chainfilm", Path(tempfile.gettempdir()) / f"chainfilm-{os.getuid()}"):
        folder = root / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                return folder
        except OSError:
            continue
    return Path(tempfile.mkdtemp(prefix="chainfilm-kernels-"))


if not os.environ.get("NUMBA_CACHE_DIR"):
    numba.config.CACHE_DIR = str(cache_folder())  # type: ignore[attr-defined]
if not os.environ.get("NUMBA_THREADING_LAYER_PRIORITY"):
    layers = ["omp", "tbb", "workqueue"]
    numba.config.THREADING_LAYER_PRIORITY = layers  # type: ignore[attr-defined]
# A step is one short parallel region. Threads that spin for long at its end would rob other
# programs of the cores that the region itself waits for: on a busy machine that made steps ten
# times slower. Threads that sleep at once cost 50 us to wake, 7 % of a step of 20000 particles;
# so many rounds last about as long.
if not {"OMP_WAIT_POLICY", "GOMP_SPINCOUNT"} & set(os.environ):
    os.environ["GOMP_SPINCOUNT"] = "1000"
