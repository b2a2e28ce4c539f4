"""Figure of the lag behind a turning field: against time, and against frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.pictures import record, style
from analysis.response.lag_curve import Lag
from analysis.uncertainty.number_text import scale_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run


_SERIES = (
    ("chain_lag", "chains", style.FIRST, "o", (None, None)),
    ("magnetisation_lag", "magnetisation", style.SECOND, "s", (5, 2)),
)


def has_lag(measurement: Measurement) -> bool:
    """Whether the field of the run turned."""
    return Lag.among(measurement.curves).time_s.size > 1


@record.figure(
    "Behind the turning field",
    "Angle by which chains and magnetisation trail the field as it turns, frame by frame; below, "
    "the angle to which the field has turned. Bands are one standard error. Where the field turned "
    "at several rates, the panels beside give means over the later half of each, with their "
    "errors: the lag, and the weight mean length, that of the chain which an average particle is "
    "in. Chains have no sign: what trails by more than a right angle counts as ahead.",
    wanted=has_lag,
)
def lag(measurement: Measurement, run: Run) -> Figure:
    """Lag of chains and magnetisation against time and, with several rates, against frequency."""
    stages = [
        stage
        for stage in measurement.numbers["relaxation"].get("turning_stages", [])
        if stage["chain_lag_deg"]["value"] is not None
    ]
    several = len({stage["frequency_hz"] for stage in stages}) > 1
    with style.publication():
        width = style.DOUBLE_COLUMN if several else style.SINGLE_COLUMN
        figure = style.new_figure(width, 78.0 * style.MILLIMETRE)
        if not has_lag(measurement):
            style.say_empty(figure.add_subplot(), "The field of this run did not turn.")
            style.note_provisional(figure, run)
            return figure
        grid = figure.add_gridspec(
            2, 2 if several else 1, height_ratios=(3, 1), width_ratios=(3, 2) if several else None
        )
        upper = figure.add_subplot(grid[0, 0])
        lower = figure.add_subplot(grid[1, 0], sharex=upper)
        _draw_time(upper, lower, measurement)
        if several:
            beside = figure.add_subplot(grid[0, 1])
            _draw_frequency(beside, figure.add_subplot(grid[1, 1], sharex=beside), stages)
        style.note_provisional(figure, run)
        return figure


def _draw_time(upper: Axes, lower: Axes, measurement: Measurement) -> None:
    """Draw lags above the angle of the field."""
    curve = Lag.among(measurement.curves)
    time = curve.time_s
    scale = scale_for(float(time.max()), "s")
    for name, words, colour, _, dashes in _SERIES:
        value = curve[f"{name}_deg"]
        error = curve[f"{name}_error_deg"]
        known = np.isfinite(value)
        if not known.any():
            continue
        t, value = time[known] * scale.factor, value[known]
        error = np.nan_to_num(error[known])
        upper.fill_between(t, value - error, value + error, color=colour, alpha=0.2, linewidth=0)
        upper.plot(t, value, color=colour, dashes=dashes, label=words, linewidth=1.0)
    upper.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
    upper.set_ylabel("Behind the field (°)")
    upper.tick_params(labelbottom=False)
    style.legend_above(upper)
    turns = curve.field_turned_deg / 360.0
    lower.plot(time * scale.factor, turns, color=style.INK, linewidth=1.0)
    for step in _changes(measurement):
        for axes in (upper, lower):
            axes.axvline(step * scale.factor, color=style.FAINT, linewidth=0.7, zorder=0)
    lower.set_xlabel(scale.label("Time"))
    lower.set_ylabel("Field turned\n(turns)")


def _changes(measurement: Measurement) -> list[float]:
    """Return the times in s at which one step of the programme follows another."""
    steps: list[dict[str, Any]] = measurement.numbers["derived"].get("field_programme") or []
    return [float(step["start_s"]) for step in steps[1:]]


def _draw_frequency(upper: Axes, lower: Axes, stages: list[dict[str, Any]]) -> None:
    """Draw the mean lag of the chains in each stage, and their length, against its frequency."""
    frequency = np.array([stage["frequency_hz"] for stage in stages])
    scale = scale_for(float(frequency.max()), "Hz")
    x = frequency * scale.factor
    for axes, name, colour, words in (
        (upper, "chain_lag_deg", style.FIRST, "Mean lag of the chains (°)"),
        (lower, "weight_mean_length", style.THIRD, "Weight mean\nlength"),
    ):
        rows = [[stage[name]["value"], stage[name]["error"]] for stage in stages]
        value, error = np.array(rows, dtype=np.float64).T
        axes.errorbar(x, value, np.nan_to_num(error), fmt="o", color=colour)
        axes.margins(y=0.12)
        axes.set_ylim(bottom=min(0.0, 1.1 * float(np.nanmin(value))))
        axes.set_ylabel(words)
    upper.set_xscale("log")
    _plain_ticks(upper, x)
    upper.tick_params(labelbottom=False)
    lower.set_xlabel(scale.label("Turns a second"))


def _plain_ticks(axes: Axes, values: NDArray[np.float64]) -> None:
    """Put a tick at each frequency."""
    ticks = np.unique(values)
    axes.set_xticks(ticks, labels=[f"{tick:.3g}" for tick in ticks])
    axes.minorticks_off()
    axes.set_xlim(ticks[0] / 1.3, ticks[-1] * 1.3)
