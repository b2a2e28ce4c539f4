"""The run loop, and how a run ends.

The loop asks its watchers when the next of them is due, asks for exactly so many steps of compiled
code, and calls those that are due. No Python runs per step, and every end has a recorded reason.

It asks by yielding an engine and the steps that it wants, and is sent the seconds that they took:
who runs it may advance one film, or many at once (`sim.run.together`).
"""

from __future__ import annotations

import errno
import logging
import os
import time
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.common.notebook import html_table
from sim.engines.guards import EngineLostError
from sim.files.folder import RunFolder
from sim.files.record import Ending
from sim.files.run_file import RunFileError
from sim.run.watchers import Pace, Scene, Stop, Watcher

if TYPE_CHECKING:
    from sim.engines.protocol import Engine

    Piece = tuple[Engine, int]
    Simulation = Generator[Piece, float, "Run"]

CAPPED_SHARE = 1e-6
"""More capped moves than this share of all moves are worth a notice."""

_log = logging.getLogger("sim")


@dataclass(frozen=True, repr=False)
class Run:
    """A run as it stands after `simulate`; a path of its run file wherever one is asked for.

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

    def __fspath__(self) -> str:
        """Return the path of the run file."""
        return str(self.path)

    def __repr__(self) -> str:
        """Say in a line how it stands."""
        return f"<Run {self.directory}: {', '.join(text for _, text in self._rows())}>"

    def _repr_html_(self) -> str:
        """Show it in a notebook."""
        notices = (("notice", notice) for notice in self.notices)
        return html_table(f"Run {self.directory}", [*self._rows(), *notices])

    def _rows(self) -> list[tuple[str, str]]:
        return [
            ("ending", self.ending.value),
            ("step", f"step {self.step} of {self.steps}"),
            ("frames", f"{self.frames} frames"),
        ]

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


def supervise(
    folder: RunFolder, scene: Scene, watchers: list[Watcher], notices: tuple[str, ...]
) -> Simulation:
    """Run the loop and record how it ended, whatever happens; what is thrown in ends it."""
    error: Exception | None = None
    try:
        try:
            yield from _loop(scene, watchers)
        except Stop as stop:
            ending, reason = stop.ending, stop.reason
        except Exception as problem:  # every end gets its recorded reason
            error, ending, reason = problem, Ending.FAILED, _sentence(problem)
        else:
            ending, reason = Ending.FINISHED, f"finished {scene.steps} steps"
        try:
            _close(folder, scene, watchers, ending, reason, isinstance(error, EngineLostError))
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
    folder: RunFolder,
    scene: Scene,
    watchers: list[Watcher],
    ending: Ending,
    reason: str,
    is_lost: bool,
) -> None:
    """Save what the ending leaves behind, the word on the ending last."""
    if ending is Ending.STOPPED:
        scene.keep_end()
    for watcher in watchers:
        watcher.close(scene)
    # after an error, the engine stands where it was before the piece that failed, if it still is
    if not is_lost:
        scene.save_checkpoint(folder.checkpoint)
    scene.writer.end(ending, reason, scene.timing())


def _capped(scene: Scene) -> list[str]:
    """Return a notice if the drift cap acted often enough to slow particles down."""
    moves = scene.engine.step * len(scene.setup.particles.diameter)
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


def _loop(scene: Scene, watchers: Sequence[Watcher]) -> Generator[Piece, float, None]:
    """Ask for the steps from one thing that is due to the next until the last step."""
    engine, pace = scene.engine, Pace()
    while (step := engine.step) < scene.steps:
        due = min(watcher.schedule.next_step(step) for watcher in watchers)
        steps = min(due, scene.steps, step + pace.steps) - step
        pace.measured(steps, (yield engine, steps))
        began = time.perf_counter()
        for watcher in watchers:
            if watcher.schedule.is_due(engine.step):
                watcher.look(scene)
        scene.output_s += time.perf_counter() - began
