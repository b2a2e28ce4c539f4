"""What ends a sampled run: its film at rest with enough structures, or a limit of wall time."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from sim.files.record import Ending
from sim.run.schedule import ByClock, Doubling, Schedule
from sim.run.watchers import Stop

if TYPE_CHECKING:
    from sim.run.watchers import Scene, Watcher
    from sim.sampler.engine import SamplerEngine

FIRST_LOOK = 100
"""Sweeps before the first look."""
LOOKS = 20
"""Looks come about ten times while the sweeps double, at steps that frames fall on."""


def rest_watchers(scene: Scene) -> list[Watcher]:
    """Return what looks after a sampled run, nothing for any other."""
    run = scene.setup.parameters.run
    if not run.is_sampled:
        return []
    from sim.sampler.engine import SamplerEngine

    if not isinstance(scene.engine, SamplerEngine):
        raise TypeError(f"a sampled run must have its own engine; received {scene.engine!r}")
    limit: list[Watcher] = [] if run.wall_time is None else [LongEnough(run.wall_time)]
    return [AtRest(scene.engine, run.structures), *limit]


class AtRest:
    """Ends a run whose two films have met, once it holds as many structures as were asked for.

    Parameters
    ----------
    engine : SamplerEngine
    structures : int
        Independent structures that are wanted.
    """

    def __init__(self, engine: SamplerEngine, structures: int) -> None:
        self._engine = engine
        self._structures = structures
        self.schedule: Schedule = Doubling(LOOKS)

    def look(self, scene: Scene) -> None:
        """Stop the run if its film is at rest and holds enough structures."""
        if scene.engine.step < FIRST_LOOK:
            return
        rest = self._engine.rest()
        scene.beside = f"{rest.structures:.0f} of {self._structures} structures"
        if rest.reached and rest.structures >= self._structures:
            raise Stop(
                Ending.STOPPED,
                f"at rest with {rest.structures:.0f} independent structures after "
                f"{scene.engine.step} sweeps",
            )

    def close(self, scene: Scene) -> None:
        """Record what was found."""
        if self._engine.step > 1:
            found = dataclasses.asdict(self._engine.rest())
            found |= {"wanted": self._structures, "accepted": self._engine.shares_taken()}
            scene.writer.note_rest(found)


class LongEnough:
    """Ends a run after so many seconds of wall time, as asked for.

    Parameters
    ----------
    seconds : float
    """

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self.schedule: Schedule = ByClock(seconds)

    def look(self, scene: Scene) -> None:
        """End the run: its time is up."""
        raise Stop(
            Ending.STOPPED,
            f"{self._seconds:g} s of wall time, the limit, used up after {scene.engine.step} "
            "sweeps",
        )

    def close(self, scene: Scene) -> None:
        """Do nothing."""
