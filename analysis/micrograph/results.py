"""Files and figure of a measured micrograph."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common import file_names
from analysis.files.csv_text import write_csv
from analysis.files.provenance import facts
from analysis.files.writing import write_text
from analysis.micrograph.measure import Micrograph
from analysis.pictures import record, style
from analysis.uncertainty.number_text import as_float, scale_for, with_error

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_DRAWN = 900
"""Pixels along a side of the picture in the figure."""


def write_micrograph(found: Micrograph, directory: Path) -> dict[str, Any]:
    """Write micrograph.json, micrograph.csv and micrograph.png, and return the numbers.

    Parameters
    ----------
    found : Micrograph
        What was measured.
    directory : Path
        An existing folder; files of these names are replaced, each atomically.
    """
    numbers = {**found.numbers, "measured_by": facts()}
    content = json.dumps(numbers, indent=2, ensure_ascii=False) + "\n"
    write_text(directory / file_names.MICROGRAPH, content)
    curve = found.curves["profile"]
    rows = zip(*(curve[key] for key in ("q_per_m", "s", "error")), strict=True)
    write_csv(
        directory / file_names.MICROGRAPH_TABLE, ("q_per_m", "power", "error"), rows, digits=8
    )
    style.save_all({"micrograph": lambda: picture_figure(found)}, directory, "png")
    return numbers


@record.figure()
def picture_figure(found: Micrograph) -> Figure:
    """Draw the picture without its uneven light, its spectrum, and the profile with its peak."""
    with style.publication():
        figure = style.new_figure(style.DOUBLE_COLUMN, 62.0 * style.MILLIMETRE)
        picture, spectrum, profile = figure.subplots(1, 3, width_ratios=(1.0, 1.0, 1.15))
        _draw_picture(picture, found)
        _draw_spectrum(spectrum, found)
        _draw_profile(profile, found)
        return figure


def _value(found: Micrograph, key: str) -> tuple[float, float]:
    entry = found.numbers[key]
    return as_float(entry["value"]), as_float(entry["error"])


def _draw_picture(axes: Axes, found: Micrograph) -> None:
    """Picture with its scale, and a line along the stripes."""
    sides = found.curves["picture"].sides
    flat = found.curves["brightness"]
    step = max(1, max(flat.shape) // MOST_DRAWN)
    scale = scale_for(float(sides.max()), "m")
    low, high = np.percentile(flat, [1.0, 99.0])
    width, height = (float(side) * scale.factor for side in sides)
    axes.imshow(
        flat[::step, ::step], origin="lower", cmap="gray", vmin=low, vmax=high,
        extent=(0.0, width, 0.0, height),
    )  # fmt: skip
    axes.tick_params(direction="out", top=False, right=False)
    axes.set_xlabel(scale.label("x"))
    axes.set_ylabel(scale.label("y"))
    direction, error = _value(found, "direction_deg")
    order = _value(found, "order")
    if math.isfinite(direction):
        axes.set_title(f"along {with_error(direction, error)} deg", loc="left")
        angle, reach = math.radians(direction), 0.18 * min(width, height)
        axes.annotate(
            "",
            xy=(width / 2 + reach * math.cos(angle), height / 2 + reach * math.sin(angle)),
            xytext=(width / 2 - reach * math.cos(angle), height / 2 - reach * math.sin(angle)),
            arrowprops={"arrowstyle": "<->", "color": "#ffb000", "linewidth": 1.6},
        )
        axes.annotate(
            f"order {with_error(*order)}", (0.03, 0.03), xycoords="axes fraction",
            fontsize=style.SMALL_POINTS,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.85},
        )  # fmt: skip


def _reach(found: Micrograph) -> float:
    """Return the wave number up to which spectrum and profile are drawn, rad/m."""
    grid = found.curves["spectrum"].grid
    spacing, _ = _value(found, "spacing_m")
    most = float(min(grid.qx[-1], grid.qy[-1]))
    return min(most, 4 * 2 * math.pi / spacing) if math.isfinite(spacing) else most


def _draw_spectrum(axes: Axes, found: Micrograph) -> None:
    """Power near the middle of the spectrum, logarithmic, with a ring at the peak."""
    from matplotlib.colors import LogNorm

    from analysis.spacing.structure_factor import full_map

    spectrum, reach = found.curves["spectrum"], _reach(found)
    whole, grid = full_map(spectrum.power), spectrum.grid
    qy = np.concatenate([-grid.qy[:0:-1], grid.qy])
    near = np.ix_(np.abs(qy) <= reach, np.abs(grid.qx) <= reach)
    scale = scale_for(reach, "1/m")
    shown = whole[near]
    high = float(shown.max())
    low = max(float(np.percentile(shown, 20.0)), 1e-6 * high)
    axes.pcolormesh(
        grid.qx[np.abs(grid.qx) <= reach] * scale.factor,
        qy[np.abs(qy) <= reach] * scale.factor,
        np.maximum(shown, low),
        norm=LogNorm(low, high),
        cmap=style.COLOUR_MAP,
        shading="nearest",
        rasterized=True,
    )
    spacing, _ = _value(found, "spacing_m")
    if math.isfinite(spacing):
        turn, radius = np.linspace(0.0, 2 * math.pi, 181), 2 * math.pi / spacing * scale.factor
        axes.plot(radius * np.cos(turn), radius * np.sin(turn), color="white", linewidth=0.7)
    axes.set_title("power spectrum", loc="left")
    axes.set_aspect("equal")
    axes.tick_params(direction="out", top=False, right=False)
    axes.set_xlabel(f"$q_x$ ({scale.unit})")
    axes.set_ylabel(f"$q_y$ ({scale.unit})")


def _draw_profile(axes: Axes, found: Micrograph) -> None:
    """Power across the stripes with the peak that stands for the spacing."""
    curve, reach = found.curves["profile"], _reach(found)
    shown = curve["q_per_m"] <= reach
    scale = scale_for(reach, "1/m")
    q, s, error = (curve[key][shown] for key in ("q_per_m", "s", "error"))
    axes.fill_between(
        q * scale.factor, np.maximum(s - error, 0.1 * s), s + error, color="#c4d5ea", linewidth=0
    )
    axes.plot(q * scale.factor, s, color=style.FIRST, marker="o", markersize=1.8, linewidth=0.9)
    axes.set_yscale("log")
    axes.set_xlim(0.0, reach * scale.factor)
    axes.set_xlabel(scale.label("Wave number q"))
    axes.set_ylabel("Power (1: white noise)")
    spacing, error_of = _value(found, "spacing_m")
    if not math.isfinite(spacing):
        axes.set_title("no peak found", loc="left", color=style.QUIET)
        return
    peak = 2 * math.pi / spacing * scale.factor
    if math.isfinite(error_of):
        part = error_of / spacing
        axes.axvspan(
            peak * (1 - part), peak * (1 + part), color=style.MARK, alpha=0.18, linewidth=0
        )
    axes.axvline(peak, color=style.MARK, linewidth=1.0, zorder=1.5)
    axes.set_title(f"spacing {with_error(spacing, error_of, 'm')}", loc="left")
