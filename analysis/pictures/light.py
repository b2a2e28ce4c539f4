"""Figures of light: the projected film at optical resolution, and the far field on angle axes."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.optics.curves import FarField, OpticalThickness
from analysis.optics.optical_series import OpticalSeries
from analysis.pictures import record, style
from analysis.uncertainty.number_text import scale_for, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

MOST_PANELS = 3
"""Wavelengths that get a map of their own."""

FEWEST_POINTS = 3
"""Orders across the chains from which on a curve is drawn."""

COLOURS = (style.FIRST, style.SECOND, style.THIRD)
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.5, 1.5)))


def has_light(kind: type[OpticalThickness] | type[FarField], measurement: Measurement) -> bool:
    """Whether a measurement has this curve of light."""
    return bool(kind.among(measurement.curves).wavelengths)


@record.figure(
    "The film as light meets it",
    "Above or left: the path through particles along z. Below or right: the optical path "
    "beyond that of the liquid, without what is finer than the numerical aperture resolves; of "
    "beads with the error of the law of mixing.",
    wide=True,
    wanted=partial(has_light, OpticalThickness),
)
def optical_thickness(measurement: Measurement, run: Run) -> Figure:
    """Projected particles of the last frame, sharp and as an aperture resolves them."""
    with style.publication():
        maps = OpticalThickness.among(measurement.curves)
        tall = float(run.sides[1]) > 0.8 * float(run.sides[0])
        panels = (1, 2) if tall else (2, 1)
        shape = float(run.sides[1] / run.sides[0])
        height = 0.42 * style.DOUBLE_COLUMN * shape if tall else 1.7 * style.DOUBLE_COLUMN * shape
        height = min(max(height + 12.0 * style.MILLIMETRE, 55.0 * style.MILLIMETRE), 6.5)
        figure = style.new_figure(style.DOUBLE_COLUMN, height)
        axes = figure.subplots(*panels, sharex=True, sharey=True)
        extent = run.sides
        sharp = maps.particle_thickness_m
        _map(figure, axes[0], sharp, extent, "Particles", "Path through particles")
        one = maps.wavelengths[0]
        wavelength = with_unit(one["wavelength_m"], "m")
        unsure = ""
        if "path_error_m" in one:  # a share of the path, the same at every place
            share = float(one["path_error_m"].max() / np.abs(one["path_m"]).max())
            unsure = f" ± {100 * share:.2g} %"
        _map(
            figure,
            axes[1],
            one["path_m"],
            extent,
            f"As light of {wavelength} resolves them{unsure}",
            "Optical path",
        )
        scale = scale_for(float(extent[0]), "m")
        axes[1].set_xlabel(scale.label("x"))
        axes[0].set_ylabel(scale.label("y"))
        (axes[0].set_xlabel if tall else axes[1].set_ylabel)(scale.label("x" if tall else "y"))
        style.note_provisional(figure, run)
        return figure


def _map(
    figure: Figure,
    axes: Axes,
    values: NDArray[np.float64],
    sides: NDArray[np.float64],
    title: str,
    label: str,
) -> None:
    """One map of the patch, to scale."""
    place = scale_for(float(sides[0]), "m")
    height = scale_for(float(np.abs(values).max()), "m")
    image = axes.imshow(
        values * height.factor,
        origin="lower",
        extent=(0.0, sides[0] * place.factor, 0.0, sides[1] * place.factor),
        cmap=style.COLOUR_MAP,
        interpolation="nearest",
        aspect="equal",
    )
    axes.set_title(title, loc="left")
    axes.tick_params(direction="out", top=False, right=False)
    bar = figure.colorbar(image, ax=axes, pad=0.015, aspect=14 if sides[0] > sides[1] else 28)
    bar.set_label(height.label(label))
    bar.ax.tick_params(direction="out")


@record.figure(
    "Light behind the film",
    "Light scattered out of a beam that comes along z, by direction, in the picture of a thin "
    "phase and absorption grating (Fraunhofer). Each cell is an order of the repeating patch; "
    "the circle is the aperture, the cross the direct beam, which is left out. Below: across "
    "the chains; bands are one standard error, that of speckle and, of beads, of the law of "
    "mixing.",
    wide=True,
    wanted=partial(has_light, FarField),
)
def far_field(measurement: Measurement, run: Run) -> Figure:
    """Scattered light on angle axes for each wavelength, and across the chains."""
    with style.publication():
        field = FarField.among(measurement.curves)
        found = field.wavelengths[:MOST_PANELS]
        curved = any((one["profile"]["per_sr"] > 0).sum() >= FEWEST_POINTS for one in found)
        height = 52.0 if len(found) == MOST_PANELS else 66.0
        both = (height + (54.0 if curved else 6.0)) * style.MILLIMETRE
        figure = style.new_figure(style.DOUBLE_COLUMN, both)
        upper, lower = figure.subfigures(  # type: ignore[misc]
            2, 1, height_ratios=(height, 54.0 if curved else 6.0)
        )
        panels = upper.subplots(1, len(found), squeeze=False)[0]
        light = np.concatenate([one["orders"].per_sr for one in found])
        light = light[np.isfinite(light) & (light > 0)]
        for axes, one in zip(panels, found, strict=True):
            image = _pattern(axes, one, field, light)
        panels[0].set_ylabel("Angle in the plane y–z (deg)")
        if light.size:
            bar = upper.colorbar(image, ax=list(panels), pad=0.015, aspect=16)
            bar.set_label("Scattered light (1/sr)")
            bar.ax.tick_params(direction="out")
        if curved:
            _profiles(lower.add_subplot(), found, field)
        else:
            words = f"within the aperture this patch has fewer than {FEWEST_POINTS} orders across"
            lower.text(
                0.5, 0.5, f"No curve across the chains: {words} them.",
                ha="center", va="center", color=style.QUIET, fontsize=7.0,
            )  # fmt: skip
        style.note_provisional(figure, run)
        return figure


def _pattern(axes: Axes, one: dict[str, Any], field: FarField, light: NDArray[np.float64]) -> Any:
    """Light of one wavelength: each order of the patch fills its share of the directions."""
    from matplotlib.colors import LogNorm

    orders = one["orders"]
    steps = [np.round(s / c).astype(int) for s, c in zip(
        (orders.sine_x, orders.sine_y), orders.cells, strict=True)]  # fmt: skip
    most = [int(np.abs(step).max(initial=0)) for step in steps]
    grid = np.full((2 * most[1] + 1, 2 * most[0] + 1), np.nan)
    grid[steps[1] + most[1], steps[0] + most[0]] = orders.per_sr
    # Axes are even in the sine, as the orders are; the numbers on them are angles.
    edges = [
        (np.arange(2 * m + 2) - m - 0.5) * cell for m, cell in zip(most, orders.cells, strict=True)
    ]
    high = float(light.max()) if light.size else 1.0
    low = max(float(np.percentile(light, 5.0)) if light.size else 0.1, 1e-6 * high)
    image = axes.pcolormesh(
        edges[0],
        edges[1],
        np.where(grid > 0, grid, np.nan),
        norm=LogNorm(low, high if high > low else 2 * low),
        cmap=style.COLOUR_MAP,
        rasterized=True,
    )
    rim = min(1.0, field.aperture / field.outer_index)
    turn = np.linspace(0.0, 2 * math.pi, 361)
    axes.plot(rim * np.cos(turn), rim * np.sin(turn), color=style.QUIET, linewidth=0.8)
    axes.plot([0.0], [0.0], marker="+", color=style.MARK, markersize=5.0)
    _angle_axes(axes, rim)
    axes.tick_params(direction="out", top=False, right=False)
    axes.set_xlabel("Angle in the plane x–z (deg)")
    axes.set_title(with_unit(one["wavelength_m"], "m"), loc="left")
    return image


def _angle_axes(axes: Axes, rim: float) -> None:
    """Square axes in the sine of the angle with round angles for numbers."""
    reach = math.degrees(math.asin(rim))
    step = next(s for s in (30.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2) if s < 0.6 * reach or s < 1)
    angles = np.arange(-math.floor(reach / step), math.floor(reach / step) + 1) * step
    for axis, limit in ((axes.xaxis, axes.set_xlim), (axes.yaxis, axes.set_ylim)):
        axis.set_ticks(np.sin(np.radians(angles)), [f"{a:g}".replace("-", "−") for a in angles])
        limit(-1.05 * rim, 1.05 * rim)
    axes.set_aspect("equal")


def _profiles(axes: Axes, found: list[dict[str, Any]], field: FarField) -> None:
    """Scattered light against the angle across the chains, one line per wavelength."""
    top, bottom = 0.0, math.inf
    for one, colour, dash in zip(found, COLOURS, DASHES, strict=False):
        profile = one["profile"]
        angle, light, error = (profile[k] for k in ("angle_deg", "per_sr", "error"))
        shown = light > 0
        if shown.sum() < FEWEST_POINTS:
            continue
        angle, light, error = angle[shown], light[shown], error[shown]
        down = np.maximum(light - error, 0.1 * light)
        axes.fill_between(angle, down, light + error, color=colour, alpha=0.15, linewidth=0)
        axes.plot(
            angle, light, color=colour, linestyle=dash, marker="o", markersize=2.4,
            label=with_unit(one["wavelength_m"], "m"),
        )  # fmt: skip
        top, bottom = max(top, float((light + error).max())), min(bottom, float(light.min()))
    axes.set_yscale("log")
    axes.set_ylim(0.3 * bottom, 3.0 * top)
    axes.set_xlim(left=0.0)
    across = "from the film normal" if field.lateral is None else "across the chains"
    axes.set_xlabel(f"Angle {across} (deg)")
    axes.set_ylabel("Scattered light (1/sr)")
    style.legend_above(axes, columns=3)


def has_response(measurement: Measurement) -> bool:
    """Whether birefringence is known over time."""
    series = OpticalSeries.among(measurement.curves)
    timed = len(series.time_s) > 1 and bool(np.isfinite(series.time_s).all())
    return timed and any(np.isfinite(one["birefringence"]).any() for one in series.wavelengths)


@record.figure(
    "Answer of the film to its field",
    "Birefringence of every frame, by the law for straight chains, and below it alignment of the "
    "chains and magnetisation. Grey: the field is on.",
    wanted=has_response,
)
def optical_response(measurement: Measurement, run: Run) -> Figure:
    """Birefringence, alignment and magnetisation over time."""
    with style.publication():
        series = OpticalSeries.among(measurement.curves)
        figure = style.new_figure(style.SINGLE_COLUMN, 88.0 * style.MILLIMETRE)
        upper, lower = figure.subplots(2, 1, sharex=True)
        scale = scale_for(float(series.time_s.max()), "s")
        time = series.time_s * scale.factor
        for one, colour, dash in zip(series.wavelengths, COLOURS, DASHES, strict=False):
            upper.plot(
                time, 1e3 * one["birefringence"], color=colour, linestyle=dash,
                label=with_unit(one["wavelength_m"], "m"),
            )  # fmt: skip
        lower.plot(time, series.alignment, color=style.FIRST, label="alignment of the chains")
        lower.plot(
            time, series.magnetisation, color=style.SECOND, dashes=DASHES[1][1],
            label="magnetisation",
        )  # fmt: skip
        largest = float(np.abs(series.field_t).max(initial=0.0))
        is_on = np.abs(series.field_t) > 0.5 * largest if largest > 0 else np.zeros(len(time), bool)
        for axes in (upper, lower):
            low, high = axes.get_ylim()
            axes.fill_between(time, low, high, where=is_on, color="#ececec", linewidth=0, zorder=0)
            axes.set_ylim(low, high)
            style.legend_above(axes, columns=3)
        upper.set_ylabel("Birefringence (10⁻³)")
        lower.set_ylabel("Share")
        lower.set_xlabel(scale.label("Time"))
        style.note_provisional(figure, run)
        return figure
