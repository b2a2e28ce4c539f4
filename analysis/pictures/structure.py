"""Figures of structure: chain lengths and distances between chains.

Each function makes one figure, one column of a page wide. A curve that could not be measured gives
a figure that says so in words.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.chains.length_distribution import ChainLengths
from analysis.pictures import record, style
from analysis.pictures.curves import finite_rows, known_errors, pooled_lengths
from analysis.pictures.order import line_words
from analysis.spacing.curves import (
    AxisCorrelation,
    NearestNeighbour,
    StructureFactorMap,
    StructureFactorRadial,
)
from analysis.spacing.line import StructureFactorLine
from analysis.uncertainty.number_text import (
    Scale,
    as_float,
    measured,
    scale_for,
    with_error,
    with_unit,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run


def has_lengths(measurement: Measurement) -> bool:
    """Say whether chains have lengths of their own; those of condensed films have none."""
    return not measurement.numbers.get("equilibration", {}).get("condensed")


@record.figure(
    "How long the chains are",
    "Share of chains of each length; a horizontal bar marks rare lengths taken together. On "
    "this logarithmic scale the geometric law, which "
    "belongs to chains that break and join at random, is a straight line.",
    wanted=has_lengths,
)
def chain_lengths(measurement: Measurement, run: Run) -> Figure:
    """Share of chains of each length, logarithmic, with the geometric law of the same mean."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.add_subplot()
        curve = ChainLengths.among(measurement.curves)
        length, share, error, theory = finite_rows(
            curve.length, curve.fraction_of_chains, curve.error, curve.theory
        )
        seen = share > 0
        if not seen.any():
            style.say_empty(axes, "No chain lengths: no chain was found in the frames measured.")
        else:
            _draw_lengths(axes, length[seen], share[seen], known_errors(error[seen]))
            lawful = np.isfinite(theory) & (theory > 0)
            if lawful.any():
                axes.plot(
                    length[lawful],
                    theory[lawful],
                    color=style.SECOND,
                    dashes=(5, 2),
                    label="geometric law, same mean",
                )
            _mark_value(axes, measured(measurement.numbers, "chains", "mean_length"), "mean")
            axes.set_xlabel("Chain length (particles)")
            axes.set_ylabel("Share of chains")
            style.legend_above(axes, first="simulated")
        style.note_provisional(figure, run)
        return figure


def _draw_lengths(
    axes: Axes,
    length: NDArray[np.float64],
    share: NDArray[np.float64],
    error: NDArray[np.float64],
) -> None:
    """Measured shares, rare lengths pooled, on a logarithmic axis whose floor ends their bars."""
    first, last, share, error = pooled_lengths(length, share, error)
    floor = 0.4 * float(share.min())
    axes.set_yscale("log")
    # A bar that would reach zero or below ends just above the floor of the axis.
    down = np.minimum(error, share - 0.5 * floor)
    axes.errorbar(
        0.5 * (first + last),
        share,
        xerr=0.5 * (last - first),
        yerr=np.stack([down, error]),
        fmt="o",
        color=style.FIRST,
        markersize=3.0,
        elinewidth=0.8,
        capsize=0.0,
        label="simulated",
        zorder=3,
    )
    axes.set_ylim(floor, 1.6 * float((share + error).max()))
    axes.set_xlim(0.0, 1.04 * float(last[-1]) + 1.0)
    axes.locator_params(axis="x", integer=True)


def _mark_value(
    axes: Axes, value: tuple[float, float], words: str, factor: float = 1.0, unit: str = ""
) -> None:
    """Vertical line at a measured value, with a band of one standard error, for the legend."""
    number, error = value
    if not math.isfinite(number):
        return
    if math.isfinite(error) and error > 0:
        axes.axvspan(
            (number - error) * factor,
            (number + error) * factor,
            color=style.MARK,
            alpha=0.18,
            linewidth=0,
        )
    axes.axvline(
        number * factor,
        color=style.MARK,
        linewidth=1.0,
        label=f"{words} {with_error(number, error, unit)}",
        zorder=1.5,
    )


