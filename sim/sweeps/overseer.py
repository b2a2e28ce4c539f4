"""Watches over a sweep: collects outcomes, hears signals, and passes the progress on."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.files.clock import has_passed
from sim.run.signals import Listener
from sim.sweeps.folder import Outcome, SweepFolder

if TYPE_CHECKING:
    from sim.sweeps.run import Job

TELL_SECONDS = 0.5
"""Progress is passed on so often."""


@dataclass(frozen=True)
class SweepProgress:
    """How far a sweep is.

    Attributes
    ----------
    runs, ended, failed : int
        Runs of the sweep, those that have ended, and those of them that failed.
    steps_of_runs : tuple of (int, int)
        Step and steps of each run in work.
    """

    runs: int
    ended: int
    failed: int
    steps_of_runs: tuple[tuple[int, int], ...]

    @property
    def share(self) -> float:
        """Runs done, those in work counted by their share of steps."""
        return self.ended + sum(step / steps for step, steps in self.steps_of_runs if steps)


class Overseer(Listener):
    """Collects outcomes, hears signals, and passes the progress on.

    Parameters
    ----------
    folder : SweepFolder
        Where the sweep is.
    runs : int
        Runs of the sweep.
    outcomes : dict of str to Outcome
        How the runs that are kept have ended, by folder.
    on_progress, on_run : callable or None
        Called with a `SweepProgress` several times per second, and with folder and outcome as each
        run ends.
    """

    def __init__(
        self,
        folder: SweepFolder,
        runs: int,
        outcomes: dict[str, Outcome],
        on_progress: Callable[[SweepProgress], None] | None,
        on_run: Callable[[str, Outcome], None] | None,
    ) -> None:
        super().__init__()
        self.folder = folder
        self.runs = runs
        self.outcomes = outcomes
        self._on_progress = on_progress
        self._on_run = on_run
        self._told = 0.0

    def tick(self) -> bool:
        """Pass the progress on; return whether the sweep is to stop."""
        if self.heard and not self.folder.stop_file.exists():
            self.folder.stop_file.touch()
        now = time.monotonic()
        if self._on_progress is not None and has_passed(TELL_SECONDS, self._told, now):
            self._told = now
            self._on_progress(self.progress())
        return self.heard != ""

    def progress(self) -> SweepProgress:
        """Return how far the sweep is."""
        files = (self.folder.path / "runs").glob("*/progress.json")
        steps = (self.folder.progress(f"runs/{path.parent.name}") for path in files)
        failed = sum(outcome.state == "failed" for outcome in self.outcomes.values())
        return SweepProgress(self.runs, len(self.outcomes), failed, tuple(steps))

    def done(self, job: Job, outcome: Outcome) -> None:
        """Take in how a run ended."""
        self.outcomes[job.folder] = outcome
        if self._on_run is not None:
            self._on_run(job.folder, outcome)

    def lost(self, job: Job, sentence: str) -> Outcome:
        """Record a run whose worker is gone."""
        outcome = Outcome("failed", sentence)
        self.folder.end_progress(job.folder)
        self.folder.set_outcome(job.folder, outcome)
        return outcome
