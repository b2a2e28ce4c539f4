"""The folder of a run: what may be written there, and what is there already."""

from __future__ import annotations

import contextlib
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.common import file_names
from sim.files.lock import LOCK_FILES, FolderError, LockedError, held, refuse_if_held
from sim.files.opening import RunFileError

if TYPE_CHECKING:
    from sim.files.run_file import RunSummary


@dataclass(frozen=True)
class RunFolder:
    """Names of the files of one run.

    Attributes
    ----------
    path : Path
        The folder.
    """

    path: Path

    @property
    def run_file(self) -> Path:
        """The trajectory."""
        return self.path / file_names.RUN

    @property
    def checkpoint(self) -> Path:
        """The state to go on from."""
        return self.path / file_names.CHECKPOINT

    def clear(self) -> None:
        """Remove what an earlier run has written here, and nothing else."""
        file_names.clear(self.path, file_names.OF_RUN)
        file_names.clear_frames(self.path)


def plan(folder: RunFolder, resume: bool, overwrite: bool) -> RunSummary | None:
    """Decide what a run may do in its folder, without touching it.

    Parameters
    ----------
    folder : RunFolder
        The folder, which need not exist.
    resume : bool
        Whether to go on with a run that is there.
    overwrite : bool
        Whether a run that is there may be replaced.

    Returns
    -------
    RunSummary or None
        The run that is there and that goes on or is kept; None to start afresh.

    Raises
    ------
    FolderError
        If the folder is a file, is written by another process, or holds something that may not be
        replaced; or if the run there is to go on and to be replaced at once.
    RunFileError
        If a run is to be continued and its file cannot be used.
    """
    require_one_wish(resume, overwrite)
    refuse_if_held(folder.path)
    return examine(folder, resume, overwrite)


def refuse_own_start(folder: Path, start: str | None) -> None:
    """Refuse to write a run into the folder that its start is read from.

    Parameters
    ----------
    folder : Path
        Folder of the run, or of a sweep with its runs inside.
    start : str or None
        Folder or file of [start] path; None where the run starts from none.

    Raises
    ------
    FolderError
        If the file to start from lies in the folder: a run that replaces it would destroy it.
    """
    if start is None:
        return
    named = Path(start)
    file = (named / file_names.RUN if named.is_dir() else named).resolve()
    if folder.resolve() in file.parents:
        raise FolderError(
            f"output folder {folder} holds {file.name} that [start] path names, which the run "
            "would replace; name another folder with -o"
        )


def require_one_wish(resume: bool, overwrite: bool) -> None:
    """Refuse to go on with what is in a folder and to replace it at once."""
    if resume and overwrite:
        raise FolderError(
            "--resume goes on with what is in the folder and --overwrite replaces it; "
            "give one of them"
        )


def examine(folder: RunFolder, resume: bool, overwrite: bool) -> RunSummary | None:
    """Do what `plan` does, in a folder whose lock is held."""
    if is_empty(folder.path):
        return None
    if resume:
        return _run_to_resume(folder)
    instead = "--resume to go on with it, --overwrite to replace it"
    refuse_to_replace(folder.path, folder.run_file.exists(), "run", overwrite, instead)
    return None


def is_empty(path: Path) -> bool:
    """Return whether a folder has nothing in it but the lock of a killed run, or is not there.

    Raises
    ------
    FolderError
        If it is a file, or cannot be read.
    """
    if path.exists() and not path.is_dir():
        raise FolderError(f"output folder {path} is a file; name another folder with -o")
    try:
        return not path.exists() or all(found.name in LOCK_FILES for found in path.iterdir())
    except OSError as error:
        raise FolderError(f"output folder {path} cannot be read: {error.strerror}") from error


def refuse_to_replace(
    path: Path, found: bool, what: str, overwrite: bool, instead: str = "--overwrite to replace it"
) -> None:
    """Refuse a folder with anything in it but what may be replaced.

    Parameters
    ----------
    path : Path
        A folder that is not empty.
    found : bool
        Whether results of this kind are in it.
    what : str
        What they are called, such as "run".
    overwrite : bool
        Whether they may be replaced.
    instead : str
        Options that would help.

    Raises
    ------
    FolderError
        If it may not be used.
    """
    if not found:
        raise FolderError(
            f"output folder {path} is not empty and holds no {what}; name another folder with -o"
        )
    if not overwrite:
        raise FolderError(
            f"output folder {path} holds a {what} already; use {instead}, or another folder with -o"
        )


def _run_to_resume(folder: RunFolder) -> RunSummary | None:
    """Return the run of a folder that is finished or has a checkpoint."""
    from sim.files.run_file import read_summary

    if not folder.run_file.exists():
        others = sorted(one.name for one in folder.path.iterdir() if not _is_of_run(one.name))
        if others:
            raise FolderError(
                f"output folder {folder.path} holds no run to go on with, but {others[0]}; name "
                "another folder with -o"
            )
        return None
    _recover(folder)
    try:
        summary = read_summary(folder.run_file)
    except RunFileError as error:
        raise RunFileError(f"{error}; use --overwrite to replace it") from error
    if summary.ending.is_complete or folder.checkpoint.exists():
        return summary
    return None


def _is_of_run(name: str) -> bool:
    """Tell whether a file or folder may be what a run, or a run of a sweep, has left."""
    known = (
        *LOCK_FILES, *file_names.OF_RUN, file_names.FIGURES, file_names.FRAMES, file_names.OUTCOME,
        file_names.PROGRESS,
    )  # fmt: skip
    return name in known or name.startswith(".") or name.endswith(".part")


def _recover(folder: RunFolder) -> None:
    """Finish what a kill has cut off; not while another run writes, which then is no kill."""
    from sim.files.committed import journal_of, recover

    if journal_of(folder.run_file).exists():
        with contextlib.suppress(LockedError), held(folder.path):
            recover(folder.run_file)


def make_writable(folder: Path) -> None:
    """Make the folder and prove that files can be written in it.

    Parameters
    ----------
    folder : Path
        The folder; folders above it are made too.

    Raises
    ------
    FolderError
        If it cannot be made or written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except FileExistsError as error:
        raise FolderError(f"output folder {folder} is a link that leads nowhere") from error
    except OSError as error:
        raise FolderError(f"output folder {folder} cannot be written: {error.strerror}") from error