@record.figure(
    "How far apart the chains are",
    "Distance from each chain to the nearest one beside it. The dotted line is the distance "
    "that follows from the amount of particles alone. Bars are one standard error.",
)
def nearest_neighbour(measurement: Measurement, run: Run) -> Figure:
    """Histogram of the distance from each chain to the nearest one beside it."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.add_subplot()
        curve = NearestNeighbour.among(measurement.curves)
        centre, density, error = finite_rows(curve.bin_centres_m, curve.density_per_m, curve.error)
        if centre.size < 2 or not (density > 0).any():
            style.say_empty(axes, "No distances between chains: too few chains stood side by side.")
        else:
            _draw_histogram(axes, centre, density, known_errors(error))
            scale = scale_for(float(centre.max()), "m")
            mean = measured(measurement.numbers, "spacing", "nearest_neighbour_m")
            _mark_value(axes, mean, "mean", scale.factor, "m")
            expected = as_float(run.derived.get("line_density_spacing_m"))
            if math.isfinite(expected):
                reach = axes.get_xlim()[1]
                axes.set_xlim(0.0, max(reach, 1.08 * expected * scale.factor))
                axes.axvline(
                    expected * scale.factor,
                    color=style.INK,
                    linewidth=1.0,
                    dashes=(1.5, 1.5),
                    label=f"from line density {with_unit(expected, 'm')}",
                )
            style.legend_above(axes)
        style.note_provisional(figure, run)
        return figure


def _draw_histogram(
    axes: Axes,
    centre: NDArray[np.float64],
    density: NDArray[np.float64],
    error: NDArray[np.float64],
) -> None:
    """Draw steps with error bars, from zero up to the last distance that occurs."""
    scale = scale_for(float(centre.max()), "m")
    half = 0.5 * np.diff(centre).min()
    edges = np.append(centre - half, centre[-1] + half) * scale.factor
    per_unit = 100.0 / scale.factor
    axes.stairs(
        density * per_unit,
        edges,
        fill=True,
        facecolor="#c4d5ea",
        edgecolor=style.FIRST,
        linewidth=0.9,
    )
    seen = density > 0
    axes.errorbar(
        centre[seen] * scale.factor,
        density[seen] * per_unit,
        yerr=error[seen] * per_unit,
        fmt="none",
        ecolor=style.INK,
        elinewidth=0.7,
        capsize=0.0,
    )
    axes.set_xlim(0.0, 1.08 * float(edges[1:][density > 2e-3 * density.max()].max()))
    axes.set_ylim(0.0, 1.12 * float(((density + error) * per_unit).max()))
    axes.set_xlabel(scale.label("Distance to the nearest chain"))
    axes.set_ylabel(f"Share of chains (% per {scale.unit})")


@record.figure(
    "The film looked through: both directions",
    "The same for every direction in the film plane. A streak across the chains means that "
    "they are long and parallel.",
)
def structure_factor_map(measurement: Measurement, run: Run) -> Figure:
    """Structure factor of the film seen from above, over both in-plane wave vectors."""
    with style.publication():
        figure = style.new_figure(style.SINGLE_COLUMN, 74.0 * style.MILLIMETRE)
        axes = figure.add_subplot()
        curve = StructureFactorMap.among(measurement.curves)
        qx, qy, s = curve.qx_per_m, curve.qy_per_m, curve.s
        if min(s.shape) < 2 or not np.isfinite(s[s > 0]).any():
            style.say_empty(axes, "No structure factor: too few frames or particles.")
        else:
            _draw_map(figure, axes, qx, qy, s)
            _frame_map(axes, qx, qy, measured(measurement.numbers, "spacing", "structure_factor_m"))
        style.note_provisional(figure, run)
        return figure


def _draw_map(
    figure: Figure,
    axes: Axes,
    qx: NDArray[np.float64],
    qy: NDArray[np.float64],
    s: NDArray[np.float64],
) -> None:
    """Logarithmic map without the forward peak, which only counts the particles."""
    from matplotlib.colors import LogNorm
    from matplotlib.ticker import LogLocator, NullFormatter

    shown = np.where(s > 0, s, np.nan)
    shown[np.ix_(np.abs(qy) < 1e-9 * np.abs(qy).max(), np.abs(qx) < 1e-9 * np.abs(qx).max())] = (
        np.nan
    )
    finite = shown[np.isfinite(shown)]
    low, high = np.percentile(finite, [5.0, 99.8]) if finite.size else (0.1, 1.0)
    if not high > low:
        low, high = 0.5 * low, 2.0 * low
    scale = scale_for(float(max(np.abs(qx).max(), np.abs(qy).max())), "1/m")
    image = axes.pcolormesh(
        qx * scale.factor,
        qy * scale.factor,
        shown,
        norm=LogNorm(low, high),
        cmap=style.COLOUR_MAP,
        shading="nearest",
        rasterized=True,
    )
    axes.set_facecolor("white")
    axes.set_aspect("equal")
    axes.tick_params(direction="out", top=False, right=False)
    axes.set_xlabel(f"$q_x$ ({scale.unit})")
    axes.set_ylabel(f"$q_y$ ({scale.unit})")
    bar = figure.colorbar(image, ax=axes, shrink=0.9, pad=0.02, extend="both")
    bar.set_label("Structure factor S")
    bar.ax.tick_params(direction="out")
    bar.ax.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if high < 99 * low else (1.0,)))
    bar.ax.yaxis.set_major_formatter("{x:g}")
    bar.ax.yaxis.set_minor_formatter(NullFormatter())


def _frame_map(
    axes: Axes,
    qx: NDArray[np.float64],
    qy: NDArray[np.float64],
    peak: tuple[float, float],
) -> None:
    """Cut the map to a square that holds the peak, where one axis reaches further."""
    factor = scale_for(float(max(np.abs(qx).max(), np.abs(qy).max())), "1/m").factor
    reach = float(min(np.abs(qx).max(), np.abs(qy).max()))
    if math.isfinite(peak[0]) and peak[0] > 0:
        reach = max(reach, 1.6 * 2.0 * math.pi / peak[0])
    for q, set_limits in ((qx, axes.set_xlim), (qy, axes.set_ylim)):
        edge = min(reach, float(np.abs(q).max()) + 0.5 * float(np.diff(q).max()))
        set_limits(-edge * factor, edge * factor)


@record.figure(
    "The film looked through: across the chains",
    "Structure factor of the particles projected along z. A peak at wave number q stands for a "
    "repeat distance of 2π/q. Light is diffracted by it only if that distance exceeds the "
    "wavelength. The band is one standard error.",
)
def structure_factor_radial(measurement: Measurement, run: Run) -> Figure:
    """Structure factor across the chains, its peak marked with the distance it stands for."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.add_subplot()
        curve = StructureFactorRadial.among(measurement.curves)
        q, s, error = finite_rows(curve.q_per_m, curve.s, curve.error)
        q, s, error = q[q > 0], s[q > 0], known_errors(error[q > 0])
        if q.size < 2:
            style.say_empty(axes, "No structure factor: too few frames or particles.")
        else:
            scale = scale_for(float(q.max()), "1/m")
            x = q * scale.factor
            axes.fill_between(x, s - error, s + error, color="#c4d5ea", linewidth=0)
            axes.plot(x, s, color=style.FIRST, marker="o", markersize=2.2, linewidth=0.9)
            axes.set_xlim(0.0, 1.02 * float(x.max()))
            axes.set_ylim(0.0, 1.15 * float((s + error).max()))
            axes.set_xlabel(scale.label("Wave number q"))
            axes.set_ylabel("Structure factor S(q)")
            line = StructureFactorLine.among(measurement.curves)
            if line.q_per_m.size:
                words = line_words(measurement)
                axes.plot(line.q_per_m * scale.factor, line.s, color=style.SECOND, label=words)
            _mark_peak(axes, measured(measurement.numbers, "spacing", "structure_factor_m"), scale)
        style.note_provisional(figure, run)
        return figure


