"""Jobs on worker processes: a few at a time, one lost worker loses no other job.

Workers are spawned, never forked (a fork after compiled threads have started hangs), keep to one
thread each, leave Ctrl-C to the process that started them, and end when that process is gone.
Any `concurrent.futures.Executor` can take the place of the processes.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass, field
from typing import Any

POLL_SECONDS = 0.2
"""Time between two looks at signals and progress."""
ORPHAN_SECONDS = 20.0
"""A worker whose parent is gone has so long to save its run."""
SAVING_SECONDS = 3.0
"""A worker that is given up has so long."""


def spawned_workers(workers: int) -> Executor:
    """Return an executor of worker processes that keep to one thread each.

    Parameters
    ----------
    workers : int
        Number of processes.

    Returns
    -------
    concurrent.futures.Executor
        Processes start when there is work for them.
    """
    from concurrent.futures import ProcessPoolExecutor

    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=start_worker)


def start_worker() -> None:
    """Prepare a fresh process for jobs: one thread, deaf to Ctrl-C, not outliving its parent."""
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"  # before numba and numpy are imported
    # A terminal sends Ctrl-C to every process; the parent alone decides what stops.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    """End this process after its parent; a run saves its checkpoint first."""
    parent.join()
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(ORPHAN_SECONDS)
    os._exit(1)


def _end(processes: Iterable[Any]) -> None:
    """Let workers save what they do; those that do not hear, such as stopped ones, are killed.

    One that is left over would keep this process from its own end.
    """
    processes = list(processes)
    try:
        for process in processes:
            process.terminate()
        patience = time.monotonic() + SAVING_SECONDS
        for process in processes:
            process.join(max(0.0, patience - time.monotonic()))
    finally:
        for process in processes:
            process.kill()


@dataclass
class Crew:
    """Works off a list of jobs.

    Attributes
    ----------
    work : callable
        Takes a job, returns its result; runs in a worker, so it must be a top-level function.
    make_executor : callable
        Takes a number of workers, returns an executor; called again after a worker was lost.
    workers : int
        Jobs in work at a time.
    lost : callable
        Takes a job whose worker process died twice and a sentence, returns the result to record.
    done : callable
        Called with job and result as each comes in.
    tick : callable
        Called several times per second; returns true to begin no further job.
    """

    work: Callable[[Any], Any]
    make_executor: Callable[[int], Executor]
    workers: int
    lost: Callable[[Any, str], Any]
    done: Callable[[Any, Any], None]
    tick: Callable[[], bool]
    _suspects: list[Any] = field(default_factory=list)

    def run(self, jobs: Sequence[Any]) -> None:
        """Work off the jobs; return when all are done, or those in work are and `tick` says stop.

        Raises
        ------
        Exception
            What the work raised; it is meant to catch its own errors.
        """
        left = self._shift(deque(jobs), self.workers)
        while (left or self._suspects) and not self.tick():
            # One of the jobs that were in work has brought its worker down: each is tried alone.
            suspects, self._suspects = self._suspects, []
            for job in suspects:
                if self.tick():
                    return
                self._shift(deque([job]), 1)
                if self._suspects:
                    self._suspects = []
                    sentence = "its worker process died twice (is there enough memory?)"
                    self.done(job, self.lost(job, sentence))
            before = len(left)
            left = self._shift(left, self.workers)
            if left and len(left) == before and not self._suspects and not self.tick():
                # An executor that cannot be made anew takes no more work.
                for job in left:
                    self.done(job, self.lost(job, "the executor has lost its workers"))
                return

    def _shift(self, jobs: deque[Any], workers: int) -> deque[Any]:
        """Work until the jobs or the executor are at an end; return the jobs not begun."""
        if not jobs:
            return jobs
        others = set(multiprocessing.active_children())
        executor = self.make_executor(workers)
        at_work: dict[Future[Any], Any] = {}
        try:
            while True:
                stopping = self.tick()
                while jobs and len(at_work) < workers and not stopping:
                    at_work[executor.submit(self.work, jobs[0])] = jobs[0]
                    jobs.popleft()
                if not at_work:
                    return jobs
                ready, _ = wait(at_work, timeout=POLL_SECONDS, return_when=FIRST_COMPLETED)
                for future in ready:
                    result = future.result()
                    self.done(at_work.pop(future), result)
        except BrokenExecutor:
            self._sort_out(at_work)
            return jobs
        except BaseException:
            _end(set(multiprocessing.active_children()) - others)  # such as at a second Ctrl-C
            raise
        finally:
            # Never waits for a job: all that count are done, and a lost executor has none.
            executor.shutdown(wait=not at_work, cancel_futures=True)

    def _sort_out(self, at_work: dict[Future[Any], Any]) -> None:
        """Keep what was finished before a worker died; suspect the rest."""
        for future, job in at_work.items():
            if future.done() and not future.cancelled() and future.exception() is None:
                self.done(job, future.result())
            else:
                self._suspects.append(job)
        at_work.clear()
