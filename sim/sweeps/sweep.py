"""Many simulations: the points of a sweep on worker processes, resumable, none losing another."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.files.folder import require_one_wish
from sim.files.lock import held
from sim.run.setup import usable_threads
from sim.sweeps.batches import batches_of, kinds_on_card, perform_batch
from sim.sweeps.folder import Outcome, SweepFolder
from sim.sweeps.overseer import Overseer, SweepProgress
from sim.sweeps.pool import Crew, spawned_workers
from sim.sweeps.run import Job, PointFunction, guarded, perform, simulate_point, warm_kernels

if TYPE_CHECKING:
    from sim.parameters.load import Film
    from sim.parameters.types import Parameters
    from sim.sweeps.table import SweepPlan

__all__ = ["PointFunction", "Sweep", "SweepProgress", "simulate_point", "sweep", "warm_kernels"]


@dataclass(frozen=True)
class Sweep:
    """A sweep as it stands after `sweep`.

    Attributes
    ----------
    directory : Path
        Its folder.
    outcomes : dict of str to Outcome
        How each run ended, by folder; runs that have not ended are absent.
    runs : int
        Runs of the sweep.
    interrupted : bool
        Whether a signal ended it.
    notices : tuple of str
        What the user should know, a sentence each.
    """

    directory: Path
    outcomes: dict[str, Outcome]
    runs: int
    interrupted: bool
    notices: tuple[str, ...] = ()

    def count(self, state: str) -> int:
        """Count the runs that ended so: "finished", "failed" or "interrupted"."""
        return sum(outcome.state == state for outcome in self.outcomes.values())

    @property
    def finished(self) -> bool:
        """Whether every run came to its end."""
        return self.count("finished") == self.runs

    @property
    def ended(self) -> bool:
        """Whether every run is over, finished or failed."""
        return self.count("finished") + self.count("failed") == self.runs


def sweep(
    parameters: Film | SweepPlan,
    directory: str | Path,
    *,
    point: PointFunction | None = None,
    workers: int | None = None,
    executor: Executor | None = None,
    device: str = "cpu",
    resume: bool = False,
    overwrite: bool = False,
    warm_up: Callable[[Parameters], None] | None = None,
    on_progress: Callable[[SweepProgress], None] | None = None,
    on_run: Callable[[str, Outcome], None] | None = None,
    on_notice: Callable[[str], None] | None = None,
) -> Sweep:
    """Run every point of a sweep.

    Parameters
    ----------
    parameters : Parameters, SweepPlan, str, path-like or mapping
        What `sim.load` returned for a file with a [sweep] table, or takes for one; or
        what `sim.sweeps.table.load_sweep` returned.
    directory : str or Path
        Folder of the sweep; made if absent.
    point : callable or None
        What to do for each run, see `PointFunction`; None only simulates. It must be loadable by
        name in another process.
    workers : int or None
        Runs at a time, each on one thread; None means all cores, or all runs at once where an
        executor is given. More than there are cores are clamped, with a notice.
    executor : concurrent.futures.Executor or None
        Where to run; None means processes of this machine. The caller shuts it down. Its workers
        must see the same folder.
    device : str
        "cpu", or "gpu": runs step on the graphics card of one worker, those of one kind together,
        and are then done as on "cpu", where they are found to be finished.
    resume : bool
        Go on with a sweep that is in the folder: finished runs are kept, half-finished ones go on
        from their checkpoints, failed ones are tried again.
    overwrite : bool
        Replace a sweep that is in the folder.
    warm_up : callable or None
        Called in one worker before any run on "cpu", with the parameters of one, to compile
        kernels once; None means `warm_kernels`.
    on_progress : callable or None
        Called with a `SweepProgress` several times per second.
    on_run : callable or None
        Called with folder and outcome as each run ends.
    on_notice : callable or None
        Called with each notice before the first run begins.

    Returns
    -------
    Sweep
        Every run's outcome; a failed run is one of them, not an error.

    Raises
    ------
    ParameterError
        If a point is mistaken; all are told before anything runs.
    CardError
        If a run cannot step on the card.
    FolderError
        If the folder holds something else, or another process writes it.
    ValueError
        If fewer than one worker is asked for.
    """
    from sim.parameters.load import as_parameters
    from sim.sweeps.table import SweepPlan, plan_sweep

    if workers is not None and workers < 1:
        raise ValueError(f"workers must be at least 1; received {workers}")
    plan = (
        parameters if isinstance(parameters, SweepPlan) else plan_sweep(as_parameters(parameters))
    )
    folder = SweepFolder(Path(directory))
    require_one_wish(resume, overwrite)
    on_card = None
    if device == "gpu":
        on_card = kinds_on_card({run.folder: run.parameters for run in plan.runs})
    folder.make()
    with held(folder.path) as notices:
        folder.claim(plan, resume, overwrite)
        notices.extend(folder.other_program())
        folder.stop_file.unlink(missing_ok=True)
        outcomes = {run.folder: folder.outcome(run.folder) for run in plan.runs}
        kept = {name: o for name, o in outcomes.items() if o is not None and o.state == "finished"}
        act = point or simulate_point
        jobs = [
            Job(str(folder.path), run.folder, run.parameters, act)
            for run in plan.runs
            if run.folder not in kept
        ]
        count, clamped = _crew_size(workers, executor, len(jobs))
        notices.extend(clamped)
        if on_notice is not None:
            for notice in notices:
                on_notice(notice)
        for job in jobs:
            folder.set_outcome(job.folder, None)
            folder.end_progress(job.folder)
        overseer = Overseer(folder, len(plan.runs), dict(kept), on_progress, on_run)
        make = spawned_workers if executor is None else partial(_lend, executor)
        with overseer:
            if on_card is not None:
                jobs = _on_card(batches_of(jobs, *on_card), make, overseer)
            else:
                _warm(make, jobs, warm_up or warm_kernels, overseer)
            crew = Crew(perform, make, count, overseer.lost, overseer.done, overseer.tick)
            crew.run(jobs)
        folder.stop_file.unlink(missing_ok=True)
    ended = overseer.outcomes
    return Sweep(folder.path, ended, len(plan.runs), overseer.heard != "", tuple(notices))


def _on_card(
    batches: Sequence[tuple[Job, ...]], make: Callable[[int], Executor], overseer: Overseer
) -> list[Job]:
    """Simulate batches on the card, one after the other; return the runs that are finished."""
    finished: list[Job] = []

    def done(jobs: tuple[Job, ...], outcomes: dict[str, Outcome]) -> None:
        for job in jobs:
            if outcomes[job.folder].state == "finished":
                finished.append(job)
            else:
                overseer.done(job, outcomes[job.folder])

    def lost(jobs: tuple[Job, ...], sentence: str) -> dict[str, Outcome]:
        return {job.folder: overseer.lost(job, sentence) for job in jobs}

    Crew(perform_batch, make, 1, lost, done, overseer.tick).run(batches)
    return finished


def _crew_size(workers: int | None, executor: Executor | None, jobs: int) -> tuple[int, list[str]]:
    """Return how many runs are in work at a time, and a notice where fewer than asked for."""
    if executor is not None:
        return max(1, workers or jobs), []
    cores, _ = usable_threads(None)
    notices = []
    if workers is not None and workers > cores:
        notices.append(
            f"{workers} workers were asked for; this machine lends {cores} core(s), "
            "and so many are used"
        )
    return max(1, min(workers or cores, cores, jobs)), notices


def _warm(
    make: Callable[[int], Executor],
    jobs: Sequence[Job],
    warm_up: Callable[[Parameters], None],
    overseer: Overseer,
) -> None:
    """Compile once for each kind of run in a single worker; a failure there shows up in the runs.

    Kernels are compiled anew for other precisions and other sums, not for other films. Nothing is
    lost where compiling is given up, so that a signal need not wait for its end.
    """
    kinds: dict[Any, Parameters] = {}
    for job in jobs:
        p = job.parameters
        is_even = p.particles.size_spread == 0.0
        kind = (p.run.dynamics, p.motion.flow, p.run.precision, p.dipoles.sum, p.repulsion.kind)
        kinds.setdefault((*kind, is_even), p)
    crew = Crew(
        work=guarded,
        make_executor=make,
        workers=1,
        lost=lambda _job, _sentence: None,
        done=lambda _job, _result: None,
        tick=partial(_go_on, overseer),
    )
    with contextlib.suppress(_GivenUp):
        crew.run([(warm_up, parameters) for parameters in kinds.values()])


class _GivenUp(Exception):
    """Nothing more is to be compiled."""


def _go_on(overseer: Overseer) -> bool:
    """Pass the progress on; raise where the sweep is to stop."""
    if overseer.tick():
        raise _GivenUp
    return False


def _lend(executor: Executor, workers: int) -> Executor:  # noqa: ARG001
    """Take the caller's executor for one of so many workers."""
    return _Lent(executor)


class _Lent(Executor):
    """An executor of the caller, who shuts it down."""

    def __init__(self, executor: Executor) -> None:
        self._executor = executor

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Pass the work on."""
        return self._executor.submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Leave it running."""
