"""Figure of what a drift leaves of the chains: spacing over the cell, profile, share of cell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.cell.axes import hatch, head_note, plain_decades, plain_numbers
from analysis.cell.drift import (
    clock_axis,
    draw_magnets,
    frames_to_show,
    label_maps,
    time_words,
)
from analysis.common.conventions import NO_CHAINS
from analysis.pictures import record, style
from analysis.uncertainty.number_text import Scale, scale_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike, NDArray

    from analysis.cell.axes import Outline

PROFILE_DASHES = ("-", (0, (5, 2)), (0, (3, 1.5)), (0, (1, 1)), (0, (4, 1, 1, 1)))
LARGEST_LINEAR = 6.0
"""Spacings over a wider span than this factor have logarithmic colours."""
LEAST_SHOWN = 1e-3
"""A profile reaches down to this share of the fraction at the start."""


@record.figure()
def chains_left(
    sides_m: tuple[float, float],
    time_s: ArrayLike,
    change: ArrayLike,
    volume_fraction: ArrayLike,
    spacing_m: ArrayLike,
    state: ArrayLike,
    outlines: list[Outline] | None = None,
    *,
    note: str = "",
) -> Figure:
    """Draw spacing and chains at the end and in equilibrium, a profile, and the share over time.

    Parameters
    ----------
    sides_m : tuple of float
        Sides of the cell along x and y in m.
    time_s, change : (frames + 1,) array
        Times in s, the start first and infinity (equilibrium) last, and the share of the change.
    volume_fraction, spacing_m, state : (frames + 1, rows, columns) array
        Volume fraction, spacing by the line density in m, 0 where there are no chains.
    outlines : list of dict, optional
        The magnets, see `analysis.cell.axes.Outline`.
    note : str
        Stands at the head.

    Returns
    -------
    Figure
        Two maps to scale above, profile and share with chains below.
    """
    times, fractions = np.asarray(time_s, float), np.asarray(volume_fraction, float)
    spacing, chains = np.asarray(spacing_m, float), np.asarray(state) != NO_CHAINS
    with style.publication():
        tall = min(max(sides_m[1] / sides_m[0], 0.25), 1.5)
        height = 0.42 * style.DOUBLE_COLUMN * tall
        figure = style.new_figure(style.DOUBLE_COLUMN, height + 70.0 * style.MILLIMETRE)
        head_note(figure, note)
        grid = figure.add_gridspec(2, 2, height_ratios=(height, 50.0 * style.MILLIMETRE))
        maps = [figure.add_subplot(grid[0, k]) for k in (0, 1)]
        colours, scale = _shown(spacing[-2:], chains[-2:])
        for axes, frame in zip(maps, (-2, -1), strict=True):
            image = _spacing(axes, scale.factor * spacing[frame], chains[frame], sides_m, colours)
            draw_magnets(axes, outlines or [], sides_m)
            bare = "" if chains[frame].all() else " (hatched: none)"
            share = f"chains in {100.0 * chains[frame].mean():.3g} % of the cell{bare}"
            axes.set_title(f"{time_words(float(times[frame]))}: {share}", loc="left",
                           fontsize=style.SMALL_POINTS + 0.5)  # fmt: skip
        label_maps(maps, sides_m, columns=2)
        bar = figure.colorbar(image, ax=maps, pad=0.015, aspect=22, extend="max")
        bar.set_label(scale.label("Spacing by line density"))
        bar.ax.tick_params(direction="out")
        plain_decades(bar.ax, image)
        _profile(figure.add_subplot(grid[1, 0]), sides_m, times, np.asarray(change), fractions)
        _share(figure.add_subplot(grid[1, 1]), times, chains)
        return figure


def _shown(spacing: NDArray[np.float64], chains: NDArray[np.bool_]) -> tuple[Normalize, Scale]:
    """Colours over the spacings of the places that have chains, and their unit."""
    from matplotlib.colors import LogNorm, Normalize

    found = spacing[chains & np.isfinite(spacing)]
    if not found.size:
        return Normalize(0.0, 1.0), scale_for(1e-9, "m")
    low, high = float(found.min()), float(np.quantile(found, 0.98))
    scale = scale_for(high, "m")
    if high > LARGEST_LINEAR * low:
        return LogNorm(scale.factor * low, scale.factor * high), scale
    return Normalize(scale.factor * low, scale.factor * max(high, 1.02 * low)), scale


def _spacing(
    axes: Axes,
    spacing: NDArray[np.float64],
    chains: NDArray[np.bool_],
    sides: tuple[float, float],
    colours: Normalize,
) -> ScalarMappable:
    """One map of the spacing to scale, hatched where there are no chains."""
    scale = scale_for(max(sides), "m").factor
    right, top = (0.5 * scale * side for side in sides)
    image = axes.imshow(
        np.ma.masked_where(~chains, spacing),
        origin="lower", extent=(-right, right, -top, top), cmap=style.COLOUR_MAP, norm=colours,
        interpolation="nearest", aspect="equal",
    )  # fmt: skip
    axes.set_facecolor(style.SINGLE_PARTICLE)
    # Every cell twice, at both of its edges, so that the hatching ends where it does.
    rows, columns = (np.arange(2 * n + 1)[1:] // 2 / n * 2.0 - 1.0 for n in chains.shape)
    bare = np.repeat(np.repeat(~chains, 2, axis=0), 2, axis=1)
    hatch(axes, right * columns, top * rows, bare, style.QUIET)
    axes.tick_params(direction="out", top=False, right=False)
    return image


def _profile(
    axes: Axes,
    sides: tuple[float, float],
    times: NDArray[np.float64],
    change: NDArray[np.float64],
    fractions: NDArray[np.float64],
) -> None:
    """Volume fraction along x through the fullest place of the equilibrium."""
    scale = scale_for(max(sides), "m")
    row = int(np.argmax(fractions[-1].max(axis=1)))
    columns = fractions.shape[2]
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * sides[0] * scale.factor
    frames = frames_to_show(times[:-1], change[:-1])
    for frame, dashes in zip(frames, PROFILE_DASHES, strict=False):
        label = time_words(float(times[frame]))
        axes.plot(x, 100.0 * fractions[frame, row], color=style.FIRST, linestyle=dashes,
                  linewidth=1.1, label=label)  # fmt: skip
    axes.plot(x, 100.0 * fractions[-1, row], color=style.MARK, linewidth=1.3,
              label=time_words(np.inf))  # fmt: skip
    axes.set_yscale("log")
    start, most = 100.0 * float(fractions[0].mean()), 100.0 * float(fractions[:, row].max())
    least = max(100.0 * float(fractions[:, row].min()), LEAST_SHOWN * start)
    low, high = 0.7 * min(least, 0.5 * start), 1.5 * most
    axes.set_ylim(low, high)
    plain_numbers(axes.yaxis, (1.0, 2.0, 5.0) if high < 200.0 * low else (1.0,))
    axes.set_xlim(-0.5 * scale.factor * sides[0], 0.5 * scale.factor * sides[0])
    axes.set_xlabel(scale.label("x"))
    axes.set_ylabel("Volume fraction (%)")
    style.legend_above(axes, columns=2)


def _share(axes: Axes, times: NDArray[np.float64], chains: NDArray[np.bool_]) -> None:
    """Share of the cell with chains on the clock, and in the end."""
    share = 100.0 * chains.mean(axis=(1, 2))
    axes.semilogx(times[1:-1], share[1:-1], color=style.FIRST, marker="o", linewidth=1.3)
    axes.axhline(share[-1], color=style.MARK, linewidth=0.9, linestyle=(0, (4, 2)))
    axes.annotate(
        time_words(np.inf), (times[1], share[-1]), xytext=(3.0, 3.0 if share[-1] < 90.0 else -9.0),
        textcoords="offset points", color=style.MARK, fontsize=style.SMALL_POINTS,
    )  # fmt: skip
    clock_axis(axes, float(times[1]), float(times[-2]))
    axes.set_ylim(0.0, 105.0)
    axes.set_ylabel("Cell with chains (%)")
