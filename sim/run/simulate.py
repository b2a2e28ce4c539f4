"""One simulation: from parameters to a finished run file.

The loop asks its watchers when the next of them is due, lets the engine advance exactly that far
in compiled code, and calls those that are due. No Python runs per step, and every end has a
recorded reason.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.engines.protocol import ENERGIES
from sim.files.checkpoint import Checkpoint
from sim.files.committed import journal_of
from sim.files.folder import RunFolder, examine, make_writable, plan, refuse_own_start
from sim.files.lock import FolderError, held
from sim.files.provenance import sources, versions
from sim.files.record import Ending, resolved
from sim.files.run_file import RunFileError, RunSummary, RunWriter
from sim.run.rest import rest_watchers
from sim.run.resume import checkpoint_for, is_kept, require_same
from sim.run.setup import RunSetup, prepare, record_of, usable_threads
from sim.run.watchers import (
    CheckpointByClock,
    Frames,
    Interruption,
    Pace,
    Progress,
    Scene,
    Stop,
    Watcher,
    advance_timed,
)

if TYPE_CHECKING:
    from sim.engines.protocol import Engine, EngineFactory
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState
    from sim.parameters.types import Parameters

__all__ = [
    "FolderError",
    "Run",
    "RunFailed",
    "RunFileError",
    "make_cpu_engine",
    "simulate",
    "usable_threads",
]

CAPPED_SHARE = 1e-6
"""More capped moves than this share of all moves are worth a notice."""

_log = logging.getLogger("sim")


@dataclass(frozen=True)
class Run:
    """A run as it stands after `simulate`.

    Attributes
    ----------
    directory : Path
        Its folder.
    path : Path
        Its run file.
    ending : Ending
        How it ended.
    reason : str
        One sentence on that.
    step, steps : int
        Steps done and steps asked for.
    frames : int
        Frames in the file, the start state included.
    timing : dict of str to number
        `setup_s`, `compile_s`, `stepping_s`, `output_s`, `steps`, `threads`, counts of the engine.
    notices : tuple of str
        What the user should know, a sentence each.
    """

    directory: Path
    path: Path
    ending: Ending
    reason: str
    step: int
    steps: int
    frames: int
    timing: dict[str, float]
    notices: tuple[str, ...] = ()

    @property
    def finished(self) -> bool:
        """Whether the run came to its end."""
        return self.ending.is_complete


class RunFailed(RuntimeError):
    """A run that stopped on an error; `run` says what was saved.

    Parameters
    ----------
    run : Run
        The run as it stands.
    """

    def __init__(self, run: Run) -> None:
        super().__init__(run)
        self.run = run

    def __str__(self) -> str:
        return self.run.reason


def simulate(
    parameters: Parameters,
    directory: str | Path,
    *,
    threads: int | None = None,
    resume: bool = False,
    overwrite: bool = False,
    show_progress: bool = False,
    on_progress: Callable[[int, int], None] | None = None,
    on_phase: Callable[[str], None] | None = None,
    on_start: Callable[[int, int, float], None] | None = None,
    stop_rules: Sequence[Watcher] = (),
    derived: dict[str, Any] | None = None,
    doubts: Sequence[str] = (),
    engine_factory: EngineFactory | None = None,
) -> Run:
    """Simulate one film into a folder.

    Parameters
    ----------
    parameters : Parameters
        What `sim.load` returns.
    directory : str or Path
        Folder of the run; made if absent.
    threads : int or None
        Threads to step on; None means all cores. The result does not depend on it.
    resume : bool
        Go on from a checkpoint. Without one the run starts afresh; a finished run is kept, or made
        longer if the duration has grown.
    overwrite : bool
        Replace a run that is in the folder.
    show_progress : bool
        Draw a bar on standard error.
    on_progress : callable or None
        Called with (step, steps) several times a second.
    on_phase : callable or None
        Called with "compiling" before kernels are compiled and with "simulating" after.
    on_start : callable or None
        Called with (step, steps, time step in s) before the first step; a run that goes on stands
        at a step above 0.
    stop_rules : sequence of Watcher
        Further watchers; one that raises `sim.run.watchers.Stop` ends the run.
    derived : dict or None
        Derived numbers to store; None means those of `sim.outlook.expectations`.
    doubts : sequence of str
        Cautions on numbers to store beside them; those of `sim.outlook.expectations` without
        ``derived``.
    engine_factory : callable or None
        Makes the engine from (system, state, threads); None means the CPU engine.

    Returns
    -------
    Run
        Finished, stopped by a rule, or interrupted with a checkpoint saved.

    Raises
    ------
    FolderError
        If the folder may not be used.
    RunFileError
        If a run to be continued cannot be used, or its parameters differ.
    RunFailed
        If the run stopped on an error; what was simulated is in its file.
    """
    began = time.perf_counter()
    folder = RunFolder(Path(directory))
    if parameters.start.kind == "file":
        refuse_own_start(folder.path, parameters.start.path)
    summary = plan(folder, resume, overwrite)
    if summary is not None:
        require_same(folder, summary, resolved(parameters))
    begun_with = None if summary is None else summary.time_step_s
    interval = None if summary is None else summary.frame_interval_s
    setup = prepare(parameters, threads, derived, begun_with, interval, doubts)
    if summary is not None and is_kept(folder, summary, setup):
        return _kept(folder, summary, setup)
    make_writable(folder)
    with held(folder.path) as notices:
        setup.notices.extend(notices)
        summary = examine(folder, resume, overwrite)  # another run may have ended here meanwhile
        if summary is not None:
            require_same(folder, summary, resolved(parameters))
            if is_kept(folder, summary, setup):
                return _kept(folder, summary, setup)
        elif resume and folder.run_file.exists():
            setup.notices.append(
                f"{folder.path} holds no checkpoint to go on from; the run starts afresh"
            )
        kept = None if summary is None else checkpoint_for(folder, summary, setup)
        setup_s = time.perf_counter() - began
        engine, warm_up_s = _ready(engine_factory or make_cpu_engine, setup, on_phase or _no_call)
        with Interruption() as interruption:
            if summary is None or kept is None:
                scene = _start(folder, setup, engine)
                planned = (parameters.output.frames, setup.system.steps)
            else:
                scene = _continue(folder, setup, engine, summary, kept)
                planned = (summary.frames_planned, summary.steps_planned)
            scene.setup_s, scene.warm_up_s = setup_s, warm_up_s
            if on_start is not None:
                on_start(engine.step, scene.steps, setup.system.dt_s)
            watchers: list[Watcher] = [
                Frames(*planned, last=scene.steps, sampled=parameters.run.is_sampled),
                Progress(
                    engine.step,
                    scene.steps,
                    show_progress,
                    on_progress,
                    "sweep" if parameters.run.is_sampled else "step",
                ),
                CheckpointByClock(folder.checkpoint),
                *rest_watchers(scene),
                *stop_rules,
                interruption,
            ]
            return _supervise(folder, scene, watchers, tuple(setup.notices))


def _no_call(word: str) -> None:
    """Stand in for a function that nobody asked to be called."""


def make_cpu_engine(system: ReducedSystem, state: FilmState, threads: int) -> Engine:
    """Return the engine that steps on the processor's threads, or the one that samples."""
    if system.dynamics == "monte_carlo":
        from sim.sampler.engine import SamplerEngine

        return SamplerEngine(system, state, threads)
    from sim.engines.cpu import CpuEngine

    return CpuEngine(system, state, threads)


