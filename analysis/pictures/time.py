"""Figures over time: growth of the chains, and the run from start to end with its field."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.chains.time_series import TimeSeries
from analysis.pictures import record, style
from analysis.pictures.curves import finite_rows, known_errors
from analysis.uncertainty.number_text import Scale, measured, scale_for, with_error

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

_CHANGES = 0.01  # a field that varies by less than this share of its largest value is steady


def has_times(measurement: Measurement) -> bool:
    """Whether times belong to the frames: not to the sweeps of a sampled run."""
    return bool(measurement.numbers.get("derived", {}).get("dynamics") != "monte_carlo")


@record.figure(
    "How the chains grow",
    "Mean length, for which every chain counts once, and weight mean length, that of the chain "
    "which an average particle is in, over time on logarithmic scales. Bands are one standard "
    "error. Where the applied field changes it is drawn below.",
    wanted=has_times,
)
def growth(measurement: Measurement, run: Run) -> Figure:
    """Mean chain length over time, both axes logarithmic, with the field below where it changes."""
    with style.publication():
        curve = TimeSeries.among(measurement.curves)
        time, field = finite_rows(curve.time_s, curve.field_t)
        changing = _is_changing(field)
        height = 78.0 if changing else 62.0
        figure = style.new_figure(style.SINGLE_COLUMN, height * style.MILLIMETRE)
        axes, below = _panels(figure, changing)
        drawn = _draw_growth(axes, measurement)
        if not drawn:
            style.say_empty(
                axes,
                "No growth curve: fewer than two frames after the start hold chain lengths.",
            )
        if below is not None:
            scale = scale_for(float(time.max()), "s")
            _draw_field(below, time, field, scale, logarithmic=drawn)
            below.set_xlabel(axes.get_xlabel())
            axes.set_xlabel("")
            below.set_xlim(axes.get_xlim())
            axes.tick_params(labelbottom=False)
        style.note_provisional(figure, run)
        return figure


def _is_changing(field: NDArray[np.float64]) -> bool:
    """Whether the applied field takes more than one value during the run."""
    return bool(field.size > 1 and np.ptp(field) > _CHANGES * np.abs(field).max())


def _panels(figure: Figure, two: bool) -> tuple[Axes, Axes | None]:
    """One panel, or two above each other with the lower one a quarter as high."""
    if not two:
        return figure.add_subplot(), None
    upper, lower = figure.subplots(2, 1, height_ratios=(4, 1))
    return upper, lower


def _draw_growth(axes: Axes, measurement: Measurement) -> bool:
    """Draw number and weight mean against time; False where there is too little to draw."""
    curve = TimeSeries.among(measurement.curves)
    time, unknown = curve.time_s, np.full(len(curve.time_s), np.nan)
    drawn = False
    largest = 0.0
    for mean, spread, words, colour, dashes, marker in (
        (curve.mean_length, curve.mean_length_error, "mean length", style.FIRST, (), "o"),
        (curve.weight_mean_length, unknown, "weight mean length", style.SECOND, (5, 2), "s"),
    ):
        t, value, error = finite_rows(time, mean, spread)
        late = (t > 0) & (value > 0)
        if late.sum() < 2:
            continue
        drawn, largest = True, max(largest, float(t[late].max()))
        scale = scale_for(float(time[np.isfinite(time)].max()), "s")
        t, value, error = t[late] * scale.factor, value[late], known_errors(error[late])
        if error.any():
            low = np.maximum(value - error, 0.2 * value)
            axes.fill_between(t, low, value + error, color=colour, alpha=0.22, linewidth=0)
        few = _spread_over_decades(t)
        axes.plot(t, value, color=colour, dashes=dashes or (None, None), linewidth=1.0)
        axes.plot(t[few], value[few], marker, color=colour, markersize=3.2, label=words)
        axes.set_xlabel(scale.label("Time"))
    if drawn:
        axes.set_xscale("log")
        axes.set_yscale("log")
        _plain_numbers(axes)
        axes.set_ylabel("Chain length (particles)")
        axes.plot([], [], " ", label=_exponent(measurement))
        style.legend_above(axes)
    return drawn


def _spread_over_decades(time: NDArray[np.float64]) -> NDArray[np.int_]:
    """Pick markers about evenly apart on a logarithmic axis, twelve to a decade."""
    slot = np.floor(12.0 * np.log10(time / time.min()))
    return np.unique(slot, return_index=True)[1]


def _plain_numbers(axes: Axes) -> None:
    """Chain lengths as 1, 2, 5, 10 instead of powers of ten."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    low, high = axes.get_ylim()
    axes.set_ylim(max(0.9 * low, 0.5), 1.1 * high)
    axes.yaxis.set_major_locator(LogLocator(base=10, subs=(1.0, 2.0, 5.0)))
    axes.yaxis.set_minor_formatter(NullFormatter())
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


