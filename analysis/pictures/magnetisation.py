"""Figure of the magnetisation law of the run's sizes, with what was measured."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.pictures import record, style
from analysis.pictures.curves import finite_rows
from analysis.response.magnetisation import MagnetisationLaw
from analysis.uncertainty.number_text import with_error

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run


@record.figure(
    "Magnetisation",
    "The curve is the Langevin law: the particle sizes of this run, if they did not feel each "
    "other. A point above it shows that chains help the field.",
)
def magnetisation_law(measurement: Measurement, run: Run) -> Figure:
    """Langevin law for the sizes of this run, with the magnetisation that was measured."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.add_subplot()
        curve = MagnetisationLaw.among(measurement.curves)
        parameter, relative = finite_rows(curve.langevin_parameter, curve.relative)
        shown = parameter > 0
        point = (curve.measured_langevin_parameter, curve.measured, curve.measured_error)
        if not shown.any():
            style.say_empty(axes, "No magnetisation law: the run records no moments or no field.")
        else:
            axes.plot(
                parameter[shown],
                relative[shown],
                color=style.SECOND,
                label="Langevin law",
            )
            _draw_measured_point(axes, *point)
            axes.set_xscale("log")
            # Beginning a little earlier keeps the numbers of the two axes apart at the corner.
            axes.set_xlim(0.8 * float(parameter[shown].min()), float(parameter[shown].max()))
            axes.set_ylim(min(0.0, 1.2 * point[1] if point[1] < 0 else 0.0), 1.06)
            axes.set_xlabel("Langevin parameter mB/kT of the median particle")
            axes.set_ylabel("Magnetisation / saturation")
            axes.xaxis.set_major_formatter("{x:g}")
            style.legend_above(axes, first="simulated")
        style.note_provisional(figure, run)
        return figure


def _draw_measured_point(axes: Axes, parameter: float, value: float, error: float) -> None:
    """Measured magnetisation with its error; words where no place on the axis stands for it."""
    if not (math.isfinite(parameter) and math.isfinite(value)):
        return
    if parameter <= 0:  # a logarithmic axis has no zero
        axes.plot([], [], " ", label=f"simulated, field off: {with_error(value, error)}")
        return
    axes.errorbar(
        [parameter],
        [value],
        yerr=[error if math.isfinite(error) and error > 0 else 0.0],
        fmt="o",
        color=style.FIRST,
        markersize=5.0,
        elinewidth=1.0,
        capsize=2.5,
        label=f"simulated {with_error(value, error)}",
        zorder=3,
    )
