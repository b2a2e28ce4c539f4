"""One run of a sweep, as a worker process does it: told to stop, telling how far it is."""

from __future__ import annotations

import contextlib
import logging
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from sim.files.clock import has_passed
from sim.files.lock import LockedError
from sim.files.opening import InUseError
from sim.files.record import Ending
from sim.run.schedule import ByClock, Schedule
from sim.run.simulate import Run, RunFailed, RunFileError, Wishes, simulation
from sim.run.together import alone
from sim.run.watchers import Scene, Stop, Watcher
from sim.sweeps.folder import Outcome, SweepFolder

if TYPE_CHECKING:
    from sim.parameters.types import Parameters
    from sim.run.loop import Simulation

LOOK_SECONDS = 0.5
"""A run looks so often whether it is to stop, and tells so often how far it is."""

ORPHAN_SECONDS = 30.0
"""A worker whose sweep was killed may save its run for so long before the run goes on."""

_log = logging.getLogger("sim")


class PointFunction(Protocol):
    """What is done for one run of a sweep; a top-level function, so that workers can load it."""

    def __call__(
        self,
        parameters: Parameters,
        directory: Path,
        *,
        stop_rules: Sequence[Watcher] = (),
        on_progress: Callable[[int, int], None] | None = None,
    ) -> Run:
        """Simulate, and what else is wanted, going on with a run that is in the folder."""


@dataclass(frozen=True)
class Job:
    """One run, as a worker receives it.

    Attributes
    ----------
    sweep, folder : str
        Folder of the sweep, and that of the run inside it.
    parameters : Parameters
        What to simulate.
    point : callable
        What to do.
    """

    sweep: str
    folder: str
    parameters: Parameters
    point: PointFunction


NOT_BEGUN = Outcome("interrupted", "the sweep was stopped before this run began")


@dataclass
class Watch:
    """Tells the parent how far a run is, and stops it when the parent says so."""

    folder: SweepFolder
    name: str
    schedule: Schedule = field(default_factory=lambda: ByClock(LOOK_SECONDS))
    told: float = 0.0

    def look(self, scene: Scene) -> None:
        """Stop the run if the sweep is being stopped."""
        if self.folder.stop_file.exists():
            where = f"at step {scene.engine.step} of {scene.steps}"
            raise Stop(Ending.INTERRUPTED, f"interrupted with its sweep {where}")

    def close(self, scene: Scene) -> None:
        """Do nothing."""

    def tell(self, step: int, steps: int) -> None:
        """Write the progress, at most twice per second."""
        now = time.monotonic()
        if has_passed(LOOK_SECONDS, self.told, now):
            self.told = now
            self.folder.set_progress(self.name, step, steps)


def simulate_point(
    parameters: Parameters,
    directory: Path,
    *,
    stop_rules: Sequence[Watcher] = (),
    on_progress: Callable[[int, int], None] | None = None,
    device: str = "cpu",
) -> Run:
    """Simulate one run of a sweep on one thread or a card, going on with what is in its folder.

    See `going_on`.
    """
    wishes = Wishes(threads=1, stop_rules=stop_rules, on_progress=on_progress, device=device)
    return alone(going_on(parameters, directory, wishes))


def going_on(parameters: Parameters, directory: Path, wishes: Wishes) -> Simulation:
    """Go on with a run of a sweep, leaving steps to who runs it.

    A run file that a crash has left unusable is replaced: equal seeds give equal runs. One that
    another process writes or reads is left alone.
    """
    patience = time.monotonic() + ORPHAN_SECONDS
    while True:
        try:
            return (yield from simulation(parameters, directory, replace(wishes, resume=True)))
        except (LockedError, InUseError):  # its last worker still saves, or somebody reads
            if time.monotonic() > patience:
                raise
            time.sleep(LOOK_SECONDS)
        except RunFileError:
            _log.warning("%s: its files cannot be used; it starts again", directory)
            afresh = replace(wishes, overwrite=True)
            return (yield from simulation(parameters, directory, afresh))


def warm_kernels(parameters: Parameters) -> None:
    """Compile all kernels that a run needs, into the cache that every worker reads."""
    from sim.run.setup import RunSetup
    from sim.run.simulate import make_cpu_engine

    setup = RunSetup(parameters, 1)
    engine = make_cpu_engine(setup.system, setup.state, 1)
    engine.compile()
    engine.observe()


def guarded(task: tuple[Callable[[Parameters], None], Parameters]) -> None:
    """Warm up, and leave errors to the runs that meet them too."""
    warm_up, parameters = task
    try:
        warm_up(parameters)
    except Exception:  # the run with the same trouble records it
        _log.debug("kernels could not be compiled ahead", exc_info=True)


def perform(job: Job) -> Outcome:
    """Do one run in a worker and record how it ended, whatever happens."""
    folder = SweepFolder(Path(job.sweep))
    if folder.stop_file.exists():
        return NOT_BEGUN
    directory = folder.path / job.folder
    watch = Watch(folder, job.folder)
    end: Run | Exception
    try:
        directory.mkdir(parents=True, exist_ok=True)
        end = job.point(job.parameters, directory, stop_rules=(watch,), on_progress=watch.tell)
    except Exception as error:
        end = error
    outcome = outcome_of(end, directory)
    with contextlib.suppress(OSError):  # a full disk must not hide what happened
        folder.end_progress(job.folder)
        folder.set_outcome(job.folder, outcome)
    return outcome


def outcome_of(end: Run | Exception, directory: Path) -> Outcome:
    """Word how a run ended, or what it raised."""
    if isinstance(end, RunFailed):
        where = f"at step {end.run.step} of {end.run.steps}"
        return Outcome("failed", f"the run failed {where}: {end.run.reason}")
    if isinstance(end, Exception):
        wanted = logging.ERROR if os.environ.get("CHAINFILM_TRACEBACK") else logging.DEBUG
        _log.log(wanted, "%s", directory, exc_info=end)
        return Outcome("failed", _sentence(end))
    return Outcome("finished" if end.finished else "interrupted", end.reason)


def _sentence(error: Exception) -> str:
    """Word an error; one that no user can cause is told as a fault of the program."""
    text = " ".join(str(error).split())
    if isinstance(error, ValueError | OSError | MemoryError) and text:
        return text
    return f"an error of the program, {type(error).__name__}: {text}"
