"""Figure of the way to rest: what was simulated, how it goes on, and where it ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.chains.time_series import TimeSeries
from analysis.pictures import record, style
from analysis.response.rest.section import WayToRest
from analysis.uncertainty.number_text import Scale, as_float, scale_for, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

    Floats = NDArray[np.float64]

__all__ = ["way_to_rest"]

_WORDS = {"switch-on": "Time since switch-on", "switch-off": "Time since switch-off"}


def has_way_to_rest(measurement: Measurement) -> bool:
    """Whether a way to rest could be told."""
    return bool(WayToRest.among(measurement.curves).time_s.size)


@record.figure(
    "The way to rest",
    "Mean chain length from the first microsecond to rest, on a logarithmic axis of time. Points "
    "are the simulated frames; the line continues them by rate equations of chains that join and "
    "break, with rates fitted to the points. The bands hold the true course in about 68 and 95 of "
    "100 cases. The broken line and the bar at the right edge are the length at rest. Marks: half "
    "of the way, and 90 % of it.",
    wanted=has_way_to_rest,
)
def way_to_rest(measurement: Measurement, run: Run) -> Figure:
    """Mean length simulated, continued, and at rest; a panel for switch-on and for switch-off."""
    names = list(dict.fromkeys(map(str, WayToRest.among(measurement.curves).after)))
    with style.publication():
        height = (8.0 + 58.0 * max(1, len(names))) * style.MILLIMETRE
        figure = style.new_figure(style.SINGLE_COLUMN, height)
        if not names:
            style.say_empty(figure.add_subplot(), "No way to rest could be told.")
        for row, name in enumerate(names):
            _draw(figure.add_subplot(len(names), 1, row + 1), measurement, name)
        style.note_provisional(figure, run)
        return figure


def _draw(axes: Axes, measurement: Measurement, name: str) -> None:
    """Draw one way."""
    curve = WayToRest.among(measurement.curves)
    time, middle, low, high, lowest, highest = (
        curve[key][curve.after == name]
        for key in ("time_s", "mean_length", "low_68", "high_68", "low_95", "high_95")
    )
    numbers = measurement.numbers["way_to_rest"]
    prefix = name.replace("-", "_")
    start, seen = (as_float(numbers[f"{prefix}_{key}"]) for key in ("start_s", "seen_until_s"))
    scale = scale_for(float(time[-1]), "s")
    axes.fill_between(
        time * scale.factor, lowest, highest, color=style.FIRST, alpha=0.12, linewidth=0
    )
    axes.fill_between(time * scale.factor, low, high, color=style.FIRST, alpha=0.22, linewidth=0)
    axes.plot(time * scale.factor, middle, color=style.FIRST, linewidth=1.1, label="continued")
    _draw_frames(axes, measurement, (start, seen), scale)
    _draw_rest(axes, numbers[f"{prefix}_rest_length"], float(time[-1]) * scale.factor)
    first = as_float(numbers[f"{prefix}_start_length"])
    rest = as_float(numbers[f"{prefix}_rest_length"]["value"])
    for key, words, share in (("half_time_s", "half", 0.5), ("rest_time_s", "90 %", 0.9)):
        at = as_float(numbers[f"{prefix}_{key}"]["value"])
        axes.plot(
            at * scale.factor, first + share * (rest - first), "D" if share == 0.5 else "s",
            color=style.INK, markersize=4.0, zorder=5, label=f"{words} after {with_unit(at, 's')}",
        )  # fmt: skip
    axes.set_xscale("log")
    axes.set_yscale("log")
    _plain_axes(axes)
    axes.set_xlabel(scale.label(_WORDS[name]))
    axes.set_ylabel("Mean chain length\n(particles)")
    style.legend_above(axes)


def _draw_frames(
    axes: Axes, measurement: Measurement, seen: tuple[float, float], scale: Scale
) -> None:
    """Draw the simulated frames of a way as points, and where they end."""
    series = TimeSeries.among(measurement.curves)
    time, length = series.time_s - seen[0], series.mean_length
    shown = (time > 1e-9 * seen[1]) & (time <= seen[1] * (1.0 + 1e-9)) & np.isfinite(length)
    axes.plot(
        time[shown] * scale.factor, length[shown], "o", color=style.SECOND, markersize=2.2,
        alpha=0.6, markeredgewidth=0.0, label="simulated",
    )  # fmt: skip
    axes.axvline(seen[1] * scale.factor, color=style.QUIET, linewidth=0.6, dashes=(1.5, 1.5))


def _draw_rest(axes: Axes, rest: dict[str, object], edge: float) -> None:
    """Draw the length at rest across, and its band at the right edge."""
    value = as_float(rest["value"])
    ends = rest["interval_95"]
    axes.axhline(value, color=style.MARK, linewidth=0.8, dashes=(5, 2), label=f"rest {value:.3g}")
    if isinstance(ends, list):
        low, high = (as_float(end) for end in ends)
        axes.plot([edge, edge], [low, high], color=style.MARK, linewidth=2.4, alpha=0.7)


def _plain_axes(axes: Axes) -> None:
    """Lengths and times as plain numbers instead of powers of ten."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    low, high = axes.get_ylim()
    axes.set_ylim(max(0.95 * low, 0.9), 1.05 * high)
    axes.yaxis.set_major_locator(LogLocator(base=10, subs=(1.0, 1.5, 2.0, 3.0, 5.0, 7.0)))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())
