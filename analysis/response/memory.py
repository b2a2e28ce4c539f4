"""How long the averaged numbers remember."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.chains.series import ChainSeries
from analysis.common.averages.memory import memory
from analysis.trajectory.even_frames import even_frames
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage
from analysis.uncertainty.estimate import FEWEST_SAMPLES, NOTHING, Estimate

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
            missing.append(f"relaxation.{key}_autocorrelation_time_s")
    if missing:
        warnings.append(
            f"{', '.join(missing)}: fewer than {FEWEST_SAMPLES} averaged frames "
            "evenly spaced in time hold it, or it is shorter than their spacing"
        )
    return out
