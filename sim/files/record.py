"""What a run file says about its run beside the frames: provenance, identity, how it ended."""

from __future__ import annotations

import json
import math
from collections.abc import Collection
from dataclasses import asdict, dataclass, field, is_dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from sim.files.provenance import commit, processor_name, program_version, sources, versions

if TYPE_CHECKING:
    from sim.parameters.types import Parameters


class Ending(StrEnum):
    """How a run ended; each run file carries one of these words and a sentence."""

    RUNNING = "running"
    FINISHED = "finished"
    STOPPED = "stopped"
    INTERRUPTED = "interrupted"
    FAILED = "failed"

    @property
    def is_complete(self) -> bool:
        """Whether the run came to the end that was asked for: its duration, or a stop rule."""
        return self in (Ending.FINISHED, Ending.STOPPED)


@dataclass(frozen=True)
class RunRecord:
    """All of `/parameters` that is known before the first step.

    Attributes
    ----------
    text : str
        The parameter file as the user wrote it.
    resolved : dict
        Every value that the run uses, defaults filled in, SI.
    derived : dict
        Derived numbers, SI.
    seed : int
        Seed of the run.
    bonds : dict
        Default bond criterion: `distance`, `alignment`; by energy also `kind`, `energy_kt`.
    provisional : bool
        Whether the dipole sum is cut off, so that spacings are provisional.
    time_step_s : float
        Time step, s.
    frames_planned, steps_planned : int
        The frame schedule: so many frames in so many steps.
    run_id : str
        Ties a checkpoint to its run file.
    notices : tuple of str
        What was said before the run that makes its numbers doubtful, a sentence each.
    is_sampled : bool
        Whether its steps are sweeps, so that frames have no times.
    start : dict
        Of the run whose end the film was taken from: `field_t` (3,), the field there in T.
    """

    text: str
    resolved: dict[str, Any]
    derived: dict[str, Any]
    seed: int
    bonds: dict[str, float | str | None]
    provisional: bool
    time_step_s: float
    frames_planned: int
    steps_planned: int
    run_id: str
    notices: tuple[str, ...] = ()
    is_sampled: bool = False
    start: dict[str, Any] = field(default_factory=dict)
    version: str = field(default_factory=program_version)
    commit: str = field(default_factory=commit)
    sources: str = field(default_factory=sources)
    processor: str = field(default_factory=processor_name)
    versions: dict[str, str] = field(default_factory=versions)


def resolved(parameters: Parameters) -> dict[str, Any]:
    """Return every value of the parameters as plain JSON types.

    The text, the name of the file and its folder, its notices and the sweep table are no values of
    one run and are left out.
    """
    plain = json.loads(json.dumps(_plain(parameters)))
    for key in ("text", "name", "folder", "notices", "sweep"):
        plain.pop(key, None)
    return dict(plain)


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and math.isinf(value):
        return str(value)  # JSON has no infinity; a steady field lasts for ever
    return value


YOUNGER: dict[str, Any] = {
    "motion.flow": "none",
    "optics.core_table": "auto",
    "optics.matrix_index": 1.59,
    "output.cutout": None,
    "output.map_step": None,
    "output.states": 1,
    "run.structures": 20,
    "run.sweeps": 20_000,
    "run.wall_time": None,
}
"""Keys that earlier versions did not record, with the value that a run without them stands for."""


LIMITS = ("run.duration", "run.structures", "run.sweeps", "run.wall_time")
"""Keys that say how long a run goes on, and change none of its steps."""


def differences(
    before: dict[str, Any], now: dict[str, Any], leave: Collection[str] = LIMITS
) -> list[str]:
    """Return a phrase for each value that differs between two resolved parameter sets.

    Keys of ``leave`` may differ, by default those of `LIMITS`: a run can be made longer.
    """
    old, new = flat(before), flat(now)
    keys = [key for key in [*old, *(k for k in new if k not in old)] if key not in leave]
    return [
        f"{key} was {old.get(key, 'absent')} and is now {new.get(key, 'absent')}"
        for key in keys
        if old.get(key, YOUNGER.get(key, "absent")) != new.get(key, "absent")
    ]


def flat(tree: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return the values of nested tables by their dotted names, rows of a list by their number."""
    values: dict[str, Any] = {}
    for key, value in tree.items():
        if isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
            value = {str(number): item for number, item in enumerate(value, start=1)}
        if isinstance(value, dict):
            values |= flat(value, f"{prefix}{key}.")
        else:
            values[prefix + key] = value
    return values
