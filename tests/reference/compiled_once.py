"""Of processes that come to the same kernel at the same time, one compiles and the others wait.

numba looks into its cache before it compiles and does not see that another process is at it: both
then compile the same for half a minute. Here each piece of code has a file that is locked
meanwhile. Locks are taken in the order of calls, from the caller to what it calls, so that no two
processes wait for each other.
"""

import functools
import hashlib
from pathlib import Path

from filelock import FileLock, Timeout
from numba.core.caching import NullCache
from numba.core.ccallback import CFunc
from numba.core.dispatcher import Dispatcher

PATIENCE = 300.0
"""Seconds to wait for another process; then this one compiles, too."""


def compile_once(folder):
    """Let this process compile no code that another one of the same folder of locks compiles."""
    Dispatcher.compile = _waiting(
        Dispatcher.compile, folder, lambda it, sig: (it.py_func, sig, it.targetoptions)
    )
    CFunc.compile = _waiting(CFunc.compile, folder, lambda it: (it._pyfunc, it._sig))


def _waiting(compile_it, folder, known_by):
    """Return a method that compiles, or loads what was compiled meanwhile."""

    @functools.wraps(compile_it)
    def method(self, *args):
        if isinstance(self._cache, NullCache):  # nobody else would find it
            return compile_it(self, *args)
        function, *kind = known_by(self, *args)
        code = function.__code__
        told = repr((code.co_filename, code.co_firstlineno, function.__qualname__, *map(str, kind)))
        name = hashlib.sha256(told.encode()).hexdigest()[:24]
        # one lock for all threads of this process, which numba keeps apart itself
        lock = FileLock(Path(folder) / name, thread_local=False, is_singleton=True)
        try:
            lock.acquire(timeout=PATIENCE)
        except Timeout:
            return compile_it(self, *args)
        try:
            return compile_it(self, *args)
        finally:
            lock.release()

    return method
