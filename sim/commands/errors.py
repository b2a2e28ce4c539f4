"""Exit code and sentence for each error that ends a command."""

from __future__ import annotations

import errno
from collections.abc import Callable

__all__ = ["BAD_INPUT", "DONE", "FAILED", "INTERRUPTED", "explain"]

UNUSABLE = {
    errno.EACCES, errno.EISDIR, errno.ELOOP, errno.ENAMETOOLONG, errno.ENOENT, errno.ENOTDIR,
    errno.EPERM, errno.EROFS,
}  # fmt: skip
"""What the system says of paths that the user has to choose otherwise."""
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
FULL_REMEDY = "make room and give the command again, a run with --resume"
DONE, FAILED, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130


def explain(
    error: Exception, readers: Callable[[], tuple[type[Exception], ...]]
) -> tuple[int, str]:
    """Return exit code and sentence for an error.

    Every error that a user can cause is a class of its own, with its sentence; anything else is a
    fault of the program and says so.

    Parameters
    ----------
    error : Exception
        What ended the command.
    readers : callable
        Gives further classes of bad input, those of the programs that read results.

    Returns
    -------
    int
        `FAILED` or `BAD_INPUT`.
    str
        One sentence.
    """
    if isinstance(error, ImportError):
        return FAILED, f"the installation is not complete: {error}"
    from sim.commands.text import UsageError
    from sim.film.memory import MemoryShortError
    from sim.film.placing import CrowdedError
    from sim.magnets.shapes import MagnetError
    from sim.outlook.cell.drift_model import DriftError
    from sim.parameters.toml import ParameterError
    from sim.physics.units import UnitError
    from sim.run.setup import UncompiledError
    from sim.run.simulate import FolderError, RunFailed, RunFileError
    from sim.sweeps.cluster_checks import ClusterError

    if isinstance(error, RunFailed):
        run = error.run
        saved = f"{run.frames} frames up to the failure are in {run.path}"
        return FAILED, f"the run failed at step {run.step} of {run.steps}: {run.reason}; {saved}"
    ours = (
        UsageError,
        ClusterError,
        ParameterError,
        UnitError,
        CrowdedError,
        FolderError,
        RunFileError,
        MagnetError,
        MemoryShortError,
        DriftError,
        UncompiledError,
    )
    if isinstance(error, (*ours, *readers())):
        return BAD_INPUT, str(error)
    if isinstance(error, OSError) and error.filename and error.errno in UNUSABLE:
        return BAD_INPUT, f"{error.filename} cannot be used: {error.strerror}"
    if isinstance(error, OSError) and error.strerror:
        told = error.strerror + (f": {error.filename}" if error.filename else "")
        return FAILED, told + (f"; {FULL_REMEDY}" if error.errno in FULL else "")
    if isinstance(error, MemoryError):
        return FAILED, "out of memory; use fewer particles or fewer frames"
    hint = "CHAINFILM_TRACEBACK=1 shows where"
    return FAILED, f"an error of the program, {type(error).__name__}: {error} ({hint})"
