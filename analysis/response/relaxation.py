"""The section ``relaxation``: growth after switch-on, lag, break-up, decay, memory."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.chains.measured_run import Section
from analysis.chains.section import NO_MOMENTS
from analysis.chains.series import ChainSeries
from analysis.common.arrays import Floats
from analysis.response.break_up import break_up_numbers
from analysis.response.decay_numbers import decay_numbers, switch_off_time
from analysis.response.growth import growth, growth_stages, switch_off
from analysis.response.lag import oscillating_numbers, turning_numbers
from analysis.response.lag_curve import lag_curve
from analysis.response.memory import memory_numbers
from analysis.trajectory.cycles import Swing
from analysis.trajectory.run import Run
from analysis.trajectory.stages import Stage


class RelaxationSection(Section):
    """How the film answers to its field in time, from the series over all frames."""

    name = "relaxation"
    averages = False

    def numbers(self, warnings: list[str]) -> dict[str, Any]:
        """Return the section ``relaxation``."""
        run, series, stage = self.seen.run, self.seen.series, self.seen.stage
        self.drawn.append(lag_curve(run, series))
        out = _growth(run, series, self.seen.field, warnings)
        if stage.swing is not None:
            out |= _lags(run, series, stage, stage.swing, warnings)
        if series.turning is not None and series.axis is not None:
            out |= break_up_numbers(run, series, warnings)
        last_on = switch_off(self.seen.field) if stage.swing is None else None
        out["switch_off_time_s"] = None if last_on is None else switch_off_time(run, last_on)[0]
        if last_on is not None:
            out |= decay_numbers(run, series, last_on, warnings)
        return out | memory_numbers(run, series, stage, warnings)


def _growth(run: Run, series: ChainSeries, field: Floats, warnings: list[str]) -> dict[str, Any]:
    """Return the entries on growth after switch-on."""
    rows, start = switched_on(run, field)
    out: dict[str, Any] = {}
    for key, name in (
        ("growth_exponent", "mean_length"),
        ("growth_exponent_weight", "weight_mean_length"),
    ):
        found = growth(
            run.times[rows] - start,
            series.values[name][rows],
            series.within[name][rows],
            series.values["spanning_share"][rows],
            run.derived.get("diffusion_time_s"),
        )
        out[key] = found.exponent.as_dict()
        out["growth_from_s"], out["growth_to_s"] = found.from_s, found.to_s
        if found.reason and key == "growth_exponent":
            why = NO_MOMENTS if not series.lengths else found.reason
            if run.field_before is not None and rows.stop == 1:
                why = "the field was on before the run, and goes off as it begins"
            warnings.append(f"relaxation.growth_exponent: {why}")
        if found.exponent.value is not None and found.exponent.error is None:
            warnings.append(
                f"relaxation.{key}: its error is not known, as the first or the last frame has too "
                "few chains for a scatter between them"
            )
        if key == "growth_exponent":
            out |= growth_stages(found)
    return out


def switched_on(run: Run, field: Floats) -> tuple[slice, float]:
    """Return the frames of the first stage with the field on, and when it was switched on, in s."""
    size = np.linalg.norm(field, axis=1)
    on = size > 0.5 * size.max(initial=0.0) if size.max(initial=0.0) > 0 else size >= 0
    first = int(np.argmax(on))
    # Switched on between two frames, or already at the start.
    start = float(run.times[max(0, first - 1)]) if first else float(run.times[0])
    stop = first + (int(np.argmin(on[first:])) if not on[first:].all() else len(on) - first)
    return slice(first, stop), start


def _lags(
    run: Run, series: ChainSeries, stage: Stage, swing: Swing, warnings: list[str]
) -> dict[str, Any]:
    """Return how far magnetisation and chains lag behind the field."""
    withheld = None
    if not run.derived.get("moment_relaxation_meaningful", True):
        withheld = "moments were slowed down in this run, so their lag is withheld"
    rows = stage.frames
    if swing.turns:
        names = ("in_phase", "behind", "axis_cos", "axis_sin")
        parts = {name: series.values[name][rows] for name in names}
        return turning_numbers(swing, parts, withheld, warnings)
    values = series.values["magnetisation"][rows]
    if series.along is not None:  # the largest field of the run may have pointed elsewhere
        values = values * float(np.sign(swing.direction @ series.along))
    return oscillating_numbers(swing, run.times[rows], values, withheld, warnings)
