"""Which averages rest on too short a run."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from typing import Any

from analysis.chains.measured_run import MeasuredRun
from analysis.uncertainty.estimate import FEWEST_SAMPLES

FEWEST_FRAMES = 4
FEWEST_STRUCTURES = 4


def structures_warning(seen: MeasuredRun) -> list[str]:
    """Say where errors rest on the scatter between chains, as frames show few structures."""
    frames, structures = len(seen.stage.frames), seen.structures
    few = structures is not None and structures < FEWEST_STRUCTURES and seen.series.lengths
    if frames >= FEWEST_FRAMES and not few:
        return []
    held = "an unknown number of" if structures is None else f"about {structures:.2g}"
    return [
        f"uncertainty: {frames} averaged frames hold {held} independent structures; errors "
        "rest on the scatter between the chains of one frame"
    ]


def short_run_warning(numbers: dict[str, Any], averages: Collection[str]) -> list[str]:
    """Name the averages that rest on too few independent samples; nothing where none does.

    Parameters
    ----------
    numbers : dict
        Content of measures.json.
    averages : collection of str
        Sections whose numbers are averages over the averaged frames.
    """
    few = [
        (name, entry["samples"])
        for section in averages
        for name, entry in _entries(numbers[section], section)
        if entry["value"] is not None and entry["samples"] < FEWEST_SAMPLES
    ]
    if not few:
        return []
    least = min(samples for _, samples in few)
    names = ", ".join(name for name, _ in few[:3])
    more = f" and {len(few) - 3} more" if len(few) > 3 else ""
    return [
        f"uncertainty: the run is too short for {names}{more}: averages over as few as "
        f"{math.floor(least)} independent samples, and {FEWEST_SAMPLES} are wanted for an error "
        "to hold; the numbers are given all the same"
    ]


def _entries(block: Any, path: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the measured numbers of a section with their names."""
    for key, value in block.items() if isinstance(block, dict) else ():
        if isinstance(value, dict) and "samples" in value:
            yield f"{path}.{key}", value
        elif isinstance(value, dict):
            yield from _entries(value, f"{path}.{key}")
