"""Figures of a bottle: magnetisation, spectrum, sizes, and what its sheet cannot tell apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.pictures import record, style
from analysis.uncertainty.number_text import Scale, scale_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.fluid.bottle import Band, Bottle, CurveFit, Shown


@record.figure(
    "Magnetisation",
    "Measured points with their errors; the fluid that fits best, with interactions of second "
    "order, in the band of all that fit (95 %); dashed, the same if particles did not feel each "
    "other.",
    wanted=lambda bottle: bottle.curve is not None,
)
def magnetisation_curve(bottle: Bottle) -> Figure:
    """Draw the magnetisation curve and its fit."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        if (curve := bottle.curve) is not None:
            across, up = (scale_for(float(v.max()), "A/m") for v in (curve.x, curve.y))
            _curve(axes, curve, across.factor, up.factor, "measured", style.INK)
            axes.plot(
                curve.fit.x * across.factor, curve.alone * up.factor,
                color=style.QUIET, linestyle="--", linewidth=0.9, label="without interactions",
            )  # fmt: skip
            axes.set_xlabel(across.label("Field H in the fluid"))
            axes.set_ylabel(up.label("Magnetisation M"))
        axes.set_xscale("log")
        axes.set_ylim(bottom=0.0)
        axes.legend(loc="upper left")
        return figure


def _curve(axes: Axes, curve: CurveFit, across: float, up: float, words: str, points: str) -> None:
    """Draw measured points in one colour, and their fit in the same or, of black ones, in blue."""
    fit, colour = curve.fit, style.FIRST if points == style.INK else points
    axes.fill_between(
        fit.x * across, fit.low * up, fit.high * up, color=colour, alpha=0.2, linewidth=0.0
    )
    axes.plot(fit.x * across, fit.best * up, color=colour)
    axes.errorbar(
        curve.x * across, curve.y * up, curve.error * up, color=points, ecolor=style.QUIET,
        linestyle="none", marker="o", markersize=2.4, label=words,
    )  # fmt: skip


@record.figure(
    "Susceptibility in an alternating field",
    "Measured real part and loss over the frequency, and the fluids that fit as bands (95 %): "
    "particles turn as a whole (Brown) or their moments inside them (Neel).",
    wanted=lambda bottle: bottle.real is not None,
)
def susceptibility_spectrum(bottle: Bottle) -> Figure:
    """Draw both parts of the spectrum and their fit."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        for curve, colour, words in (
            (bottle.real, style.FIRST, "real part"), (bottle.loss, style.SECOND, "loss"),
        ):  # fmt: skip
            if curve is not None:
                _curve(axes, curve, 1.0, 1.0, words, colour)
        axes.set_xscale("log")
        axes.set_xlabel("Frequency (Hz)")
        axes.set_ylabel("Susceptibility")
        axes.legend()
        return figure


@record.figure(
    "Sizes of the cores",
    "Diameters of the cores, dead layer included, counted by number and by volume: the fluid that "
    "fits best, in the band of all that fit (95 %).",
)
def core_sizes(bottle: Bottle) -> Figure:
    """Draw the law of sizes by number and by volume."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.subplots()
        scale = scale_for(float(bottle.by_number.x.max()), "m")
        for band, colour, words, line in (
            (bottle.by_number, style.FIRST, "by number", "-"),
            (bottle.by_volume, style.SECOND, "by volume", "--"),
        ):
            _sizes(axes, band, scale.factor, colour, words, line)
        axes.set_xlabel(scale.label("Core diameter"))
        axes.set_ylabel(f"Share per {scale.unit}")
        axes.set_ylim(bottom=0.0)
        axes.legend()
        return figure


def _sizes(axes: Axes, band: Band, scale: float, colour: str, words: str, line: str) -> None:
    x = band.x * scale
    axes.fill_between(
        x, band.low / scale, band.high / scale, color=colour, alpha=0.2, linewidth=0.0
    )
    axes.plot(x, band.best / scale, color=colour, linestyle=line, label=words)
    axes.set_xlim(float(x[0]), float(x[-1]))


@record.figure(
    "What the sheet tells, and what it cannot tell apart",
    "Each dot is a fluid that fits the sheet, rings are those of the ensemble. A slanted cloud: "
    "more of the one makes up for more or less of the other. The bars show how often a value "
    "occurs among the fluids that fit.",
    wide=True,
)
def unknown_pairs(bottle: Bottle) -> Figure:
    """Draw all fluids that fit, for each two unknowns."""
    count = len(bottle.unknowns)
    with style.publication():
        figure = style.new_figure(style.DOUBLE_COLUMN, 150.0 * style.MILLIMETRE)
        grid = figure.subplots(count, count, squeeze=False)
        for row, upward in enumerate(bottle.unknowns):
            for column, across in enumerate(bottle.unknowns):
                axes = grid[row][column]
                if column > row:
                    axes.set_visible(False)
                    continue
                _pair(axes, across, upward, column == row)
                axes.label_outer()
                if row == count - 1:
                    axes.set_xlabel(_scale(across).label(_short(across)))
                if column == 0 and row > 0:
                    axes.set_ylabel(_scale(upward).label(_short(upward)))
        return figure


def _pair(axes: Axes, across: Shown, upward: Shown, is_same: bool) -> None:
    """Draw one panel: bars of one unknown, or dots of two."""
    scale = _scale(across)
    low, high = np.quantile(across.likely, [0.001, 0.999]) * scale.factor
    margin = 0.06 * max(high - low, 1e-9)
    if is_same:
        axes.hist(across.likely * scale.factor, bins=24, color=style.FIRST, alpha=0.6)
        axes.set_yticks([])
        axes.plot(
            across.members * scale.factor, np.zeros_like(across.members), "|", color=style.MARK,
            markersize=8, clip_on=False,
        )  # fmt: skip
    else:
        other = _scale(upward)
        axes.plot(
            across.likely * scale.factor, upward.likely * other.factor, ".", color=style.FIRST,
            markersize=1.6, alpha=0.5, rasterized=True,
        )  # fmt: skip
        axes.plot(
            across.members * scale.factor, upward.members * other.factor, "o", color=style.MARK,
            markersize=3.6, markerfacecolor="none", markeredgewidth=0.8,
        )  # fmt: skip
    axes.set_xlim(low - margin, high + margin)
    axes.locator_params(axis="x", nbins=4)
    axes.tick_params(top=False, right=False)


def _scale(shown: Shown) -> Scale:
    if not shown.unit:  # a plain number has no prefix
        return Scale(1.0, "")
    return scale_for(float(np.abs(shown.likely).max()), shown.unit)


def _short(shown: Shown) -> str:
    return shown.words.replace("magnetic volume fraction", "fraction")


FIGURES = {
    one.name: one
    for one in (magnetisation_curve, susceptibility_spectrum, core_sizes, unknown_pairs)
}
"""Figures of a bottle by name, in the order of the page."""
