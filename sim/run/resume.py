"""Whether a run that is in a folder may go on, with a sentence where it may not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim.engines.checkpoints import needless_on
from sim.files.checkpoint import Checkpoint, load
from sim.files.opening import RunFileError
from sim.files.record import LIMITS, Ending, flat, resolved
from sim.parameters.changes import changes

if TYPE_CHECKING:
    from sim.files.folder import RunFolder
    from sim.files.run_file import RunSummary
    from sim.parameters.types import Parameters
    from sim.run.setup import RunSetup


def require_same(folder: RunFolder, summary: RunSummary, parameters: Parameters) -> None:
    """Refuse parameters that differ from those of the run, except for what limits it.

    Raises
    ------
    RunFileError
        If another value has changed; the first change is named, as the file writes it.
    """
    changed = changes((summary.text, summary.resolved), (parameters.text, resolved(parameters)))
    if changed:
        more = f" (and {len(changed) - 1} more)" if len(changed) > 1 else ""
        longer, *limits, last = (key.removeprefix("run.") for key in LIMITS)
        if parameters.run.is_sampled:
            longer = f"{', '.join(limits)} and {last}"
        raise RunFileError(
            f"{folder.path} cannot be resumed: {changed[0]}{more}; only [run] {longer} may change"
        )


def is_kept(folder: RunFolder, summary: RunSummary, setup: RunSetup) -> bool:
    """Return whether a run is over and stays as it is; false if it is to go on.

    A finished run goes on if the duration has grown, a sampled one if a limit of it has. Another
    that a stop rule has ended stays.

    Raises
    ------
    RunFileError
        If a finished run is to be shortened, or made longer without a checkpoint.
    """
    if not summary.ending.is_complete:
        return False
    sampled = setup.parameters.run.is_sampled
    if sampled and setup.system.steps > summary.last_step and _has_grown(summary, setup):
        return False
    if summary.ending is Ending.STOPPED or summary.last_step == setup.system.steps:
        return True
    if setup.system.steps < summary.last_step:
        raise RunFileError(
            f"{folder.path} cannot be resumed: it is finished at step {summary.last_step}, "
            f"and [run] {'sweeps' if sampled else 'duration'} now asks for {setup.system.steps} "
            "steps"
        )
    if setup.system.steps > summary.last_step and not folder.checkpoint.exists():
        raise RunFileError(
            f"{folder.path} cannot be made longer: it is finished and has no checkpoint.h5"
        )
    return False


def _has_grown(summary: RunSummary, setup: RunSetup) -> bool:
    """Return whether a limit of a sampled run is beyond the one that it had; None is no limit."""
    old, new = flat(summary.resolved), flat(resolved(setup.parameters))
    pairs = [(old.get(key), new[key]) for key in LIMITS[1:]]
    return any(was is not None and (now is None or now > was) for was, now in pairs)


def checkpoint_for(folder: RunFolder, summary: RunSummary, setup: RunSetup) -> Checkpoint:
    """Read the checkpoint of a run and check that the run may go on from it.

    Raises
    ------
    RunFileError
        If it is damaged, belongs to another run, or does not fit the parameters.
    """
    kept = load(folder.checkpoint, needless_on(setup.device))
    if kept.run_id != summary.run_id:
        raise RunFileError(f"{folder.checkpoint} belongs to another run than {folder.run_file}")
    if summary.time_step_s != setup.system.dt_s:
        raise RunFileError(
            f"{folder.path} cannot be resumed: its time step was {summary.time_step_s} s and "
            f"would now be {setup.system.dt_s} s"
        )
    if kept.step > setup.system.steps:
        raise RunFileError(
            f"{folder.path} cannot be resumed: it has come to step {kept.step}, "
            f"and [run] duration now asks for {setup.system.steps} steps"
        )
    if summary.frames < kept.frames:
        raise RunFileError(
            f"{folder.run_file} holds fewer frames than {folder.checkpoint} counts on; "
            "start again with --overwrite"
        )
    return kept