def _mark_peak(axes: Axes, value: tuple[float, float], scale: Scale) -> None:
    """Line at q = 2 pi / distance, with the distance in words above the axes."""
    distance, error = value
    if not math.isfinite(distance) or distance <= 0:
        axes.set_title("no peak found", loc="left", fontsize=7.0, color=style.QUIET)
        return
    at = 2.0 * math.pi / distance * scale.factor
    if math.isfinite(error) and error > 0:
        spread = at * error / distance
        axes.axvspan(at - spread, at + spread, color=style.MARK, alpha=0.18, linewidth=0)
    words = f"peak at 2π/q = {with_error(distance, error, 'm')}"
    axes.axvline(at, color=style.MARK, linewidth=1.0, label=words, zorder=1.5)
    style.legend_above(axes)


@record.figure(
    "Order between the chains",
    "How much more often than by chance a second chain is found at each distance. A flat line "
    "at 1 means no order. The band is one standard error.",
)
def axis_correlation(measurement: Measurement, run: Run) -> Figure:
    """Pair correlation of chain axes: how much likelier a second chain is at each distance."""
    with style.publication():
        figure = style.new_figure()
        axes = figure.add_subplot()
        curve = AxisCorrelation.among(measurement.curves)
        distance, g, error = finite_rows(curve.distance_m, curve.g, curve.error)
        if distance.size < 2:
            style.say_empty(axes, "No pair correlation: too few chains stood side by side.")
        else:
            error = known_errors(error)
            scale = scale_for(float(distance.max()), "m")
            x = distance * scale.factor
            axes.axhline(
                1.0, color=style.QUIET, linewidth=0.8, dashes=(5, 3), label="places at random"
            )
            axes.fill_between(x, g - error, g + error, color="#c4d5ea", linewidth=0)
            axes.plot(x, g, color=style.FIRST, marker="o", markersize=2.2, linewidth=0.9)
            axes.set_xlim(0.0, float(x.max()))
            axes.set_ylim(0.0, 1.15 * max(float((g + error).max()), 1.2))
            axes.set_xlabel(scale.label("Distance between chain axes"))
            axes.set_ylabel("Pair correlation g")
            peak = measured(measurement.numbers, "spacing", "axis_correlation_m")
            _mark_value(axes, peak, "first peak", scale.factor, "m")
            style.legend_above(axes)
        style.note_provisional(figure, run)
        return figure
