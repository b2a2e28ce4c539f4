"""Figure of a field that goes up and comes down: what the film remembers of the way."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.chains.time_series import TimeSeries
from analysis.pictures import record, style
from analysis.pictures.curves import known_errors
from analysis.uncertainty.number_text import scale_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run


FEWEST_FRAMES = 4
"""Each way must hold so many frames; a field that jumps is no ramp."""

_STEP = 1e-6  # a change between frames below this share of the largest field is none


def ways(field: NDArray[np.float64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell in which frames the field rises and in which it falls.

    Parameters
    ----------
    field : (n,) array
        Applied field of each frame in T.

    Returns
    -------
    tuple of (n,) bool arrays
        Frames at either end of an interval in which the field rises, and in which it falls; the
        turning point belongs to both.
    """
    change = np.diff(np.nan_to_num(field))
    least = _STEP * float(np.abs(np.nan_to_num(field)).max(initial=0.0))
    out = []
    for moved in (change > least, change < -least):
        frames = np.zeros(len(field), dtype=bool)
        frames[1:] |= moved
        frames[:-1] |= moved
        out.append(frames)
    return out[0], out[1]


def has_both_ways(measurement: Measurement) -> bool:
    """Whether the field of a run both rises and falls, gradually."""
    field = TimeSeries.among(measurement.curves).field_t
    if field.size < 2 * FEWEST_FRAMES or not np.isfinite(field).any():
        return False
    return all(int(frames.sum()) >= FEWEST_FRAMES for frames in ways(field))


@record.figure(
    "Way up and way down",
    "Mean chain length and magnetisation against the applied field, while it rises and while it "
    "falls. Where the film keeps up with the field both ways coincide; a gap is what it remembers. "
    "It closes when the field changes more slowly. Bands are one standard error.",
    wanted=has_both_ways,
)
def hysteresis(measurement: Measurement, run: Run) -> Figure:
    """Mean length and magnetisation against the field, one line for each way."""
    with style.publication():
        figure = style.new_figure(style.SINGLE_COLUMN, 105.0 * style.MILLIMETRE)
        if not has_both_ways(measurement):
            style.say_empty(
                figure.add_subplot(), "The field of this run does not both rise and fall gradually."
            )
            style.note_provisional(figure, run)
            return figure
        curve = TimeSeries.among(measurement.curves)
        scale = scale_for(float(np.nanmax(np.abs(curve.field_t))), "T")
        rows: Any = figure.subplots(2, 1, sharex=True)
        unknown = np.full(len(curve.time_s), np.nan)
        for axes, value, error, label in (
            (rows[0], curve.mean_length, curve.mean_length_error, "Mean chain length"),
            (rows[1], curve.magnetisation, unknown, "Magnetisation / saturation"),
        ):
            if np.isfinite(value).any():
                _draw_ways(axes, value, known_errors(error), curve.field_t, scale.factor)
            else:
                style.say_empty(axes, f"Not recorded: {label.lower()}.")
            axes.set_ylabel(label)
        rows[1].set_xlabel(scale.label("Applied field"))
        style.legend_above(rows[0])
        figure.align_ylabels()
        style.note_provisional(figure, run)
        return figure


def _draw_ways(
    axes: Axes,
    value: NDArray[np.float64],
    band: NDArray[np.float64],
    field: NDArray[np.float64],
    factor: float,
) -> None:
    """Draw one series on the way up and on the way down, broken where the field stands still."""
    for frames, colour, dashes, words in (
        (ways(field)[0], style.FIRST, (1.0, 0.0), "field rises"),
        (ways(field)[1], style.SECOND, (5.0, 1.5), "field falls"),
    ):
        x = np.where(frames, field * factor, np.nan)
        y = np.where(frames, value, np.nan)
        axes.fill_between(x, y - band, y + band, color=colour, alpha=0.2, linewidth=0)
        axes.plot(x, y, color=colour, dashes=dashes, linewidth=1.2, label=words)
