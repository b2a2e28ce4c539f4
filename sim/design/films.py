"""Runs the films of a search as small sweeps below one folder, and reads them again.

    runs/step_01/                 a sweep: its record and runs, as `chainfilm sweep` leaves them
    runs/step_02/

Each step is a sweep of its own with the points that the search asked for; `run.seed` counts up with
the steps, so that a film that is run again has another seed. What is known of a search is what lies
here: it is read again when the search goes on.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from analysis.common import file_names
from analysis.common.arrays import Floats
from sim.design.task import Trial
from sim.design.wish import WishFile
from sim.files.folder import is_empty, make_writable, refuse_to_replace, require_one_wish
from sim.files.lock import FolderError
from sim.parameters.load import from_text
from sim.parameters.types import Parameters
from sim.sweeps.folder import SweepFolder
from sim.sweeps.reading import Settings
from sim.sweeps.sweep import PointFunction, SweepProgress, sweep
from sim.sweeps.table import SweepPlan, plan_sweep

Measured = Callable[[Path], tuple[Floats, Floats] | None]
"""Takes the folder of a run, returns values and errors in SI; None where it is not measured."""


class SearchStopped(Exception):  # no error: the films so far are kept
    """A signal has ended the search."""


@dataclass
class SweptFilms:
    """Runs films below a folder; a `sim.design.task.FilmRunner`.

    Attributes
    ----------
    directory : Path
        Folder of the search.
    base : Parameters
        The film to begin with.
    tables : dict
        Tables of its file, with what the wish changes in them.
    keys : tuple of str
        Paths of the free keys.
    measured : callable
        Reads what a run measured.
    unmeasured : (quantities,) array
        What a film has shown that did not come to its end: NaN throughout.
    point : callable
        What is done for a run.
    known : callable
        Takes settings, returns values in SI that follow from the film alone, NaN where they do not.
    workers : int or None
        Runs at a time.
    until : float or None
        Moment of `time.monotonic` at which no further step begins.
    on_step : callable
        Called before new films are run.
    """

    directory: Path
    base: Parameters
    tables: dict[str, Any]
    keys: tuple[str, ...]
    measured: Measured
    known: Callable[[Settings], Floats]
    point: PointFunction
    workers: int | None = None
    until: float | None = None
    on_step: Callable[[], None] = lambda: None
    on_progress: Callable[[SweepProgress], None] | None = None
    on_notice: Callable[[str], None] | None = None
    longest_step: float = field(default=0.0, init=False)

    def kept(self) -> list[Trial]:
        """Return the films that were run before; those that were stopped are run to their end.

        Raises
        ------
        FolderError
            If they belong to another film or to other free keys.
        """
        found: list[Trial] = []
        for number, folder in enumerate(self._steps(), 1):
            points, replicas = self._record(folder)
            found += self._done(number, points, replicas, resume=True)
        return found

    def run(self, settings: Sequence[Settings], replicas: int) -> list[Trial]:
        """Run films with these settings, each so many times with a seed of its own."""
        began = time.monotonic()
        self.on_step()
        done = self._done(len(self._steps()) + 1, settings, replicas, resume=False)
        self.longest_step = max(self.longest_step, time.monotonic() - began)
        return done

    def may_go_on(self) -> bool:
        """Say whether a step as long as the longest so far would end in time."""
        return self.until is None or time.monotonic() + self.longest_step <= self.until

    def _steps(self) -> list[Path]:
        return sorted((self.directory / RUNS).glob("step_*"))

    def _record(self, folder: Path) -> tuple[list[Settings], int]:
        """Read what a step was to run."""
        try:
            record = json.loads((folder / file_names.SWEEP).read_text(encoding="utf-8"))
            points = [dict(point["settings"]) for point in record["points"]]
            replicas = int(record["replicas"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise FolderError(
                f"{folder} cannot be read; use --overwrite to begin the search anew"
            ) from error
        if any(tuple(point) != self.keys for point in points):
            raise FolderError(
                f"output folder {self.directory} holds a search over other keys "
                f"({', '.join(points[0]) or 'none'}); name another folder with -o"
            )
        return points, replicas

    def _done(
        self, number: int, settings: Sequence[Settings], replicas: int, *, resume: bool
    ) -> list[Trial]:
        """Run a step, or what is left of it, and read what it measured."""
        folder = self.directory / RUNS / f"step_{number:02d}"
        plan = self.plan(settings, replicas, number)
        ended = sweep(
            plan,
            folder,
            point=self.point,
            workers=self.workers,
            resume=resume,
            on_progress=self.on_progress,
            on_notice=self.on_notice,
        )
        if ended.interrupted:
            raise SearchStopped
        out = []
        for point in plan.points:
            for run in point.runs:
                outcome = ended.outcomes[run.folder]
                found = self.measured(folder / run.folder)
                place = (folder / run.folder).relative_to(self.directory).as_posix()
                out.append(
                    self._trial(
                        point.settings, found, place, run.parameters.run.seed, outcome.reason
                    )
                )
        return out

    def _trial(
        self,
        settings: Settings,
        found: tuple[Floats, Floats] | None,
        place: str,
        seed: int,
        reason: str,
    ) -> Trial:
        """Join what a run measured and what follows from the film alone."""
        known = self.known(settings)
        nothing = np.full(known.shape, np.nan)
        if found is None:
            return Trial(settings, nothing, nothing, place, seed, "failed", reason)
        is_known = np.isfinite(known)
        values, errors = np.where(is_known, known, found[0]), np.where(is_known, 0.0, found[1])
        return Trial(settings, values, errors, place, seed, "finished", reason)

    def plan(self, settings: Sequence[Settings], replicas: int, number: int) -> SweepPlan:
        """Lay out a step as a sweep.

        Raises
        ------
        ParameterError
            If one of the settings is no film.
        """
        table = {"points": [dict(one) for one in settings], "replicas": replicas}
        seed = (self.base.run.seed + number) % 2**63
        run = {**self.tables.get("run", {}), "seed": seed}
        text = tomli_w.dumps({**self.tables, "run": run, "sweep": table})
        return plan_sweep(from_text(text, str(Path(self.base.folder) / self.base.name)))


RUNS = "runs"


def require_folder(directory: Path, resume: bool, overwrite: bool) -> None:
    """Refuse a folder that holds something else, or a search that may not be touched.

    Parameters
    ----------
    directory : Path
        The folder, which need not exist.
    resume, overwrite : bool
        Whether to go on with, or to replace, a search that is there.

    Raises
    ------
    FolderError
        If it may not be used.
    """
    require_one_wish(resume, overwrite)
    if is_empty(directory):
        return
    found = (directory / file_names.DESIGN).exists()
    instead = "--resume to go on with it, --overwrite to replace it"
    refuse_to_replace(directory, found, "search", overwrite or resume, instead)


def claim(directory: Path, overwrite: bool) -> None:
    """Make a folder that `require_folder` has let pass, without an earlier search if so wished."""
    if overwrite and not is_empty(directory):
        _clear(directory)
    make_writable(directory)


def _clear(directory: Path) -> None:
    """Remove what an earlier search has written here, and nothing else."""
    for step in sorted((directory / RUNS).glob("step_*")):
        SweepFolder(step).clear()
        for empty in (step / RUNS, step / file_names.FIGURES, step, step.parent):
            if empty.is_dir() and next(empty.iterdir(), None) is None:
                empty.rmdir()
    file_names.clear(directory, file_names.OF_DESIGN)


def tables_of(wish: WishFile) -> dict[str, Any]:
    """Return the tables of the film of a wish, with light of the wavelengths that it names."""
    wanted = {one.of.wavelength for one in wish.wishes if one.of.wavelength is not None}
    if not wanted - set(wish.base.optics.wavelengths):
        return wish.tables
    lights = [f"{1e9 * one:.6g} nm" for one in sorted({*wanted, *wish.base.optics.wavelengths})]
    return {**wish.tables, "optics": {**wish.tables.get("optics", {}), "wavelengths": lights}}
