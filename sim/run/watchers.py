"""What is done when something is due: frames, checkpoints, progress, interruption, stop rules.

Each watcher has a schedule ("when", see `sim.run.schedule`) and a `look` ("what"). A watcher ends a
run by raising `Stop`; the run loop then lets all of them finish.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np

from sim.engines.protocol import ENERGIES, FilmPart, SelectingEngine
from sim.files import checkpoint
from sim.files.record import Ending
from sim.files.run_file import Frame, RunWriter
from sim.files.selection import within_sides
from sim.run.bars import Bar
from sim.run.schedule import Always, AnyOf, AtSteps, ByClock, Doubling, Evenly, Schedule
from sim.run.signals import Listener

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.engines.protocol import Engine
    from sim.film.reduced_system import ReducedSystem
    from sim.run.setup import RunSetup

CHECKPOINT_SECONDS = 60.0
"""Wall time between checkpoints: what a kill can cost at most, unless they are dear."""
CHECKPOINT_SHARE = 0.02
"""They take no more of the wall time than this: the next waits for what the last one cost."""
CHECKPOINT_PARTICLE_SECONDS = 5e-7
"""What the first one is taken to cost a particle, before it is known (tests.benchmarks.scale)."""
PIECE_SECONDS = 0.25
"""Aim for the wall time of one uninterrupted piece of stepping, so that Ctrl-C is soon heard."""


class Stop(Exception):
    """Ends the run loop for a stated reason.

    Parameters
    ----------
    ending : Ending
        How the run ends.
    reason : str
        One sentence that the run file keeps.
    """

    def __init__(self, ending: Ending, reason: str) -> None:
        super().__init__(ending, reason)
        self.ending = ending
        self.reason = reason

    def __str__(self) -> str:
        return self.reason


@dataclass
class Scene:
    """All that a watcher may look at.

    Attributes
    ----------
    setup : RunSetup
        The run.
    engine : Engine
        What steps it.
    writer : RunWriter
        The open run file.
    run_id : str
        Identity of the run file.
    earlier : dict of str to number
        Wall times and counts of the parts of the run before this one.
    output_s : float
        Wall time that the watchers of this part have taken.
    setup_s, warm_up_s : float
        Wall time of reading, drawing and placing before this part, and of compiling what the engine
        does not count itself: its observables.
    beside : str
        What stands beside the bar, if anything.
    """

    setup: RunSetup
    engine: Engine
    writer: RunWriter
    run_id: str
    earlier: dict[str, float] = field(default_factory=dict)
    output_s: float = 0.0
    setup_s: float = 0.0
    warm_up_s: float = 0.0
    beside: str = ""

    @property
    def system(self) -> ReducedSystem:
        """The film in reduced units."""
        return self.setup.system

    @property
    def steps(self) -> int:
        """Steps of the whole run."""
        return self.setup.system.steps

    @property
    def is_sampled(self) -> bool:
        """Whether steps are sweeps, to which no time belongs."""
        return self.setup.parameters.run.is_sampled

    def frame(self, whole: bool = False) -> Frame:
        """Return the present state in SI; of a cut-out the part alone where the engine chooses it.

        A ``whole`` one has all particles in any case.
        """
        selection, step = self.setup.selection, self.engine.step
        if not whole and selection.cutout is not None and isinstance(self.engine, SelectingEngine):
            part = self.engine.part(selection, self.system.units.length_m)
        else:
            part = self._all()
        moment = np.asarray(self.setup.particles.moment)
        if part.particles is not None:
            moment = moment[part.particles]
        seen = self.engine.observe()
        return Frame(
            step=step,
            time=None if self.is_sampled else step * self.system.dt_s,
            position=part.position,
            image=np.pad(np.asarray(part.image, np.int32), ((0, 0), (0, 1))),
            moment=(moment[:, None] * part.directions).astype(np.float32),
            magnetisation=np.asarray(seen["magnetisation"], float),
            field=np.asarray(seen["applied_field"], float) * self.system.units.field_t,
            energies={name: float(seen.get(name, 0.0)) for name in ENERGIES},
            particles=part.particles,
            projected=part.projected,
        )

    def _all(self) -> FilmPart:
        """Return all particles of the present state."""
        state, sides = self.engine.snapshot(), self.setup.particles.sides
        position = within_sides(state.positions * self.system.units.length_m, sides)
        return FilmPart(None, position, state.image, state.directions, None)

    def keep_end(self) -> None:
        """Store the state in which a rule has stopped the run, if no frame holds it."""
        if self.writer.last_step < self.engine.step:
            self.writer.append(self.frame())
        if self.setup.selection.cutout is not None and self.writer.last_state < self.engine.step:
            self.writer.append_state(self.frame(whole=True))

    def timing(self) -> dict[str, float]:
        """Return wall times and counts of the whole run so far, earlier parts included."""
        part: dict[str, float] = {
            "setup_s": self.setup_s, **self.engine.timing, "output_s": self.output_s
        }  # fmt: skip
        part["compile_s"] += self.warm_up_s
        total = {
            # wall times belong to this part of the run; counts go on through checkpoints
            key: value + self.earlier.get(key, 0.0) if key.endswith("_s") else value
            for key, value in part.items()
        }
        return total | {"steps": self.engine.step, "threads": self.setup.threads}

    def save_checkpoint(self, path: Path) -> None:
        """Bring the frames to the disk, then the checkpoint that counts on them."""
        self.writer.flush()
        kept = checkpoint.Checkpoint(
            run_id=self.run_id,
            step=self.engine.step,
            frames=self.writer.frames,
            timing=self.timing(),
            engine=self.engine.checkpoint(),
        )
        checkpoint.save(path, kept)


class Watcher(Protocol):
    """Something that looks at a run from time to time."""

    schedule: Schedule

    def look(self, scene: Scene) -> None:
        """Do what is due; raise `Stop` to end the run."""

    def close(self, scene: Scene) -> None:
        """Finish, however the run ended."""


class Frames:
    """Stores frames and observables, evenly spaced over the planned steps and at the last step.

    Parameters
    ----------
    frames, planned, last : int
        Frames in the planned steps, the planned steps, and the last step of this run.
    sampled : bool
        Whether the run ends when its film is at rest, nobody knows when; see `Doubling`.
    """

    def __init__(self, frames: int, planned: int, last: int, sampled: bool = False) -> None:
        when = Doubling(frames) if sampled else Evenly(frames, planned)
        self.schedule: Schedule = AnyOf(when, AtSteps([last]))

    def look(self, scene: Scene) -> None:
        """Append the present state."""
        scene.writer.append(scene.frame())

    def close(self, scene: Scene) -> None:
        """Write what waits."""
        scene.writer.flush()


class States:
    """Stores whole states beside frames that hold a cut-out, evenly spaced and at the last step.

    Parameters
    ----------
    states, planned, last : int
        Whole states in the planned steps, the planned steps, and the last step of this run.
    """

    def __init__(self, states: int, planned: int, last: int) -> None:
        self.schedule: Schedule = AnyOf(Evenly(states, planned), AtSteps([last]))

    def look(self, scene: Scene) -> None:
        """Append the present state."""
        scene.writer.append_state(scene.frame(whole=True))

    def close(self, scene: Scene) -> None:
        """Do nothing: states reach the disk at once."""


class CheckpointByClock:
    """Saves a checkpoint every minute of wall time, or less often where saving takes long.

    Parameters
    ----------
    path : Path
        The checkpoint file.
    seconds : float
        Wall time between two of them, at least.
    share : float
        Share of the wall time that they may take.
    count : int
        Particles, from which the cost of the first is guessed.
    """

    def __init__(
        self,
        path: Path,
        seconds: float = CHECKPOINT_SECONDS,
        share: float = CHECKPOINT_SHARE,
        count: int = 0,
    ) -> None:
        self._clock = ByClock(max(seconds, count * CHECKPOINT_PARTICLE_SECONDS / share))
        self.schedule: Schedule = self._clock
        self._seconds, self._share = seconds, share
        self.path = path

    def look(self, scene: Scene) -> None:
        """Save a checkpoint, and choose when the next is due from what it cost."""
        began = time.perf_counter(), time.monotonic()
        scene.save_checkpoint(self.path)
        # Two clocks: one that jumps, as where a machine sleeps, must not put off all others.
        took = min(time.perf_counter() - began[0], time.monotonic() - began[1])
        self._clock.seconds = max(self._seconds, took / self._share)

    def close(self, scene: Scene) -> None:
        """Do nothing: the run loop saves the last checkpoint, which depends on the ending."""


class Progress:
    """Tells how far the run is: a bar on a terminal, a call of the user's function, or nothing.

    Parameters
    ----------
    first, last : int
        Step at which this part begins, and the last step.
    show : bool
        Whether to draw a bar on standard error.
    call : callable or None
        Called with (step, steps).
    unit : str
        What a step is called.
    """

    def __init__(
        self,
        first: int,
        last: int,
        show: bool,
        call: Callable[[int, int], None] | None = None,
        unit: str = "step",
    ) -> None:
        self.schedule: Schedule = Always()
        self._call = call
        self._bar: Bar | None = None
        if show:
            self._bar = Bar("simulating", last, first, unit=unit, unit_scale=True)

    def look(self, scene: Scene) -> None:
        """Move the bar to the present step."""
        if self._bar is not None:
            self._bar.move(scene.engine.step, scene.beside)
        if self._call is not None:
            self._call(scene.engine.step, scene.steps)

    def close(self, scene: Scene) -> None:  # noqa: ARG002
        """Leave the bar as it stands."""
        if self._bar is not None:
            self._bar.close()


class Interruption(Listener):
    """Turns Ctrl-C (SIGINT) and SIGTERM into an orderly end between two pieces of stepping."""

    def __init__(self) -> None:
        super().__init__()
        self.schedule: Schedule = Always()

    def look(self, scene: Scene) -> None:
        """Stop the run if a signal has come."""
        if self.heard and scene.engine.step < scene.steps:
            unit = "sweep" if scene.is_sampled else "step"
            where = f"at {unit} {scene.engine.step} of {scene.steps}"
            raise Stop(Ending.INTERRUPTED, f"interrupted by {self.heard} {where}")

    def close(self, scene: Scene) -> None:
        """Do nothing."""


class Pace:
    """Finds how many steps make a piece of about a quarter of a second.

    Pieces follow the clock; that is allowed because the pieces in which an engine advances change
    no bit of its result.
    """

    def __init__(self, seconds: float = PIECE_SECONDS) -> None:
        self._seconds = seconds
        self.steps = 1

    def measured(self, steps: int, seconds: float) -> None:
        """Learn from a piece of so many steps; growth is limited to fourfold at a time."""
        aim = int(steps * self._seconds / max(seconds, 1e-6))
        # a short piece, cut by a frame that was due, says little about longer ones
        if aim < self.steps or steps >= self.steps:
            self.steps = max(1, min(aim, 4 * self.steps))