def _ready(
    make: EngineFactory, setup: RunSetup, tell: Callable[[str], None]
) -> tuple[Engine, float]:
    """Make the engine, compile everything, and return the seconds that the observables took."""
    tell("compiling")
    engine = make(setup.system, setup.state, setup.threads)
    engine.compile()
    began = time.perf_counter()
    engine.observe()
    warm_up_s = time.perf_counter() - began
    tell("simulating")
    return engine, warm_up_s


def _kept(folder: RunFolder, summary: RunSummary, setup: RunSetup) -> Run:
    """Return a finished run as it is."""
    return Run(
        directory=folder.path,
        path=folder.run_file,
        ending=summary.ending,
        reason=summary.reason,
        step=summary.last_step,
        steps=setup.system.steps,
        frames=summary.frames,
        timing=summary.timing,
        notices=(*setup.notices, f"{folder.path} holds this run, finished; nothing is simulated"),
    )


def _scene(
    setup: RunSetup, engine: Engine, writer: RunWriter, run_id: str, earlier: dict[str, float]
) -> Scene:
    return Scene(
        parameters=setup.parameters,
        particles=setup.particles,
        system=setup.system,
        engine=engine,
        steps=setup.system.steps,
        writer=writer,
        run_id=run_id,
        threads=setup.threads,
        earlier=earlier,
    )


@contextlib.contextmanager
def _closed_on_error(writer: RunWriter) -> Iterator[None]:
    """Close a run file that nobody else will close."""
    try:
        yield
    except BaseException:
        writer.close()
        raise


