"""Runs that sample the film at rest say nothing of times."""

from __future__ import annotations

import re
from typing import Any

from analysis.uncertainty.estimate import NOTHING

KEPT = ("parameters", "derived", "timing", "warnings")
"""Sections that measure nothing."""
NO_TIMES = (
    "relaxation: null, as are way_to_rest, all lives of bonds and relaxation times: the run "
    "samples the film at rest by moves, and no time belongs to them"
)
TIMED = ("bond_standing_share",)
"""Numbers that mean nothing without the time to which they belong."""
_TIME = re.compile(r"(_s|_hz|_times_s)$")


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
        key: _nothing(item) if _TIME.search(str(key)) or key in TIMED else _cleared(item)
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
    return names[0].startswith(("relaxation", "way_to_rest")) or all(
        _TIME.search(name) for name in names
    )
