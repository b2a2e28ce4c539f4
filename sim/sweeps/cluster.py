"""A sweep on the workers of a cluster, through the scheduler of Dask distributed.

The cluster takes the place of the worker processes of this machine and computes nothing by itself:
each run goes to some worker with the files that it has so far, is done there by the same function
(`sim.sweeps.cluster_run.perform_away` calls `sim.sweeps.run.perform`), and its files come back over
the scheduler. A run whose worker dies goes to another one.
"""

from __future__ import annotations

import contextlib
import logging
import re
import threading
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future
from functools import partial
from pathlib import Path
from typing import Any

from sim.run.setup import usable_threads
from sim.sweeps.cluster_checks import ClusterError, differences, no_scheduler, require_scheduler
from sim.sweeps.cluster_run import Files, perform_away, read_files, write_files
from sim.sweeps.folder import Outcome, SweepFolder
from sim.sweeps.run import LOOK_SECONDS, Job

CONNECT_SECONDS = 10.0
"""A scheduler answers within this time, or is taken for absent."""

_ADDRESS = re.compile(r"(tcp|tls)://(\[[0-9a-fA-F:.]+\]|[^\s/:@\[\]]+):([0-9]{1,5})")


@contextlib.contextmanager
def cluster_workers(
    address: str | None,
    directory: Path,
    workers: int | None,
    on_notices: Callable[[list[str]], None],
) -> Iterator[Executor | None]:
    """Connect to the workers of a cluster for one sweep.

    Parameters
    ----------
    address : str or None
        "local" for a scheduler and workers of this machine, or the address of a scheduler, such
        as "tcp://host:8786"; None for no cluster.
    directory : Path
        Folder of the sweep.
    workers : int or None
        Workers of a local cluster; None means one a core.
    on_notices : callable
        Called with what the user should know, a list of sentences.

    Yields
    ------
    Executor or None
        What `sim.sweeps.sweep.sweep` takes as `executor`.

    Raises
    ------
    ClusterError
        If the address is none, no scheduler answers, its workers lack this program, or Dask
        distributed is not installed here.
    """
    if address is None:
        yield None
        return
    port = _ADDRESS.fullmatch(address)
    if address != "local" and not (port and 1 <= int(port[3]) <= 65535):
        raise ClusterError(
            f'--cluster must be local or an address such as "tcp://host:8786"; received "{address}"'
        )
    try:
        import distributed
    except ImportError as error:
        raise ClusterError(
            '--cluster needs Dask distributed; install it with: pip install "chainfilm[cluster]"'
        ) from error
    for logger in ("distributed", "distributed.client"):  # what matters is told as outcomes
        logging.getLogger(logger).setLevel(logging.CRITICAL)
    with contextlib.ExitStack() as stack:
        where: Any = address
        if address == "local":
            cores, _ = usable_threads(None)
            where = stack.enter_context(
                distributed.LocalCluster(
                    n_workers=min(workers or cores, cores),
                    threads_per_worker=1,
                    processes=True,
                    dashboard_address=None,
                    # its page of health is served all the same: at a port that nobody has
                    scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
                )
            )
        else:
            require_scheduler(address, CONNECT_SECONDS)
        try:
            client = stack.enter_context(distributed.Client(where, timeout=CONNECT_SECONDS))
        except (OSError, ValueError) as error:
            raise ClusterError(no_scheduler(address, CONNECT_SECONDS)) from error
        on_notices(differences(client, address, CONNECT_SECONDS))
        executor = ClusterExecutor(client, SweepFolder(directory))
        stack.callback(executor.shutdown)
        yield executor


