"""Runs that sample the film at rest: what they say of rest, and that they say nothing of times."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np

from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage
from analysis.uncertainty.estimate import NOTHING

__all__ = ["evenly", "rest_of", "without_times"]

KEPT = ("parameters", "derived", "timing", "warnings")
"""Sections that measure nothing."""
NO_TIMES = (
    "relaxation: null, as are all lives of bonds and relaxation times: the run samples the film at "
    "rest by moves, and no time belongs to them"
)
STATEMENT = "property of the film at equilibrium"
_TIME = re.compile(r"(_s|_hz|_times_s)$")


def evenly(run: Run, stage: Stage) -> Stage:
    """Return a stage whose averaged frames are evenly spaced in sweeps.

    Frames of a sampled run follow each other by 2^k sweeps, k rising now and then, and the last
    one stands where the run ended: those at multiples of the largest interval stay.
    """
    steps = run.steps[stage.frames]
    if len(steps) < 3:
        return stage
    interval = 1 << (int(np.diff(steps).max()).bit_length() - 1)
    return replace(stage, frames=stage.frames[steps % interval == 0])


def rest_of(run: Run, stage: Stage) -> dict[str, Any]:
    """Return the entry ``equilibration`` of a sampled run.

    As `analysis.response.equilibration.equilibration`, without times; besides, the independent
    structures and the sweeps that they are in, and the averages of the two films, one from single
    particles and one from long chains, that have to meet.
    """
    found = run.rest
    reached = bool(found.get("reached", False))
    structures = found.get("structures")
    reason = str(found.get("reason") or "the run records nothing on it")
    if structures is not None:
        reason += f"; {structures:.3g} independent structures in {found.get('sweeps')} sweeps"
    if not reached and structures and found.get("wanted"):
        more = float(found["wanted"]) / max(float(structures), 1e-3)
        if more > 1.0:
            reason += f", of {found['wanted']} wanted: about {more:.2g} times the sweeps are needed"
    after = f"after {int(run.steps[-1])} sweeps"
    return {
        "reached": reached,
        "reason": reason,
        "statement": STATEMENT if reached else after,
        "bond_lives": None,
        "tests": [],
        "stage_start_s": None,
        "from_time_s": None,
        "to_time_s": None,
        "frames": len(stage.frames),
        "simulated_s": None,
        "film_formation_time_s": None,
        "simulated_share_of_film_time": None,
        "sweeps": int(run.steps[-1]),
        "independent_structures": structures,
        "sides": found.get("sides", {}),
        "accepted": found.get("accepted", {}),
    }


def without_times(numbers: dict[str, Any], warnings: list[str]) -> None:
    """Take all times and rates from the numbers of a sampled run, and what was said of them."""
    for section, content in numbers.items():
        if section == "relaxation":
            numbers[section] = {key: _nothing(value) for key, value in content.items()}
        elif section not in KEPT:
            numbers[section] = _cleared(content)
    warnings[:] = [note for note in warnings if not _is_about_times(note)]
    warnings.append(NO_TIMES)


def _cleared(value: Any) -> Any:
    """Return nested values, with nothing under keys that name times."""
    if isinstance(value, list):
        return [_cleared(item) for item in value]
    if not isinstance(value, dict):
        return value
    return {
        key: _nothing(item) if _TIME.search(str(key)) else _cleared(item)
        for key, item in value.items()
    }


def _nothing(value: Any) -> Any:
    """Return a number that was not measured, in the form of one that was."""
    if isinstance(value, dict) and "value" in value:
        return NOTHING.as_dict()
    return [] if isinstance(value, list) else None


def _is_about_times(note: str) -> bool:
    """Whether a warning is about nothing but times."""
    head = note.partition(":")[0]
    names = [name.strip() for name in head.split(",")]
    return names[0].startswith("relaxation") or all(_TIME.search(name) for name in names)
