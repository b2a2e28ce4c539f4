"""One run of a sweep on a worker of a cluster: in a folder of its own, whose files travel.

The run finds what it finds in a sweep on one machine, a folder with small files for progress and
for the wish to stop; a thread carries both over the scheduler. So no disk need be shared.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from analysis.common import file_names
from sim.files.lock import LOCK_FILES
from sim.sweeps.folder import Outcome, SweepFolder
from sim.sweeps.run import LOOK_SECONDS, Job, perform

Files = dict[str, bytes]
"""Contents by path in the folder of a run."""

LEFT = {*LOCK_FILES, file_names.PROGRESS}

_ALONE = threading.Lock()
"""Compiled code of two runs must not share a process, whatever number of threads a worker has."""


def perform_away(job: Job, files: Files, channel: str) -> tuple[Outcome, Files]:
    """Do one run in a temporary folder of this worker.

    Parameters
    ----------
    job : Job
        The run.
    files : dict of str to bytes
        What its folder holds already; the run goes on from there.
    channel : str
        Name of the event that stops runs, and of the topic under which progress is told.

    Returns
    -------
    Outcome
        How it ended.
    dict of str to bytes
        What its folder holds now.
    """
    from distributed import Event, get_client, get_worker

    worker, stop = get_worker(), Event(channel, client=get_client())
    key = worker.get_current_task()

    def unwanted() -> bool:
        # A client that is gone takes its tasks back; the scheduler then forgets or cancels them.
        task = worker.state.tasks.get(key)
        return task is None or task.state != "executing" or stop.is_set()

    def tell(step: int, steps: int) -> None:
        worker.log_event(channel, [job.folder, step, steps])

    with _ALONE, TemporaryDirectory(prefix="run-", dir=worker.local_directory) as place:
        here = SweepFolder(Path(place))
        write_files(here.path / job.folder, files)
        if unwanted():
            here.stop_file.touch()
        with _carried(here, job.folder, unwanted, tell):
            outcome = perform(replace(job, sweep=place))
        return outcome, read_files(here.path / job.folder)


@contextlib.contextmanager
def _carried(
    folder: SweepFolder, name: str, unwanted: Callable[[], bool], tell: Callable[[int, int], None]
) -> Iterator[None]:
    """Carry progress out and the wish to stop in, for as long as the run goes on."""
    over = threading.Event()

    def carry() -> None:
        # Without a scheduler there is nobody to tell; the worker ends or joins again by itself.
        with contextlib.suppress(OSError, AttributeError):  # its client has then no scheduler
            while not over.wait(LOOK_SECONDS):
                if unwanted():
                    folder.stop_file.touch()
                step, steps = folder.progress(name)
                if steps:
                    tell(step, steps)

    thread = threading.Thread(target=carry, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def read_files(directory: Path) -> Files:
    """Return all files of a folder but the lock and those that are being written."""
    return {
        path.relative_to(directory).as_posix(): path.read_bytes()
        for path in sorted(directory.rglob("*"))
        if path.is_file() and path.suffix != ".part" and path.name not in LEFT
    }


def write_files(directory: Path, files: Files) -> None:
    """Write the files of a run, each as a whole, and how it ended last.

    Until that is written the run counts as one that has not ended.

    Raises
    ------
    ValueError
        If a file would lie outside the folder.
    """
    directory.mkdir(parents=True, exist_ok=True)
    for name in sorted(files, key=lambda name: name == file_names.OUTCOME):
        path = directory / name
        if ".." in path.parts or directory not in path.parents:
            raise ValueError(f"a worker may write in its folder only; it has sent {name}")
        path.parent.mkdir(parents=True, exist_ok=True)
        passing = path.with_name(f"{path.name}.{os.getpid()}.part")
        passing.write_bytes(files[name])
        passing.replace(path)
