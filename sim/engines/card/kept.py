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
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numba
import numpy as np

from sim.kernels import kernel_hash
from sim.kernels.card.tools import Kernel

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

__all__ = ["KernelStore", "Origin", "keep_kernels", "kernel_of", "kernels_of", "origin_of"]


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


class Origin(NamedTuple):
    """What another process makes a kernel of.

    Attributes
    ----------
    make : callable or str
        What makes it of constants, or the module that it stands in.
    given : tuple
        The constants.
    name : str
        Its name in what is made or in the module; "" where it is all that is made.
    """

    make: Callable[..., Any] | str
    given: tuple[Any, ...]
    name: str


_STORE = KernelStore()
_made: dict[Any, Any] = {}
_origins: dict[Kernel, Origin] = {}


def kernels_of(make: Callable[..., Any], *given: Any) -> Any:
    """Return what makes kernels makes of constants, once in a process: they are slow to compile."""
    key = (make, *(v.tobytes() if isinstance(v, np.ndarray) else v for v in given))
    if key not in _made:
        _made[key] = made = make(*given)
        constants = [_told(value) for value in given]
        names = getattr(made, "_fields", ("",))  # a named tuple, or one kernel
        for name, one in zip(names, made if isinstance(made, tuple) else (made,), strict=True):
            if isinstance(one, Kernel):
                one.keep(_STORE, f"{make.__module__}.{make.__name__}{constants}")
                _origins[one] = Origin(make, given, name)
    return _made[key]


def keep_kernels(*modules: ModuleType) -> None:
    """Keep the kernels of modules, which are made without constants."""
    for module in modules:
        for name, one in vars(module).items():
            if isinstance(one, Kernel):
                one.keep(_STORE, module.__name__)
                _origins[one] = Origin(module.__name__, (), name)


def origin_of(kernel: Any) -> Origin | None:
    """Return what a kernel that is kept was made of, None for others."""
    return _origins.get(kernel)


def kernel_of(origin: Origin) -> Any:
    """Return the kernel of an origin in another process; it is kept as there."""
    if isinstance(origin.make, str):
        module = import_module(origin.make)
        keep_kernels(module)
        return getattr(module, origin.name)
    made = kernels_of(origin.make, *origin.given)
    return getattr(made, origin.name) if origin.name else made


def _told(value: Any) -> str:
    """Return a constant as text that tells it from others."""
    if isinstance(value, np.ndarray):
        digest = hashlib.sha256(value.tobytes()).hexdigest()
        return f"{value.dtype} {value.shape} {digest}"
    return repr(value)