def _start(folder: RunFolder, setup: RunSetup, engine: Engine) -> Scene:
    """Begin a new run file with the start state in it."""
    if folder.run_file.exists():
        folder.clear()
    record = record_of(setup, uuid.uuid4().hex)
    try:
        writer = RunWriter.create(folder.run_file, record, setup.particles, ENERGIES)
        with _closed_on_error(writer):
            scene = _scene(setup, engine, writer, record.run_id, {})
            writer.begin_part(0, setup.threads)
            writer.append(scene.frame())
            writer.flush()
    except OSError:  # a file without a frame is no run, and would be in the way of the next
        for left in (folder.run_file, journal_of(folder.run_file)):
            left.unlink(missing_ok=True)
        raise
    return scene


def _continue(
    folder: RunFolder, setup: RunSetup, engine: Engine, summary: RunSummary, kept: Checkpoint
) -> Scene:
    """Put the engine and the run file back to the checkpoint."""
    engine.restore(kept.engine)
    writer = RunWriter.reopen(folder.run_file, kept.step)
    with _closed_on_error(writer):
        writer.extend_plan(record_of(setup, summary.run_id))
        writer.begin_part(kept.step, setup.threads)
    changed = "other versions of python or its libraries" if summary.versions != versions() else ""
    if summary.sources not in ("", sources()):
        changed = "another state of the program" + (f" and {changed}" if changed else "")
    if changed:
        setup.notices.append(
            f"this run was begun with {changed}; the last bits may differ from a run never stopped"
        )
    return _scene(setup, engine, writer, summary.run_id, kept.timing)


def _supervise(
    folder: RunFolder, scene: Scene, watchers: list[Watcher], notices: tuple[str, ...]
) -> Run:
    """Run the loop and record how it ended, whatever happens."""
    error: Exception | None = None
    try:
        try:
            _loop(scene, watchers)
        except Stop as stop:
            ending, reason = stop.ending, stop.reason
        except Exception as problem:  # every end gets its recorded reason
            error, ending, reason = problem, Ending.FAILED, _sentence(problem)
        else:
            ending, reason = Ending.FINISHED, f"finished {scene.steps} steps"
        try:
            _close(folder, scene, watchers, ending, reason)
        except (OSError, RuntimeError, RunFileError) as problem:  # disk full, file gone
            _log.debug("what the run leaves behind could not all be saved", exc_info=True)
            if error is None:
                error, ending, reason = problem, Ending.FAILED, _sentence(problem)
        frames = scene.writer.frames
    finally:
        scene.writer.close()
    _log.info("%s: %s", folder.path, reason)
    run = Run(
        directory=folder.path,
        path=folder.run_file,
        ending=ending,
        reason=reason,
        step=scene.engine.step,
        steps=scene.steps,
        frames=frames,
        timing=scene.timing(),
        notices=(*notices, *_capped(scene)),
    )
    if error is not None:
        raise RunFailed(run) from error
    return run


def _close(
    folder: RunFolder, scene: Scene, watchers: list[Watcher], ending: Ending, reason: str
) -> None:
    """Save what the ending leaves behind, the word on the ending last."""
    if ending is Ending.STOPPED and scene.writer.last_step < scene.engine.step:
        scene.writer.append(scene.frame())
    for watcher in watchers:
        watcher.close(scene)
    # after an error, the engine stands where it was before the piece that failed
    scene.save_checkpoint(folder.checkpoint)
    scene.writer.end(ending, reason, scene.timing())


def _capped(scene: Scene) -> list[str]:
    """Return a notice if the drift cap acted often enough to slow particles down."""
    moves = scene.engine.step * len(scene.particles.diameter)
    capped = int(scene.engine.timing["capped_moves"])
    if capped <= CAPPED_SHARE * moves:
        return []
    return [
        f"{capped} of {moves} moves were shortened by the drift cap; "
        f"a time_step below {scene.system.dt_s:.3g} s avoids that"
    ]


def _sentence(problem: Exception) -> str:
    """Word what ended a run; of a disk in trouble, what the system says and nothing of HDF5."""
    if isinstance(problem, OSError) and problem.errno is not None:
        if problem.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            return "the disk is full; make room and go on with --resume"
        return f"the run cannot be written: {os.strerror(problem.errno)}"
    text = " ".join(str(problem).split())
    return text if text else type(problem).__name__


def _loop(scene: Scene, watchers: Sequence[Watcher]) -> None:
    """Advance from one thing that is due to the next until the last step."""
    engine, pace = scene.engine, Pace()
    while (step := engine.step) < scene.steps:
        due = min(watcher.schedule.next_step(step) for watcher in watchers)
        advance_timed(engine, min(due, scene.steps, step + pace.steps) - step, pace)
        began = time.perf_counter()
        for watcher in watchers:
            if watcher.schedule.is_due(engine.step):
                watcher.look(scene)
        scene.output_s += time.perf_counter() - began
