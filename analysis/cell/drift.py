"""Figure of particles that drift over a cell: maps of the volume fraction, change over time."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.cell.axes import head_note, magnet_outlines
from analysis.common.durations import DAY, HOUR, MINUTE, WEEK, YEAR
from analysis.pictures import record, style
from analysis.uncertainty.number_text import scale_for, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike, NDArray

    from analysis.cell.axes import Outline

SHOWN_CHANGES = (0.25, 0.5, 0.75)
"""Shares of what changes in the end of which the nearest frames are drawn, beside both ends."""

WIDEST_LINEAR = 20.0
"""Up to this many times the mean fraction the colours are linear, beyond logarithmic."""

DECADES_BELOW_MEAN = 3.0
"""How far below the mean logarithmic colours reach; emptier cells look alike."""

CLOCK_MARKS = (
    (1.0, "1 s"),
    (MINUTE, "1 min"),
    (HOUR, "1 h"),
    (DAY, "1 day"),
    (WEEK, "1 week"),
    (YEAR, "1 year"),
    (100.0 * YEAR, "100 years"),
)


@record.figure()
def drift_maps(
    sides_m: tuple[float, float],
    time_s: ArrayLike,
    volume_fraction: ArrayLike,
    equilibrium: ArrayLike,
    change_time_s: ArrayLike,
    change: ArrayLike,
    half_time_s: float | None,
    outlines: list[Outline] | None = None,
    *,
    note: str = "",
) -> Figure:
    """Draw the volume fraction at several times, and the change on a logarithmic clock.

    Parameters
    ----------
    sides_m : tuple of float
        Sides of the cell along x and y in m.
    time_s : (frames,) array
        Times of the frames in s, the first at the start.
    volume_fraction : (frames, rows, columns) array
        Volume fraction; a row runs along x.
    equilibrium : (rows, columns) array
        Volume fraction after an endless time.
    change_time_s, change : (steps,) array
        Times in s and the share of the way to equilibrium, 0 to 1.
    half_time_s : float or None
        When half of the change is done, in s; None where it is not.
    outlines : list of dict, optional
        The magnets, see `analysis.cell.axes.Outline`.
    note : str
        Stands at the head.

    Returns
    -------
    Figure
        Six maps to scale with one bar of colours, and the curve below. The centre of the cell is
        at 0.
    """
    times, maps = np.asarray(time_s, float), np.asarray(volume_fraction, float)
    final, steps = np.asarray(equilibrium, float), np.asarray(change_time_s, float)
    done = np.asarray(change, float)
    shown = frames_to_show(times, np.interp(times, steps, done))
    panels = [(time_words(times[k]), maps[k]) for k in shown]
    panels.append((time_words(math.inf), final))
    with style.publication():
        tall = min(max(sides_m[1] / sides_m[0], 0.25), 1.5)
        height = 2.0 * (0.27 * style.DOUBLE_COLUMN * tall + 6.0 * style.MILLIMETRE)
        figure = style.new_figure(style.DOUBLE_COLUMN, height + 58.0 * style.MILLIMETRE)
        head_note(figure, note)
        grid = figure.add_gridspec(3, 3, height_ratios=(height / 2, height / 2, 1.7))
        colours = _colours(maps, final)
        axes = [figure.add_subplot(grid[k // 3, k % 3]) for k in range(len(panels))]
        for axis, (title, fractions) in zip(axes, panels, strict=True):
            image = _draw_map(axis, fractions, sides_m, colours)
            draw_magnets(axis, outlines or [], sides_m)
            axis.set_title(title, loc="left", fontsize=style.SMALL_POINTS + 0.5)
        label_maps(axes, sides_m)
        _draw_bar(figure, axes, image, colours, float(max(maps.max(), final.max())))
        _draw_change(figure.add_subplot(grid[2, :]), steps, done, half_time_s)
        return figure


def frames_to_show(times: NDArray[np.float64], done: NDArray[np.float64]) -> list[int]:
    """Choose up to five frames: the start, those nearest to parts of the change, and the last."""
    chosen = {0, len(times) - 1}
    if done[-1] > 0.0:
        chosen |= {int(np.argmin(np.abs(done - share * done[-1]))) for share in SHOWN_CHANGES}
    # Where several parts fall on one frame the gaps are filled evenly on the clock.
    for k in np.linspace(0, len(times) - 1, 5).round().astype(int):
        if len(chosen) < 5:
            chosen.add(int(k))
    return sorted(chosen)


def time_words(seconds: float) -> str:
    """Time in the unit that a reader would choose."""
    if seconds == 0.0:
        return "at the start"
    if not math.isfinite(seconds):
        return "in equilibrium"
    for mark, words in CLOCK_MARKS:
        if math.isclose(seconds, mark):
            return f"after {words}"
    return f"after {with_unit(seconds, 's', digits=2)}"


def _colours(maps: NDArray[np.float64], final: NDArray[np.float64]) -> Normalize:
    """Colours of a share in per cent: linear, or logarithmic where a few cells hold most."""
    from matplotlib.colors import LogNorm, Normalize

    mean, highest = float(maps[0].mean()), float(max(maps.max(), final.max()))
    if highest <= WIDEST_LINEAR * mean:
        return Normalize(0.0, 100.0 * highest)
    return LogNorm(100.0 * mean * 10.0**-DECADES_BELOW_MEAN, 100.0 * highest)


def _draw_map(
    axes: Axes, fractions: NDArray[np.float64], sides: tuple[float, float], colours: Normalize
) -> ScalarMappable:
    """One map of the cell, to scale."""
    scale = scale_for(max(sides), "m").factor
    right, top = (0.5 * scale * side for side in sides)
    lowest = colours.vmin or 0.0
    image = axes.imshow(
        np.maximum(100.0 * fractions, lowest),
        origin="lower",
        extent=(-right, right, -top, top),
        cmap=style.COLOUR_MAP,
        norm=colours,
        interpolation="nearest",
        aspect="equal",
    )
    axes.tick_params(direction="out", top=False, right=False)
    return image


def draw_magnets(axes: Axes, outlines: list[Outline], sides: tuple[float, float]) -> None:
    """Draw the magnets dashed over a map of the cell, which keeps its edges."""
    scale = scale_for(max(sides), "m").factor
    magnet_outlines(axes, outlines, "above", scale)
    axes.set_xlim(-0.5 * scale * sides[0], 0.5 * scale * sides[0])
    axes.set_ylim(-0.5 * scale * sides[1], 0.5 * scale * sides[1])


def label_maps(axes: list[Axes], sides: tuple[float, float], columns: int = 3) -> None:
    """Label the outer axes alone."""
    scale = scale_for(max(sides), "m")
    for k, axis in enumerate(axes):
        below = k + columns >= len(axes)
        axis.tick_params(labelbottom=below, labelleft=k % columns == 0)
        if below:
            axis.set_xlabel(scale.label("x"))
        if k % columns == 0:
            axis.set_ylabel(scale.label("y"))


def _draw_bar(
    figure: Figure, axes: list[Axes], image: ScalarMappable, colours: Normalize, highest: float
) -> None:
    """Bar of colours beside all maps; its lower end is pointed where emptier cells look alike."""
    from matplotlib.colors import LogNorm

    pointed = "min" if isinstance(colours, LogNorm) and highest > 0.0 else "neither"
    bar = figure.colorbar(image, ax=axes, pad=0.015, aspect=30, extend=pointed)
    bar.set_label("Volume fraction (%)")
    bar.ax.tick_params(direction="out")


def _draw_change(
    axes: Axes,
    times: NDArray[np.float64],
    done: NDArray[np.float64],
    half_time: float | None,
) -> None:
    """Share of the change against the logarithm of time, half of it marked."""
    if not done.any():
        style.say_empty(axes, "Nothing changes: the film is in equilibrium from the start.")
        return
    late = times > 0.0
    axes.semilogx(times[late], 100.0 * done[late], color=style.FIRST, linewidth=1.3)
    if half_time is not None:
        axes.plot([times[late][0], half_time, half_time], [50.0, 50.0, 0.0], color=style.MARK,
                  linewidth=0.8, linestyle=(0, (4, 2)))  # fmt: skip
        axes.annotate(
            f"half {time_words(half_time)}",
            (half_time, 50.0),
            xytext=(-5.0, 4.0),
            textcoords="offset points",
            ha="right",
            color=style.MARK,
            fontsize=style.FONT_POINTS - 1.0,
        )
    clock_axis(axes, times[late][0], times[-1])
    axes.set_ylim(0.0, 100.0)
    axes.set_ylabel("Change done (%)")


def clock_axis(axes: Axes, first: float, last: float) -> None:
    """Put times that a reader knows on a logarithmic axis."""
    axes.set_xlim(first, last)
    marks = [(t, words) for t, words in CLOCK_MARKS if first <= t <= last * (1.0 + 1e-9)]
    axes.set_xticks([t for t, _ in marks], [words for _, words in marks])
    axes.minorticks_off()
    axes.set_xlabel("Time")