class ClusterExecutor(Executor):
    """Workers of a cluster as `sim.sweeps.pool.Crew` uses them: run, folder and files travel.

    Parameters
    ----------
    client : distributed.Client
        A connected client, which the caller closes.
    folder : SweepFolder
        Where results go.
    """

    def __init__(self, client: Any, folder: SweepFolder) -> None:
        from distributed import Event

        self._client = client
        self._folder = folder
        self._channel = f"chainfilm-{uuid.uuid4().hex}"
        self._pool = client.get_executor(pure=False)
        self._stop = Event(self._channel, client=client)
        self._over = threading.Event()
        self._watching = threading.Thread(target=self._watch, daemon=True)
        client.subscribe_topic(self._channel, self._hear)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Send a run out, or other work as it is; the future never holds an error of the cluster.

        It holds the `Outcome` of a run, whose files are then in the sweep's folder, and None of
        other work that failed.
        """
        (job,) = args
        if not self._watching.is_alive() and not self._over.is_set():
            self._watching.start()  # now that the sweep has taken an old wish to stop away
        if not isinstance(job, Job):
            return _settled(self._pool.submit(fn, job, **kwargs), _or_none)
        directory = self._folder.path / job.folder
        directory.mkdir(parents=True, exist_ok=True)
        sent = read_files(directory)
        if self._over.is_set() or self._client.status != "running":
            lost: Future[Any] = Future()
            lost.cancel()
            return _settled(lost, partial(self._take, job, sent))
        remote = self._pool.submit(perform_away, job, sent, self._channel)
        return _settled(remote, partial(self._take, job, sent))

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: ARG002
        """End the watch over progress and the wish to stop; the client stays open."""
        self._over.set()
        if self._client.status == "running":
            self._client.unsubscribe_topic(self._channel)

    def _take(self, job: Job, sent: Files, remote: Future[tuple[Outcome, Files]]) -> Outcome:
        """Write the files of a run that has come back, or record why none have."""
        try:
            outcome, files = remote.result()
        except CancelledError:
            state = "interrupted" if self._stop_wanted else "failed"
            outcome, files = Outcome(state, "the scheduler or its workers were gone"), None
        except Exception as error:
            outcome, files = Outcome("failed", _sentence(error)), None
        self._folder.end_progress(job.folder)
        if files is None:
            self._folder.set_outcome(job.folder, outcome)
            return outcome
        directory = self._folder.path / job.folder
        for name in sent.keys() - files.keys():
            (directory / name).unlink(missing_ok=True)
        write_files(directory, files)
        return outcome

    @property
    def _stop_wanted(self) -> bool:
        return self._folder.stop_file.exists()

    def _watch(self) -> None:
        """Pass the wish to stop on; take back what no worker is there to hear it."""
        with contextlib.suppress(OSError):  # without a scheduler all futures are cancelled anyway
            while not self._over.wait(LOOK_SECONDS):
                if self._stop_wanted:
                    self._stop.set()
                    if not self._client.scheduler_info()["workers"]:
                        self._pool.shutdown(wait=False)
                        self._over.set()

    def _hear(self, event: tuple[float, Any]) -> None:
        """Write the progress that a worker tells."""
        folder, step, steps = event[1]
        with contextlib.suppress(OSError):  # progress is a courtesy
            self._folder.set_progress(folder, step, steps)


def _settled(remote: Future[Any], take: Callable[[Future[Any]], Any]) -> Future[Any]:
    """Return a future of what `take` makes of another one."""
    answer: Future[Any] = Future()

    def settle(ended: Future[Any]) -> None:
        try:
            answer.set_result(take(ended))
        except BaseException as error:
            answer.set_exception(error)

    remote.add_done_callback(settle)
    return answer


def _or_none(remote: Future[Any]) -> Any:
    """Return what has come back, or None where the cluster failed."""
    try:
        return remote.result()
    except (CancelledError, Exception):
        return None


def _sentence(error: Exception) -> str:
    """Word what the cluster has said of a run."""
    if type(error).__name__ == "KilledWorker":
        return "its workers died several times (is there enough memory?)"
    text = " ".join(str(error).split())
    return f"no worker of the cluster could do it, {type(error).__name__}: {text}"
