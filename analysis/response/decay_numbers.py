"""Entries of ``relaxation`` on the decay of length, alignment and magnetisation."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from analysis.chains.series import ChainSeries
from analysis.common.arrays import Floats
from analysis.response.decay import Decay, decay
from analysis.trajectory.cycles import programme
from analysis.trajectory.run import Run


def switch_off_time(run: Run, last_on: int) -> tuple[float, float]:
    """Return when the field went off after a frame, in s, and the standard error of that time.

    The recorded programme tells it; without one it lies anywhere up to the next frame. A frame at
    the very time of it may hold the field before or the field after.
    """
    start = float(run.times[last_on])
    end = float(run.times[min(last_on + 1, run.frames - 1)])
    slack = 1e-9 * end
    steps = programme(run)
    for place, step in enumerate(steps):
        off = step.get("end_s")
        if off is None or not start - slack <= float(off) <= end + slack:
            continue
        later = [s for s in steps[place + 1 :] if float(s["start_s"]) < end - slack]
        if all(s["kind"] == "hold" and not np.any(s["vector_t"]) for s in later):
            return max(start, float(off)), 0.0
    return start, (end - start) / math.sqrt(12.0)


def frame_at(times: Floats, start: float) -> int:
    """Return the last frame at a time in s or before it."""
    return max(0, int(np.searchsorted(times, start * (1.0 + 1e-9), side="right")) - 1)


def decay_numbers(
    run: Run, series: ChainSeries, last_on: int, warnings: list[str]
) -> dict[str, Any]:
    """Return decay times of length, alignment and magnetisation after switch-off.

    Where no time can be given, ``..._decay_reason`` says why, and ``..._decay_longer_than_s`` and
    ``..._decay_shorter_than_s`` hold what is known of it in s, else null.
    """
    out: dict[str, Any] = {}
    meaningful = bool(run.derived.get("moment_relaxation_meaningful", True))
    start, unsure = switch_off_time(run, last_on)
    last_on = frame_at(run.times, start)
    times = np.maximum(run.times[last_on:], start)
    for key, name, floor in (
        ("length", "mean_length", None),
        ("alignment", "order", None),
        ("magnetisation", "magnetisation", 0.0),
    ):
        inside = series.within[name][last_on:]
        within = float(np.nanmax(inside)) if np.isfinite(inside).any() else None
        found = decay(times, series.values[name][last_on:], floor, unsure, within)
        if key == "magnetisation" and not meaningful:
            found = Decay.withheld(
                "moments were slowed down in this run, so their relaxation is withheld"
            )
        out[f"{key}_decay_time_s"] = found.time.as_dict()
        out[f"{key}_decay_longer_than_s"] = found.limits.longer_than
        out[f"{key}_decay_shorter_than_s"] = found.limits.shorter_than
        out[f"{key}_decay_reason"] = found.reason
        out[f"{key}_stretched_time_s"] = found.stretched_time.as_dict()
        out[f"{key}_stretch"] = found.stretch.as_dict()
        if found.reason:
            warnings.append(f"relaxation.{key}_decay_time_s: {found.reason}")
    return out
