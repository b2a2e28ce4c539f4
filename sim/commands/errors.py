"""Exit code and sentence for each error that ends a command."""

from __future__ import annotations

import errno

from analysis.common.errors import InputError

UNUSABLE = {
    errno.EACCES, errno.EISDIR, errno.ELOOP, errno.ENAMETOOLONG, errno.ENOENT, errno.ENOTDIR,
    errno.EPERM, errno.EROFS,
}  # fmt: skip
"""What the system says of paths that the user has to choose otherwise."""
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
FULL_REMEDY = "make room and give the command again, a run with --resume"
DONE, FAILED, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130


def explain(error: Exception) -> tuple[int, str]:
    """Return exit code and sentence for an error.

    What a user can cause is an `InputError`; anything else is a fault of the program and says so.

    Parameters
    ----------
    error : Exception
        What ended the command.

    Returns
    -------
    int
        `FAILED` or `BAD_INPUT`.
    str
        One sentence.
    """
    if isinstance(error, ImportError):
        return FAILED, f"the installation is not complete: {error}"
    if isinstance(error, InputError):
        return BAD_INPUT, str(error)
    from sim.run.loop import RunFailed

    if isinstance(error, RunFailed):
        run = error.run
        saved = f"{run.frames} frames up to the failure are in {run.path}"
        return FAILED, f"the run failed at step {run.step} of {run.steps}: {run.reason}; {saved}"
    if isinstance(error, OSError) and error.filename and error.errno in UNUSABLE:
        return BAD_INPUT, f"{error.filename} cannot be used: {error.strerror}"
    if isinstance(error, OSError) and error.strerror:
        told = error.strerror + (f": {error.filename}" if error.filename else "")
        return FAILED, told + (f"; {FULL_REMEDY}" if error.errno in FULL else "")
    if isinstance(error, MemoryError):
        return FAILED, "out of memory; use fewer particles or fewer frames"
    hint = "CHAINFILM_TRACEBACK=1 shows where"
    return FAILED, f"an error of the program, {type(error).__name__}: {error} ({hint})"
