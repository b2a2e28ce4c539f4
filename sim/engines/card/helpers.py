"""Kernels of a card that several processes compile at once, each into the store of kept kernels.

numba compiles one kernel after the other, whatever the threads: half a minute for a film. Helpers
are processes that never ask for a card. Each takes one kernel at a time, and this process then
finds it where compiled kernels are kept; what a helper fails at, or dies of, is compiled here as if
there were none.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import numba

from analysis.common.blocks import usable_cores
from sim.engines.card.kept import kernel_of, origin_of
from sim.kernels.card.tools import capability, stand_in

if TYPE_CHECKING:
    from types import TracebackType

__all__ = ["Helpers", "serve"]

MOST = 8
"""Helpers at most: a film has some twenty kernels, of which one takes a fifth of the time."""
SERVE = "from sim.engines.card.helpers import serve; serve()"


class Helpers:
    """Helpers of this process, which start when there is something to compile.

    Within this context what a queue is asked to run is compiled instead, where it is neither
    compiled nor kept. Left, it waits until all is done, or no helper is left to do it. On one core
    there are none.

    Parameters
    ----------
    queue : sim.kernels.card.tools.Queue

    Attributes
    ----------
    done : int
        Kernels that helpers are done with.
    """

    def __init__(self, queue: Any) -> None:
        self._queue = queue
        cores = usable_cores()
        self._most = 0 if cores < 2 else min(cores, MOST)
        self._jobs: SimpleQueue[bytes | None] = SimpleQueue()
        self._asked: set[Any] = set()
        self._threads: list[threading.Thread] = []
        self._processes: list[subprocess.Popen[bytes]] = []
        self._counting = threading.Lock()
        self.done = 0

    def ask(self, kernel: Any, films: Any) -> None:
        """Have a kernel compiled that is to take films, if it has to be."""
        if not self._most or (types := kernel.missing(films)) is None:
            return
        if (kernel, types) in self._asked or (origin := origin_of(kernel)) is None:
            return
        self._asked.add((kernel, types))
        self._jobs.put(pickle.dumps((origin, types)))
        if len(self._threads) < self._most:
            # no run waits for it once it is interrupted
            thread = threading.Thread(target=self._drive, args=(capability(),), daemon=True)
            self._threads.append(thread)
            thread.start()

    def __enter__(self) -> Helpers:
        self._queue.hand_to(self.ask)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._queue.hand_to(None)
        if kind is not None:
            for process in self._processes:
                process.kill()
        for _ in self._threads:
            self._jobs.put(None)
        for thread in self._threads:
            thread.join()

    def _drive(self, card: Any) -> None:
        """Give kernels to a helper, one after the other."""
        # no further process, or one that is gone
        with contextlib.suppress(OSError), _started() as process:
            self._processes.append(process)
            jobs, answers = process.stdin, process.stdout
            if jobs is None or answers is None:
                return
            jobs.write(pickle.dumps(card))
            while (job := self._jobs.get()) is not None:
                jobs.write(job)
                jobs.flush()
                if not answers.read(1):
                    return
                with self._counting:
                    self.done += 1


def _started() -> subprocess.Popen[bytes]:
    """Start a helper: with one thread, and with the modules and the store of this process."""
    names = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    environment = {
        **os.environ,
        **dict.fromkeys(names, "1"),
        "NUMBA_CACHE_DIR": str(numba.config.CACHE_DIR),  # type: ignore[attr-defined]
        "PYTHONPATH": os.pathsep.join(path or str(os.curdir) for path in sys.path),
    }
    return subprocess.Popen(
        [sys.executable or "python", "-P", "-c", SERVE], env=environment, stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def serve() -> None:
    """Compile what standard input asks for until it ends; answer each with a byte."""
    jobs, answers = sys.stdin.buffer, sys.stdout.buffer
    sys.stdout = sys.stderr  # what libraries print is no answer
    stand_in(pickle.load(jobs))
    while True:
        try:
            origin, types = pickle.load(jobs)
        except EOFError:
            return
        with contextlib.suppress(Exception):  # which the process that asked meets itself
            kernel_of(origin).compile_for(types)
        answers.write(b".")
        answers.flush()
