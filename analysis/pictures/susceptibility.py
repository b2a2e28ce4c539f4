"""Figure of the complex susceptibility: fluctuations, the answer to a swing, and Debye's law."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.pictures import record, style
from analysis.response.susceptibility_numbers import Susceptibility
from analysis.uncertainty.number_text import scale_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run


def has_spectrum(measurement: Measurement) -> bool:
    """Whether a susceptibility was measured at any frequency."""
    return Susceptibility.among(measurement.curves).frequency_hz.size > 0


@record.figure(
    "Susceptibility by frequency",
    "How strongly the film answers a weak field that swings: the part in step with the field, and "
    "the part that trails it and turns into heat. Points come from the fluctuations of the film at "
    "rest, large rings from its answer to the oscillating field of this run; both must agree. "
    "Lines are a single relaxation time (Debye). Bars are one standard error.",
    wanted=has_spectrum,
)
def susceptibility(measurement: Measurement, run: Run) -> Figure:
    """Parts in phase and behind against frequency, with errors and the Debye law."""
    with style.publication():
        figure = style.new_figure(style.SINGLE_COLUMN, 70.0 * style.MILLIMETRE)
        axes = figure.add_subplot()
        if not has_spectrum(measurement):
            style.say_empty(axes, "No susceptibility was measured.")
            style.note_provisional(figure, run)
            return figure
        curve = Susceptibility.among(measurement.curves)
        driven = np.array([source != "fluctuations" for source in curve.source])
        frequency = curve.frequency_hz
        scale = scale_for(float(frequency.max()), "Hz")
        for part, words, colour, marker in (
            ("in_phase", "in phase, χ′", style.FIRST, "o"),
            ("behind", "behind, χ″", style.SECOND, "s"),
        ):
            _draw_part(axes, curve, part, frequency * scale.factor, driven, colour, marker)
            axes.plot([], [], marker, color=colour, label=words)
        if (~driven).any():
            axes.plot([], [], color=style.QUIET, label="one relaxation time (Debye)")
        if driven.any():
            axes.plot([], [], "o", mfc="none", ms=7, color=style.INK, label="oscillating field")
        axes.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
        axes.set_xlabel(scale.label("Frequency"))
        axes.set_ylabel("Susceptibility (SI)")
        style.legend_above(axes)
        style.note_provisional(figure, run)
        return figure


def _draw_part(
    axes: Axes,
    curve: Susceptibility,
    part: str,
    frequency: NDArray[np.float64],
    driven: NDArray[np.bool_],
    colour: str,
    marker: str,
) -> None:
    """Draw one part: points with bars, the law, and rings for the answer to a swing."""
    value, error, law = curve[part], curve[f"{part}_error"], curve[f"debye_{part}"]
    rest = ~driven
    axes.errorbar(
        frequency[rest], value[rest], error[rest], fmt=marker, color=colour, linewidth=0.8, ms=3
    )
    axes.plot(frequency[rest], law[rest], color=colour, linewidth=0.9, alpha=0.7)
    axes.errorbar(
        frequency[driven], value[driven], error[driven], fmt=marker, color=colour, mfc="none",
        ms=7, linewidth=1.0,
    )  # fmt: skip
