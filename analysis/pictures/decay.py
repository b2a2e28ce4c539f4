"""Figure of what falls after the field is switched off, with the fitted law."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from analysis.chains.time_series import TimeSeries
from analysis.pictures import record, style
from analysis.response.decay_curve import SERIES, DecayCurve, decay_curve
from analysis.response.decay_text import decay_bounds, decay_time
from analysis.uncertainty.number_text import NOT_MEASURED, Scale, measured, scale_for, with_error

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

__all__ = ["decay", "has_decay"]

_LABELS = {
    "length": ("Mean chain length\n(particles)", style.FIRST),
    "alignment": ("Alignment", style.SECOND),
    "magnetisation": ("Magnetisation", style.THIRD),
}
_REASON_WIDTH = 56


def has_decay(measurement: Measurement) -> bool:
    """Whether the field of the run went off before its end."""
    return bool(_curves(measurement))


def _curves(measurement: Measurement) -> dict[str, DecayCurve]:
    """Return what is known after the switch-off, by quantity."""
    numbers, series = measurement.numbers, TimeSeries.among(measurement.curves)
    found = {name: decay_curve(numbers, series, name) for name in SERIES}
    return {name: curve for name, curve in found.items() if curve is not None}


@record.figure(
    "After the field is switched off",
    "Mean length, alignment and magnetisation from the moment on at which the field goes off, on a "
    "logarithmic axis of time; the mark at the left edge is the value until then. The broken line "
    "is the stretched exponential fitted to all frames; without it the fall is seen too coarsely "
    "or follows no such law. The diamond is the time after which 1/e of the fall is left, with its "
    "standard error; where only bounds on it are known, they are shaded.",
    wanted=has_decay,
)
def decay(measurement: Measurement, run: Run) -> Figure:
    """Mean length, alignment and magnetisation against the time since switch-off, logarithmic."""
    curves = _curves(measurement)
    with style.publication():
        height = (12.0 + 46.0 * max(1, len(curves))) * style.MILLIMETRE
        figure = style.new_figure(style.SINGLE_COLUMN, height)
        if not curves:
            style.say_empty(figure.add_subplot(), "The field stayed on to the end of the run.")
            style.note_provisional(figure, run)
            return figure
        rows = figure.subplots(len(curves), 1, sharex=True, squeeze=False)[:, 0]
        longest = max(curve.latest for curve in curves.values())
        scale = scale_for(longest, "s")
        first = min(float(curve.time[curve.time > 0.0].min()) for curve in curves.values())
        for axes, (name, curve) in zip(rows, curves.items(), strict=True):
            _draw(axes, measurement, name, curve, scale, first)
        rows[-1].set_xscale("log")
        rows[-1].set_xlim(0.5 * first * scale.factor, 1.15 * longest * scale.factor)
        rows[-1].xaxis.set_major_formatter("{x:g}")
        rows[-1].set_xlabel(scale.label("Time since switch-off"))
        figure.align_ylabels()
        style.note_provisional(figure, run)
        return figure


def _draw(
    axes: Axes,
    measurement: Measurement,
    name: str,
    curve: DecayCurve,
    scale: Scale,
    first: float,
) -> None:
    """Draw one quantity: frames, law, and 1/e time; words where there is no time."""
    label, colour = _LABELS[name]
    after = curve.time > 0.0
    axes.plot(
        curve.time[after] * scale.factor, curve.value[after], "o", color=colour, markersize=2.6,
        alpha=0.55, markeredgewidth=0.0,
    )  # fmt: skip
    edge = 0.5 * first * scale.factor
    axes.plot(edge, curve.value[0], ">", color=colour, markersize=5.0, clip_on=False, zorder=4)
    if len(curve.law_time):
        stretch = with_error(*measured(measurement.numbers, "relaxation", f"{name}_stretch"))
        axes.plot(
            curve.law_time * scale.factor, curve.law, color=style.INK, dashes=(5, 2), linewidth=1.0,
            label=f"stretched exponential, exponent {stretch}",
        )  # fmt: skip
    time = decay_time(measurement.numbers, name)
    if math.isfinite(curve.life):
        error = curve.life_error if math.isfinite(curve.life_error) else 0.0
        axes.errorbar(
            curve.life * scale.factor, curve.level,
            xerr=np.array([[min(error, 0.9 * curve.life)], [error]]) * scale.factor,
            fmt="D", color=style.INK, markersize=4.5, zorder=5, label=f"1/e after {time}",
        )  # fmt: skip
    else:
        low, high = decay_bounds(measurement.numbers, name)
        if math.isfinite(low) or math.isfinite(high):
            ends = [low if math.isfinite(low) else 0.25 * first, high]
            ends[1] = high if math.isfinite(high) else 2.0 * curve.latest
            between = np.array(ends) * scale.factor
            axes.axvspan(between[0], between[1], color=style.FAINT, alpha=0.4, linewidth=0)
        axes.plot([], [], " ", label=_without(measurement, name, time))
    axes.set_ylabel(label)
    axes.margins(y=0.1)
    style.legend_above(axes, columns=1)


def _without(measurement: Measurement, name: str, bounds: str) -> str:
    """Say the bounds of a decay time, and why there is no more."""
    told = "no decay time" if bounds == NOT_MEASURED else f"1/e after {bounds}"
    reason = measurement.numbers["relaxation"].get(f"{name}_decay_reason")
    return textwrap.fill(f"{told}: {reason}" if reason else told, _REASON_WIDTH)
