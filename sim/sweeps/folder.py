"""The folder of a sweep: its record, how each of its runs ended, and how far a run is.

    sweep.json                          the points, seeds and folders; written first
    runs/point_1_replica_1/             a run, as `chainfilm run` leaves it, and beside its files
        outcome.json                    how it ended and why
        progress.json                   step and steps while it runs
    sweep.csv, summary.csv, sweep_report.html, figures/    written by the command line

All of them are replaced as a whole, so that a reader never meets half a file.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.common import file_names
from sim.files.folder import RunFolder, is_empty, make_writable, refuse_own_start, refuse_to_replace
from sim.files.lock import FolderError
from sim.files.provenance import made_by, program_version
from sim.files.record import flat, resolved
from sim.parameters.changes import changes

if TYPE_CHECKING:
    from sim.sweeps.table import SweepPlan

FORMAT = 1
"""Version of sweep.json."""


@dataclass(frozen=True)
class Outcome:
    """How a run of a sweep ended.

    Attributes
    ----------
    state : str
        "finished", "failed" or "interrupted".
    reason : str
        One sentence.
    """

    state: str
    reason: str


@dataclass(frozen=True)
class SweepFolder:
    """Names and small files of a sweep.

    Attributes
    ----------
    path : Path
        The folder.
    """

    path: Path

    @property
    def record(self) -> Path:
        """The description of the sweep."""
        return self.path / file_names.SWEEP

    @property
    def stop_file(self) -> Path:
        """While this file exists, runs stop with a checkpoint."""
        return self.path / file_names.STOP

    def make(self) -> None:
        """Make the folder if there is none yet, so that its lock can be taken.

        Raises
        ------
        FolderError
            If it is a file or cannot be written.
        """
        if is_empty(self.path):
            make_writable(self.path)

    def claim(self, plan: SweepPlan, resume: bool, overwrite: bool) -> None:
        """Make the folder hold this sweep, or refuse.

        Parameters
        ----------
        plan : SweepPlan
            The sweep.
        resume, overwrite : bool
            Whether to go on with, or to replace, a sweep that is there.

        Raises
        ------
        FolderError
            If the folder holds something else, or a sweep that may not be touched.
        """
        for run in plan.runs:
            if run.parameters.start.kind == "file":
                refuse_own_start(self.path, run.parameters.start.path)
        wanted = _record(plan)
        if is_empty(self.path):
            make_writable(self.path)
        elif not self.record.exists():
            refuse_to_replace(self.path, found=False, what="sweep", overwrite=overwrite)
        elif overwrite:
            self.clear()
        else:
            self._require_same(wanted, resume)
            return
        _replace(self.record, wanted)

    def _require_same(self, wanted: dict[str, Any], resume: bool) -> None:
        found = _read(self.record)
        if not isinstance(found, dict):
            raise FolderError(f"{self.record} cannot be read; use --overwrite to replace the sweep")
        change = _difference(found, wanted)
        if change:
            raise FolderError(
                f"output folder {self.path} holds another sweep ({change}); name another folder "
                "with -o, or use --overwrite to replace it"
            )
        if not resume:
            raise FolderError(
                f"output folder {self.path} holds this sweep already; use --resume to go on with "
                "it, --overwrite to replace it, or another folder with -o"
            )

    def other_program(self) -> list[str]:
        """Return a notice if another program, library or machine has begun this sweep."""
        found = _read(self.record)
        before = found.get("made_by") if isinstance(found, dict) else None
        now = made_by()
        apart = ("version", "sources", "versions", "processor")
        changed = [key for key in apart if isinstance(before, dict) and before.get(key) != now[key]]
        if not changed:
            return []
        return [
            f"this sweep was begun with other {' and '.join(changed)}; what its runs give may "
            "differ from each other for that reason, and each run's page says what made it"
        ]

    def clear(self) -> None:
        """Remove what an earlier sweep has written here, and nothing else."""
        found = _read(self.record)
        for point in found.get("points", []) if isinstance(found, dict) else []:
            for run in point.get("runs", []):
                folder = self._inside(str(run.get("folder", "")))
                if folder is None or not folder.is_dir():
                    continue
                RunFolder(folder).clear()
                for name in (file_names.OUTCOME, file_names.PROGRESS):
                    (folder / name).unlink(missing_ok=True)
                for empty in (folder / file_names.FIGURES, folder, folder.parent):
                    if empty.is_dir() and next(empty.iterdir(), None) is None:
                        empty.rmdir()
        file_names.clear(self.path, file_names.OF_SWEEP)

    def _inside(self, name: str) -> Path | None:
        """Give a folder of the sweep; None for a name that leads out of it."""
        path = (self.path / name).resolve()
        return path if self.path.resolve() in path.parents else None

    def outcome(self, folder: str) -> Outcome | None:
        """Read how a run ended; None while it has not."""
        found = _read(self.path / folder / file_names.OUTCOME)
        try:
            return Outcome(**found)
        except TypeError:
            return None

    def set_outcome(self, folder: str, outcome: Outcome | None) -> None:
        """Write how a run ended; None takes it back."""
        path = self.path / folder / file_names.OUTCOME
        if outcome is None:
            path.unlink(missing_ok=True)
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        _replace(path, asdict(outcome))

    def progress(self, folder: str) -> tuple[int, int]:
        """Read step and steps of a run; (0, 0) where it does not run."""
        found = _read(self.path / folder / file_names.PROGRESS)
        try:
            return int(found["step"]), int(found["steps"])
        except (TypeError, KeyError, ValueError):
            return 0, 0

    def set_progress(self, folder: str, step: int, steps: int) -> None:
        """Write step and steps of a run."""
        _replace(self.path / folder / file_names.PROGRESS, {"step": step, "steps": steps})

    def end_progress(self, folder: str) -> None:
        """Forget the progress of a run that has ended."""
        (self.path / folder / file_names.PROGRESS).unlink(missing_ok=True)


def _record(plan: SweepPlan) -> dict[str, Any]:
    """Describe a sweep as plain JSON types."""
    record = {
        "format": FORMAT,
        "version": program_version(),
        "made_by": made_by(),
        "title": plan.title,
        "text": plan.runs[0].parameters.text,
        "name": Path(plan.name).name,
        "replicas": plan.replicas,
        "keys": [asdict(key) for key in plan.keys],
        "points": [
            {
                "point": point.number,
                "settings": point.settings,
                "columns": point.columns,
                "runs": [
                    {
                        "replica": run.replica,
                        "seed": run.parameters.run.seed,
                        "folder": run.folder,
                        "parameters": resolved(run.parameters),
                        **({"fluid": run.fluid} if run.fluid else {}),
                    }
                    for run in point.runs
                ],
            }
            for point in plan.points
        ],
    }
    return dict(json.loads(json.dumps(record)))


def _difference(found: dict[str, Any], wanted: dict[str, Any]) -> str:
    """Say where two sweeps first differ, and in which key; "" where they do not."""
    if found.get("format") != wanted["format"]:
        return "it was written by another version of the program"
    for name in ("keys", "replicas"):
        if found.get(name) != wanted[name]:
            return (
                f"its {name} differ: {_short(found.get(name))} before, {_short(wanted[name])} now"
            )
    theirs = found.get("points", [])
    if len(theirs) != len(wanted["points"]):
        return f"it has {len(theirs)} points and the file asks for {len(wanted['points'])}"
    for own, other in zip(wanted["points"], theirs, strict=True):
        if own["settings"] != other.get("settings"):
            changed = _changed(other.get("settings"), own["settings"])
            return f"its point {own['point']} has other values: {changed}"
        if own["runs"] != other.get("runs"):
            texts = (str(found.get("text", "")), wanted["text"])
            changed = _changed_runs(other.get("runs"), own["runs"], texts)
            return f"other keys of the file have changed, seen in point {own['point']}: {changed}"
    return ""


def _short(value: Any) -> str:
    """Word the keys or replicas of a sweep."""
    if isinstance(value, list):
        return ", ".join(str(key.get("path")) for key in value if isinstance(key, dict)) or "none"
    return str(value)


def _changed_runs(before: Any, now: list[Any], texts: tuple[str, str]) -> str:
    """Name the first key in which runs of a point differ: of their file, then of what they are."""
    for other, own in zip(before if isinstance(before, list) else [], now, strict=False):
        if own != other and isinstance(other, dict):
            old, new = other.get("parameters", {}), own["parameters"]
            told = changes((texts[0], old), (texts[1], new), leave=())
            return _first(told) if told else _changed(other, own)
    return "the number of runs"


def _changed(before: Any, now: Any) -> str:
    """Name the first value that differs, and count the others."""
    old, new = (flat({k: v for k, v in t.items() if k != "parameters"}) for t in (before, now))
    changed = [key for key in {**new, **old} if old.get(key, _ABSENT) != new.get(key, _ABSENT)]
    return _first(
        [f"{k} was {old.get(k, _ABSENT)} and is now {new.get(k, _ABSENT)}" for k in changed]
    )


def _first(told: list[str]) -> str:
    return told[0] + (f" (and {len(told) - 1} more)" if len(told) > 1 else "")


_ABSENT = "absent"


def _read(path: Path) -> Any:
    """Read a JSON file; None where it is missing or damaged."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def _replace(path: Path, content: Any) -> None:
    passing = path.with_name(f"{path.name}.{os.getpid()}.part")
    # a name of a file may hold bytes that are no text
    with passing.open("w", encoding="utf-8", errors="replace") as file:
        file.write(json.dumps(content, indent=1, ensure_ascii=False) + "\n")
        if path.name != file_names.PROGRESS:  # a lost progress is of no consequence
            file.flush()
            os.fsync(file.fileno())  # else a power cut can leave the new name on an empty file
    passing.replace(path)
