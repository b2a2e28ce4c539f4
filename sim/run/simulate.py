"""One simulation: from parameters to a finished run file."""

from __future__ import annotations

import contextlib
import dataclasses
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sim.engines.checkpoints import other_processor
from sim.engines.protocol import ENERGIES
from sim.files.checkpoint import Checkpoint
from sim.files.committed import journal_of
from sim.files.folder import RunFolder, examine, make_writable, plan, refuse_own_start
from sim.files.lock import FolderError, held
from sim.files.provenance import sources, versions
from sim.files.run_file import RunFileError, RunSummary, RunWriter
from sim.parameters.load import Film, as_parameters
from sim.run.loop import Run, RunFailed, supervise
from sim.run.rest import rest_watchers
from sim.run.resume import checkpoint_for, is_kept, require_same
from sim.run.setup import RunSetup, record_of, usable_threads
from sim.run.together import alone
from sim.run.watchers import (
    CheckpointByClock,
    Frames,
    Interruption,
    Progress,
    Scene,
    States,
    Watcher,
)

if TYPE_CHECKING:
    from sim.engines.protocol import Engine, EngineFactory
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState
    from sim.run.loop import Simulation

__all__ = [
    "FolderError",
    "Run",
    "RunFailed",
    "RunFileError",
    "RunSetup",
    "Wishes",
    "engine_maker",
    "make_card_engine",
    "make_cpu_engine",
    "simulate",
    "simulation",
    "usable_threads",
]


