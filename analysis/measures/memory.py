"""How long the averaged numbers remember, and which of them rest on too short a run."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from analysis.chains.series import ChainSeries
from analysis.trajectory.even_frames import even_frames
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage
from analysis.uncertainty.estimate import FEWEST_SAMPLES, NOTHING, Estimate, memory

AVERAGED_SECTIONS = ("chains", "spacing", "alignment", "magnetisation")
SERIES = (("length", "mean_length"), ("alignment", "order"), ("magnetisation", "magnetisation"))

UNRESOLVED = 0.75
"""An integrated time under this many frames cannot be told from none."""


def memory_numbers(
    run: Run, series: ChainSeries, stage: Stage, warnings: list[str]
) -> dict[str, Any]:
    """Return the integrated autocorrelation times of the averaged frames, in s.

    A time shorter than the spacing of the frames is not measured; one beyond a tenth of the
    averaged span is a lower bound, which its small number of samples tells. Frames between the even
    times of the others are left out.
    """
    out: dict[str, Any] = {}
    missing = []
    frames = even_frames(run.times, stage.frames)
    for key, name in SERIES:
        values = series.values[name][frames]
        found = NOTHING
        if len(values) >= FEWEST_SAMPLES and np.isfinite(values).all():
            known = memory(values)
            spacing = float(np.diff(run.times[frames]).mean())
            if known.time >= UNRESOLVED:
                samples = max(1, int(len(values) / (2 * known.time)))
                found = Estimate(known.time * spacing, known.error * spacing, samples)
        out[f"{key}_autocorrelation_time_s"] = found.as_dict()
        if found.value is None:
            missing.append(f"{key}_autocorrelation_time_s")
    if missing:
        warnings.append(
            f"relaxation, {', '.join(missing)}: fewer than {FEWEST_SAMPLES} averaged frames "
            "evenly spaced in time hold it, or it is shorter than their spacing"
        )
    return out


def short_run_warning(numbers: dict[str, Any]) -> list[str]:
    """Name the averages that rest on too few independent samples; nothing where none does."""
    few = [
        (name, entry["samples"])
        for section in AVERAGED_SECTIONS
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


def _entries(block: dict[str, Any], path: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the measured numbers of a section with their names."""
    for key, value in block.items():
        if isinstance(value, dict) and "samples" in value:
            yield f"{path}.{key}", value
        elif isinstance(value, dict):
            yield from _entries(value, f"{path}.{key}")
