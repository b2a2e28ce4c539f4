"""Processes of a test run compile a kernel one at a time (`tests/reference/compiled_once.py`)."""

import threading
from types import SimpleNamespace

import pytest
from filelock import FileLock
from numba.core.caching import NullCache

from tests.reference import compiled_once


def kernel():
    return 1


def compiling(folder, seen):
    """Return a method that notes which files of locks are there when it is called."""

    def compile_it(self, kind):
        seen.append([path.name for path in folder.iterdir()])
        return kind

    return compiled_once._waiting(compile_it, folder, lambda _, kind: (kernel, kind))


def test_one_waits_until_the_other_has_compiled(tmp_path):
    seen = []
    method = compiling(tmp_path, seen)
    assert method(SimpleNamespace(_cache="kept"), "float64") == "float64"
    ((name,),) = seen
    held = FileLock(tmp_path / name, is_singleton=False)  # as of another process
    held.acquire(timeout=1.0)
    waiting = threading.Thread(target=method, args=(SimpleNamespace(_cache="kept"), "float64"))
    waiting.start()
    waiting.join(0.3)
    assert waiting.is_alive()
    assert len(seen) == 1
    method(SimpleNamespace(_cache="kept"), "float32")  # of another type: another lock
    assert len(seen) == 2
    held.release()
    waiting.join(10.0)
    assert not waiting.is_alive()
    assert len(seen) == 3


def test_whoever_waits_too_long_compiles_too(tmp_path, monkeypatch):
    monkeypatch.setattr(compiled_once, "PATIENCE", 0.05)
    seen = []
    method = compiling(tmp_path, seen)
    method(SimpleNamespace(_cache="kept"), "float64")
    with FileLock(tmp_path / seen[0][0], is_singleton=False):
        assert method(SimpleNamespace(_cache="kept"), "float64") == "float64"


def test_code_that_is_not_kept_is_nobody_elses(tmp_path):
    seen = []
    compiling(tmp_path, seen)(SimpleNamespace(_cache=NullCache()), "float64")
    assert seen == [[]]


def test_an_error_of_the_compiler_leaves_the_lock_free(tmp_path):
    seen = []

    def broken(self, kind):
        seen.extend(tmp_path.iterdir())
        raise ValueError("no such type")

    method = compiled_once._waiting(broken, tmp_path, lambda _, kind: (kernel, kind))
    for _ in range(2):
        with pytest.raises(ValueError, match="no such type"):
            method(SimpleNamespace(_cache="kept"), "float64")
    assert seen[0] == seen[1]
    with FileLock(seen[0], is_singleton=False).acquire(timeout=0.1):
        pass