def simulate(
    parameters: Film,
    directory: str | Path,
    *,
    threads: int | None = None,
    resume: bool = False,
    overwrite: bool = False,
    show_progress: bool = False,
    on_progress: Callable[[int, int], None] | None = None,
    on_phase: Callable[[str], None] | None = None,
    on_start: Callable[[int, int, float | None], None] | None = None,
    stop_rules: Sequence[Watcher] = (),
    setup: RunSetup | None = None,
    engine_factory: EngineFactory | None = None,
    device: str = "cpu",
) -> Run:
    """Simulate one film into a folder.

    Parameters
    ----------
    parameters : Parameters, str, path-like or mapping
        What `sim.load` returns, or what it takes.
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
        Called with (step, steps) several times per second.
    on_phase : callable or None
        Called with "compiling" before kernels are compiled and with "simulating" after.
    on_start : callable or None
        Called with (step, steps, time step in s, None of a sampled run) before the first step; a
        run that goes on stands at a step above 0.
    stop_rules : sequence of Watcher
        Further watchers; one that raises `sim.run.watchers.Stop` ends the run.
    setup : RunSetup or None
        What follows from these parameters and threads, where it is made already.
    engine_factory : callable or None
        Makes the engine from (system, state, threads); None means that of the device.
    device : str
        "cpu", or "gpu" for a graphics card; where a set-up is given, its device holds.

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
    wishes = Wishes(
        threads=threads,
        resume=resume,
        overwrite=overwrite,
        show_progress=show_progress,
        on_progress=on_progress,
        on_phase=on_phase,
        on_start=on_start,
        stop_rules=stop_rules,
        setup=setup,
        engine_factory=engine_factory,
        device=device,
    )
    return alone(simulation(parameters, directory, wishes))


@dataclass(frozen=True)
class Wishes:
    """How a run is made: what `simulate` takes by name.

    Attributes
    ----------
    interruption : Interruption or None
        What hears signals for this run among others; None listens while the run steps, and passes
        on what came too late to stop it.
    """

    threads: int | None = None
    resume: bool = False
    overwrite: bool = False
    show_progress: bool = False
    on_progress: Callable[[int, int], None] | None = None
    on_phase: Callable[[str], None] | None = None
    on_start: Callable[[int, int, float | None], None] | None = None
    stop_rules: Sequence[Watcher] = ()
    setup: RunSetup | None = None
    engine_factory: EngineFactory | None = None
    device: str = "cpu"
    interruption: Interruption | None = None


def simulation(parameters: Film, directory: str | Path, wishes: Wishes) -> Simulation:
    """Simulate one film into a folder, leaving steps to who runs it (`sim.run.together`).

    First it asks for no steps, when its engine is made: what engines need together is made then.
    For the rest see `simulate`.

    Yields
    ------
    Engine, int
        What is to be advanced by how many steps before this goes on; it is sent the seconds that
        they took, or what they raised is thrown in.
    """
    began = time.perf_counter()
    parameters = as_parameters(parameters)
    folder = RunFolder(Path(directory))
    resume, overwrite = wishes.resume, wishes.overwrite
    if parameters.start.kind == "file":
        refuse_own_start(folder.path, parameters.start.path)
    summary = plan(folder, resume, overwrite)
    if summary is not None:
        require_same(folder, summary, parameters)
    setup = wishes.setup or RunSetup(parameters, wishes.threads, wishes.device)
    if summary is not None:
        setup.go_on(summary)
    if summary is not None and is_kept(folder, summary, setup):
        return _kept(folder, summary, setup)
    setup.require_ready(begins=wishes.engine_factory is None)
    make_writable(folder.path)
    with held(folder.path) as notices:
        setup.notices.extend(notices)
        summary = examine(folder, resume, overwrite)  # another run may have ended here meanwhile
        if summary is not None:
            require_same(folder, summary, parameters)
            if is_kept(folder, summary, setup):
                return _kept(folder, summary, setup)
        elif resume and folder.run_file.exists():
            setup.notices.append(
                f"{folder.path} holds no checkpoint to go on from; the run starts afresh"
            )
        kept = None if summary is None else checkpoint_for(folder, summary, setup)
        setup_s = time.perf_counter() - began
        tell = wishes.on_phase or _no_call
        tell("compiling")
        make = wishes.engine_factory or setup.engine_factory or engine_maker(setup.device)
        engine = make(setup.system, setup.state_before(kept), setup.threads)
        yield engine, 0
        warm_up_s = _warm_up(engine, kept)
        tell("simulating")
        with _listening(wishes.interruption) as interruption:
            if summary is None or kept is None:
                scene = _start(folder, setup, engine)
                planned = (parameters.output.frames, setup.system.steps)
            else:
                scene = _continue(folder, setup, engine, summary, kept)
                planned = (summary.frames_planned, summary.steps_planned)
            scene.setup_s, scene.warm_up_s = setup_s, warm_up_s
            if wishes.on_start is not None:
                step_s = None if scene.is_sampled else setup.system.dt_s
                wishes.on_start(engine.step, scene.steps, step_s)
            watchers: list[Watcher] = [
                Frames(*planned, last=scene.steps, sampled=scene.is_sampled),
                Progress(
                    engine.step,
                    scene.steps,
                    wishes.show_progress,
                    wishes.on_progress,
                    "sweep" if scene.is_sampled else "step",
                ),
                CheckpointByClock(folder.checkpoint, count=len(setup.particles.diameter)),
                *_states(setup, planned[1], scene.steps),
                *rest_watchers(scene),
                *wishes.stop_rules,
                interruption,
            ]
            done = yield from supervise(folder, scene, watchers, tuple(setup.notices))
    if done.finished and wishes.interruption is None:
        interruption.pass_on()  # it came after the last step, when nothing looked any more
    return done


def _listening(
    interruption: Interruption | None,
) -> contextlib.AbstractContextManager[Interruption]:
    """Return a context that hears signals, or that of somebody who does already."""
    return Interruption() if interruption is None else contextlib.nullcontext(interruption)


def _states(setup: RunSetup, planned: int, last: int) -> list[Watcher]:
    """Return what keeps whole states, where frames hold a cut-out."""
    if setup.selection.cutout is None:
        return []
    return [States(setup.parameters.output.states, planned, last)]


def _no_call(word: str) -> None:
    """Stand in for a function that nobody asked to be called."""


def make_cpu_engine(system: ReducedSystem, state: FilmState, threads: int) -> Engine:
    """Return the engine that steps on the processor's threads, or the one that samples."""
    if system.dynamics == "monte_carlo":
        from sim.sampler.engine import SamplerEngine

        return SamplerEngine(system, state, threads)
    from sim.engines.cpu import CpuEngine

    return CpuEngine(system, state, threads)


def make_card_engine(system: ReducedSystem, state: FilmState, threads: int) -> Engine:
    """Return the engine that steps on a graphics card."""
    from sim.engines.card.engine import CardEngine

    return CardEngine(system, state, threads)


def engine_maker(device: str) -> EngineFactory:
    """Return what makes the engine of a device, "cpu" or "gpu"."""
    return make_card_engine if device == "gpu" else make_cpu_engine


def _warm_up(engine: Engine, kept: Checkpoint | None) -> float:
    """Compile everything, go back to a checkpoint; return the seconds that observables took."""
    engine.compile()
    if kept is not None:
        engine.restore(kept.engine)
    began = time.perf_counter()
    engine.observe()
    return time.perf_counter() - began


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
    # First what may still be refused, so that nothing is lost then.
    record = dataclasses.replace(record_of(setup, uuid.uuid4().hex), start=setup.started)
    if folder.run_file.exists():
        folder.clear()
    try:
        writer = RunWriter.create(
            folder.run_file, record, setup.particles, ENERGIES, setup.selection
        )
        with _closed_on_error(writer):
            scene = Scene(setup, engine, writer, record.run_id)
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
    """Put the run file back to the checkpoint, as the engine is."""
    setup.notices.extend(other_processor(setup.device, kept.engine))
    writer = RunWriter.reopen(folder.run_file, kept.step, setup.selection)
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
    return Scene(setup, engine, writer, summary.run_id, kept.timing)
