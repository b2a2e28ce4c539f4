"""Compiled kernels of the card on disk, beside those of processors and under the same rules.

What lies there is run, so only a folder that others cannot fill is used
(`analysis.common.kernel_cache`). A file's name is a hash of the kernel's sources, the constants it
was made with, the types of its arguments, the card's compute capability and all versions.
"""

from __future__ import annotations

import contextlib
import hashlib
import pickle
import uuid
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numba
import numpy as np

from sim.kernels import kernel_hash
from sim.kernels.card.tools import Kernel

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

__all__ = ["KernelStore", "keep_kernels", "kernels_of"]


class KernelStore:
    """Files of compiled kernels by what they were compiled from."""

    def _path(self, key: str) -> Path:
        name = hashlib.sha256(f"{kernel_hash()} {key}".encode()).hexdigest()[:40]
        return Path(numba.config.CACHE_DIR) / f"card-{name}.bin"  # type: ignore[attr-defined]

    def get(self, key: str) -> Any:
        """Return what was kept, None where there is nothing that can be read."""
        try:
            return pickle.loads(self._path(key).read_bytes())
        except Exception:  # a file that was cut off may raise whatever it likes
            return None

    def put(self, key: str, content: bytes) -> None:
        """Keep bytes, whole or not at all; a full disk keeps nothing."""
        path = self._path(key)
        passing = path.with_suffix(f".{uuid.uuid4().hex}")
        try:
            passing.write_bytes(content)
            passing.replace(path)
        except OSError:
            with contextlib.suppress(OSError):
                passing.unlink(missing_ok=True)


_STORE = KernelStore()
_made: dict[Any, Any] = {}


def kernels_of(make: Callable[..., Any], *given: Any) -> Any:
    """Return what makes kernels makes of constants, once in a process: they are slow to compile."""
    key = (make, *(v.tobytes() if isinstance(v, np.ndarray) else v for v in given))
    if key not in _made:
        _made[key] = made = make(*given)
        constants = [_told(value) for value in given]
        for one in made if isinstance(made, tuple) else (made,):
            if isinstance(one, Kernel):
                one.keep(_STORE, f"{make.__module__}.{make.__name__}{constants}")
    return _made[key]


def keep_kernels(*modules: ModuleType) -> None:
    """Keep the kernels of modules, which are made without constants."""
    for module in modules:
        for one in vars(module).values():
            if isinstance(one, Kernel):
                one.keep(_STORE, module.__name__)


def _told(value: Any) -> str:
    """Return a constant as text that tells it from others."""
    if isinstance(value, np.ndarray):
        digest = hashlib.sha256(value.tobytes()).hexdigest()
        return f"{value.dtype} {value.shape} {digest}"
    return repr(value)
