"""Runs of a sweep on a graphics card: those of one kind step together, the others one by one.

Batches are simulated one after the other in one worker. The runs that have come to their end are
then done as all runs are, by workers that find them finished and measure them.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from sim.run.simulate import Wishes
from sim.run.together import together
from sim.run.watchers import Interruption
from sim.sweeps.folder import Outcome, SweepFolder
from sim.sweeps.run import NOT_BEGUN, Job, Watch, going_on, outcome_of

if TYPE_CHECKING:
    from sim.engines.protocol import EngineFactory
    from sim.parameters.types import Parameters
    from sim.run.loop import Run, Simulation
    from sim.run.together import Advance

__all__ = ["CardRoom", "Kind", "batches_of", "kinds_on_card", "perform_batch"]

ENOUGH_PARTICLES = 2_000_000
"""More particles at once make a card no faster."""
LONGER_LISTS = 2
"""Lists of all films have the room that one needs: a batch was found to take so much more."""


@dataclass(frozen=True)
class Kind:
    """What a run takes on a card.

    Attributes
    ----------
    alike : hashable
        Equal for runs that can step together.
    particles, bytes : int
        Of one film, without what a card takes once.
    """

    alike: Hashable
    particles: int
    bytes: int


@dataclass(frozen=True)
class CardRoom:
    """Free memory of a card in bytes, without what it takes once; None where no card limits it."""

    free: int | None

    def films(self, kind: Kind) -> int:
        """Return how many films of a kind make a batch, 1 or more."""
        most = max(1, ENOUGH_PARTICLES // kind.particles)
        return (
            most
            if self.free is None
            else max(1, min(most, self.free // (LONGER_LISTS * kind.bytes)))
        )


def kinds_on_card(runs: Mapping[str, Parameters]) -> tuple[dict[str, Kind], CardRoom]:
    """Return what each run takes, and the room that there is.

    Parameters
    ----------
    runs : mapping of str to Parameters
        By the folder of the run.

    Raises
    ------
    CardError
        If one of them cannot step on the card of this machine.
    """
    from sim.engines.card.kinds import kind_of
    from sim.engines.card.memory import CONTEXT_BYTES, card_bytes
    from sim.engines.card.ready import free_bytes, require_room
    from sim.run.setup import RunSetup

    kinds: dict[str, Kind] = {}
    free = free_bytes()
    for folder, parameters in runs.items():
        system = RunSetup(parameters, 1).system
        require_room(system, free)
        kinds[folder] = Kind(kind_of(system), system.count, card_bytes(system) - CONTEXT_BYTES)
    return kinds, CardRoom(None if free is None else free - CONTEXT_BYTES)


def batches_of(
    jobs: Sequence[Job], kinds: Mapping[str, Kind], room: CardRoom
) -> list[tuple[Job, ...]]:
    """Return the jobs in batches of one kind, in the order of the first run of each."""
    alike: dict[Hashable, list[Job]] = {}
    for job in jobs:
        alike.setdefault(kinds[job.folder].alike, []).append(job)
    batches = []
    for group in alike.values():
        most = room.films(kinds[group[0].folder])
        parts = -(-len(group) // most)  # of nearly equal size
        bounds = [len(group) * part // parts for part in range(parts + 1)]
        batches += [tuple(group[a:b]) for a, b in pairwise(bounds)]
    return batches


def perform_batch(
    jobs: Sequence[Job],
    seats: Callable[[], EngineFactory] | None = None,
    advance: Advance | None = None,
) -> dict[str, Outcome]:
    """Simulate the runs of a batch in a worker, and record how those ended that are not finished.

    Parameters
    ----------
    jobs : sequence of Job
    seats, advance : callable or None
        Returns what makes the engine of a run in this batch; advances such engines, see
        `sim.run.together.together`. None are those of a card.

    Returns
    -------
    dict of str to Outcome
        By folder of the run. Finished ones are still to be measured.
    """
    folder = SweepFolder(Path(jobs[0].sweep))
    if folder.stop_file.exists():
        return {job.folder: NOT_BEGUN for job in jobs}
    if seats is None or advance is None:
        from sim.engines.card.engine import Seats, advance_together

        seats, advance = Seats(), advance_together
    outcomes = {}
    with Interruption() as interruption:
        runs = {job.folder: _run_of(job, folder, seats(), interruption) for job in jobs}
        for name, end in together(runs, advance):
            outcomes[name] = _record(folder, name, end)
    return outcomes


def _run_of(
    job: Job, folder: SweepFolder, make: EngineFactory, interruption: Interruption
) -> Simulation:
    """Return a run that goes on with what is in its folder."""
    watch = Watch(folder, job.folder)
    directory = folder.path / job.folder
    directory.mkdir(parents=True, exist_ok=True)
    wishes = Wishes(
        threads=1,
        stop_rules=(watch,),
        on_progress=watch.tell,
        engine_factory=make,
        device="gpu",
        interruption=interruption,
    )
    return going_on(job.parameters, directory, wishes)


def _record(folder: SweepFolder, name: str, end: Run | Exception) -> Outcome:
    """Return how a run ended; keep it in its folder unless it is still to be measured."""
    outcome = outcome_of(end, folder.path / name)
    with contextlib.suppress(OSError):  # a full disk must not hide what happened
        folder.end_progress(name)
        if outcome.state != "finished":
            folder.set_outcome(name, outcome)
    return outcome