def _exponent(measurement: Measurement) -> str:
    """Say the fitted exponent of growth, or that the run spans too little time for one."""
    value, error = measured(measurement.numbers, "relaxation", "growth_exponent")
    if math.isfinite(value):
        return f"growth exponent {with_error(value, error)}"
    return "no growth exponent quoted"


def _draw_field(
    axes: Axes,
    time: NDArray[np.float64],
    field: NDArray[np.float64],
    scale: Scale,
    *,
    logarithmic: bool,
) -> None:
    """Strip with the applied field over time."""
    strength = scale_for(float(np.abs(field).max()), "T")
    shown = time > 0 if logarithmic else np.ones(time.shape, dtype=bool)
    axes.fill_between(
        time[shown] * scale.factor, field[shown] * strength.factor, color=style.FAINT, linewidth=0
    )
    axes.plot(
        time[shown] * scale.factor, field[shown] * strength.factor, color=style.INK, linewidth=0.9
    )
    if logarithmic:
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
    axes.set_ylabel(f"B ({strength.unit})")
    axes.locator_params(axis="y", nbins=3)


def _abscissa(curve: TimeSeries) -> tuple[NDArray[np.float64], Scale]:
    """Return the times of the frames and their scale; of a sampled run its sweeps."""
    known = curve.time_s[np.isfinite(curve.time_s)]
    if not known.size:
        return np.asarray(curve.step, dtype=np.float64), Scale(1.0, "")
    return curve.time_s, scale_for(float(known.max()), "s")


@record.figure(
    "The run from start to end",
    "Magnetisation, alignment and share of single particles; energies per particle in units "
    "of kT; the applied field.",
)
def time_series(measurement: Measurement, run: Run) -> Figure:
    """Magnetisation, alignment, singles, energies per particle and the field over the whole run."""
    with style.publication():
        curve = TimeSeries.among(measurement.curves)
        panels: list[tuple[str, dict[str, NDArray[np.float64]]]] = [
            (
                "Share, order",
                {
                    "magnetisation": curve.magnetisation,
                    "alignment": curve.alignment,
                    "singles": curve.singles_fraction,
                },
            ),
            ("Dipolar\nenergy (kT)", {"dipolar energy": curve.energy_dipolar}),
            ("Steric\nenergy (kT)", {"steric energy": curve.energy_steric}),
        ]
        figure = style.new_figure(style.SINGLE_COLUMN, 120.0 * style.MILLIMETRE)
        time, scale = _abscissa(curve)
        if np.isfinite(time).sum() < 2:
            style.say_empty(figure.add_subplot(), "No time series: the run holds a single frame.")
            style.note_provisional(figure, run)
            return figure
        field = finite_rows(time, curve.field_t)
        rows = figure.subplots(4, 1, sharex=True, height_ratios=(2.2, 1.4, 1.4, 0.8))
        for axes, (label, series) in zip(rows, panels, strict=False):
            _draw_series(axes, time, scale, label, series)
        if field[0].size > 1:
            _draw_field(rows[-1], field[0], field[1], scale, logarithmic=False)
        else:
            style.say_empty(rows[-1], "The run records no field.")
        _finish_time_axis(rows, time, scale)
        figure.align_ylabels()
        style.note_provisional(figure, run)
        return figure


def _draw_series(
    axes: Axes,
    time: NDArray[np.float64],
    scale: Scale,
    label: str,
    series: dict[str, NDArray[np.float64]],
) -> None:
    """Lines of one panel; words where none of them was recorded."""
    looks: list[dict[str, Any]] = [
        {"color": style.FIRST},
        {"color": style.SECOND, "dashes": (5, 1.5)},
        {"color": style.THIRD, "dashes": (1.5, 1.2)},
    ]
    drawn = 0
    for (words, values), look in zip(series.items(), looks, strict=False):
        t, value = finite_rows(time, values)
        if t.size > 1:
            axes.plot(t * scale.factor, value, label=words, **look)
            drawn += 1
    if drawn:
        axes.set_ylabel(label)
        axes.margins(y=0.12)
        if drawn > 1:
            axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, columnspacing=1.4)
    else:
        style.say_empty(axes, f"Not recorded: {', '.join(series)}.")


def _finish_time_axis(rows: Any, time: NDArray[np.float64], scale: Scale) -> None:
    """Put a common time axis at the foot of the stack."""
    rows[-1].set_xlim(0.0, float(time[np.isfinite(time)].max()) * scale.factor)
    rows[-1].set_xlabel(scale.label("Time") if scale.unit else "Sweep")
