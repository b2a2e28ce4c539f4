"""Figures of the map of a cell, to scale, with the magnets drawn: chains, from above and aside."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.cell.axes import (
    Outline,
    centred,
    hatch,
    magnet_outlines,
    mesh_edges,
    plain_decades,
)
from analysis.cell.numbers import numbers_map
from analysis.common.arrays import Floats
from analysis.common.conventions import IN_PLANE, NO_CHAINS, STANDING
from analysis.pictures import record, style
from analysis.uncertainty.number_text import scale_for

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Columns = dict[str, NDArray[Any]]
Words = tuple[str, list[str]]

_BESIDE = 1.25
"""Magnets are shown up to this share of the cell's longer side beside it."""
SEGMENTS = 23
"""Chain directions drawn along the longer side, about."""
_LEFT, _RIGHT, _TOP, _GAP, _BELOW = (v * style.MILLIMETRE for v in (15.0, 22.0, 10.0, 15.0, 11.0))
_TALLEST = 200.0 * style.MILLIMETRE
_LINE, _MARGIN = 3.0 * style.MILLIMETRE, 2.0 * style.MILLIMETRE


def draw_map(
    x: Floats,
    y: Floats,
    columns: Columns,
    outlines: list[Outline],
    directory: Path,
    *,
    place: tuple[float, float] | None = None,
    note: str = "",
) -> list[Path]:
    """Draw all figures of a map as PNG into a folder; arguments as for `chains_map`."""
    figures = {
        "chains_map": lambda: chains_map(x, y, columns, outlines, place=place, note=note),
        "numbers_map": lambda: numbers_map(x, y, columns, outlines, note),
    }
    return style.save_all(figures, directory, "png")


@record.figure()
def chains_map(
    x: Floats,
    y: Floats,
    columns: Columns,
    outlines: list[Outline],
    *,
    place: tuple[float, float] | None = None,
    note: str = "",
) -> Figure:
    """Field strength with the direction of chains, from above and in a cut along x.

    Parameters
    ----------
    x, y : ndarray (columns,), (rows,)
        Places in m.
    columns : dict
        Arrays (rows, columns): ``strength_T``, ``field_x_T``, ``field_y_T``, ``field_z_T``,
        ``tilt_deg`` and ``state``.
    outlines : list of dict
        The magnets, see `analysis.cell.axes.Outline`.
    place : tuple of float, optional
        Place (x, y) of the simulated patch in m, which is marked.
    note : str
        Stands after the title, such as the time of magnets that move.

    Returns
    -------
    Figure
        The figure, one scale for both views.
    """
    with style.publication():
        view = _extents(x, y, outlines)
        words = _words(columns, place, note)
        figure, above, side, words = _two_views(view, words)
        scale = scale_for(float(np.abs(view[0]).max()), "m")
        image = _strength(above, x, y, columns, scale.factor)
        _no_chains(above, x, y, columns, scale.factor)
        _chains_from_above(above, x, y, columns, scale.factor)
        _mark_patch(above, place, scale.factor)
        _chains_in_cut(side, x, y, columns, scale.factor)
        for axes, name in ((above, "above"), (side, "side")):
            magnet_outlines(axes, outlines, name, scale.factor)
        for axes, rows in ((above, view[1]), (side, view[2])):
            axes.set_xlim(*(scale.factor * view[0]))
            axes.set_ylim(*(scale.factor * rows))
            axes.tick_params(direction="out", top=False, right=False)
        above.set_ylabel(scale.label("y"))
        side.set_ylabel(scale.label("z"))
        side.set_xlabel(scale.label("x"))
        _strength_bar(figure, above, image)
        for axes, (title, lines) in zip((above, side), words, strict=True):
            _write_words(figure, axes, title, lines)
        return figure


def _extents(x: Floats, y: Floats, outlines: list[Outline]) -> tuple[Floats, Floats, Floats]:
    """Return what the views show along x, y and z in m: cell and magnets that are not far off."""
    cell = np.array([[x[0], x[-1]], [y[0], y[-1]], [0.0, 0.0]])
    reach = float(max(x[-1] - x[0], y[-1] - y[0]))
    above = [polygon for outline in outlines for polygon in outline["above"]]
    side = [polygon for outline in outlines for polygon in outline["side"]]
    shown = []
    for low_high, places in (
        (cell[0], [p[:, 0] for p in above]),
        (cell[1], [p[:, 1] for p in above]),
        (cell[2], [p[:, 1] for p in side]),
    ):
        everything = np.concatenate([low_high, *places])
        low, high = float(everything.min()), float(everything.max())
        margin = 0.04 * reach
        shown.append(
            np.array(
                [
                    max(low, low_high[0] - _BESIDE * reach) - margin,
                    min(high, low_high[1] + _BESIDE * reach) + margin,
                ]
            )
        )
    return shown[0], shown[1], shown[2]


def _two_views(
    view: tuple[Floats, Floats, Floats], words: list[Words]
) -> tuple[Figure, Axes, Axes, list[Words]]:
    """Make axes of one scale, the view from above uppermost, on a figure that fits them.

    The words over both views come back broken into lines that are as wide as the figure.
    """
    width, height, depth = (float(np.ptp(v)) for v in view)
    lines = [1, 1]
    while True:
        above, between = (
            room + (count - 1) * _LINE for room, count in zip((_TOP, _GAP), lines, strict=True)
        )
        room = _TALLEST - above - between - _BELOW
        inches = min((style.DOUBLE_COLUMN - _LEFT - _RIGHT) / width, room / (height + depth))
        wide = max(width * inches + _LEFT + _RIGHT, style.SINGLE_COLUMN)
        broken = [(title, _broken(signs, wide - _LEFT - _MARGIN)) for title, signs in words]
        needed = [len(signs) for _, signs in broken]
        if all(need <= have for need, have in zip(needed, lines, strict=True)):
            break
        lines = [max(pair) for pair in zip(needed, lines, strict=True)]
    tall = (height + depth) * inches + above + between + _BELOW
    figure = style.new_figure(wide, tall)
    figure.set_layout_engine("none")
    share = width * inches / wide
    side = figure.add_axes((_LEFT / wide, _BELOW / tall, share, depth * inches / tall))
    foot = _BELOW + depth * inches + between
    top = figure.add_axes((_LEFT / wide, foot / tall, share, height * inches / tall))
    return figure, top, side, broken


def _broken(signs: list[str], room: float) -> list[str]:
    """Join signs by semicolons, in lines of at most so many inches where a sign is not longer."""
    from matplotlib.textpath import TextPath

    lines = [signs[0]]
    for sign in signs[1:]:
        longer = f"{lines[-1]}; {sign}"
        wide = TextPath((0.0, 0.0), longer, size=style.SMALL_POINTS).get_extents().width / 72.0
        if wide <= room:
            lines[-1] = longer
        else:
            lines[-1] += ";"
            lines.append(sign)
    return lines


def _strength(axes: Axes, x: Floats, y: Floats, columns: Columns, factor: float) -> Any:
    """Draw the field strength, on a logarithmic scale where it varies tenfold."""
    from matplotlib.colors import LogNorm, Normalize

    strength = columns["strength_T"] * 1e3
    low, high = float(strength.min()), float(strength.max())
    many = low > 0.0 and high > 10.0 * low
    norm = LogNorm(low, high) if many else Normalize(0.98 * low, 1.02 * high + 1e-9)
    return axes.imshow(
        strength,
        origin="lower",
        extent=mesh_edges(x, y, factor),
        cmap=style.COLOUR_MAP,
        norm=norm,
        aspect="equal",
        interpolation="bilinear",
    )


def _chosen(x: Floats, y: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], float]:
    """Return the columns and rows at which chains are drawn, and their distance in m."""
    step = 2 * max(round((max(x.size, y.size) - 1) / (2 * SEGMENTS)), 1)
    return centred(x.size, step), centred(y.size, step), step * float(x[1] - x[0])


def _chains_from_above(axes: Axes, x: Floats, y: Floats, columns: Columns, factor: float) -> None:
    """Draw chains as seen along z: lines as long as their level part, and dots that stand."""
    across, along, step = _chosen(x, y)
    j, i = (v.ravel() for v in np.meshgrid(along, across, indexing="ij"))
    centre = np.stack([x[i], y[j]], axis=1)
    level = np.stack([columns["field_x_T"][j, i], columns["field_y_T"][j, i]], axis=1)
    strength = np.maximum(columns["strength_T"][j, i], 1e-300)
    state = columns["state"][j, i]
    half = 0.42 * step * level / strength[:, None]
    _segments(axes, centre[state > 0], half[state > 0], factor)
    upright = centre[state == STANDING] * factor
    axes.scatter(
        upright[:, 0], upright[:, 1], s=5.0, facecolor="white", edgecolor=style.INK,
        linewidth=0.5, zorder=4,
    )  # fmt: skip


def _segments(axes: Axes, centre: Floats, half: Floats, factor: float) -> None:
    """Draw short white lines with a dark rim, which show on light and dark ground."""
    from matplotlib.collections import LineCollection

    lines = np.stack([centre - half, centre + half], axis=1) * factor
    for colour, width in ((style.INK, 1.7), ("white", 0.9)):
        axes.add_collection(
            LineCollection(
                list(lines), colors=colour, linewidths=width, capstyle="round", zorder=3
            ),
            autolim=False,
        )


def _no_chains(axes: Axes, x: Floats, y: Floats, columns: Columns, factor: float) -> None:
    """Hatch where no chains form and draw the edge of where they stand up."""
    state, tilt = columns["state"], np.abs(columns["tilt_deg"])
    hatch(axes, x * factor, y * factor, state == NO_CHAINS, "white", 0.6)
    if tilt.min() < 45.0 < tilt.max():
        axes.contour(x * factor, y * factor, tilt, levels=[45.0], colors=style.MARK, linewidths=1.0)


def _chains_in_cut(axes: Axes, x: Floats, y: Floats, columns: Columns, factor: float) -> None:
    """Draw the film as a line and the chains in it, in the cut through the middle of the cell."""
    row = int(np.argmin(np.abs(y)))
    across, _, step = _chosen(x, y)
    axes.plot([x[0] * factor, x[-1] * factor], [0.0, 0.0], color=style.FIRST, linewidth=2.6)
    across = across[columns["state"][row, across] > 0]
    strength = np.maximum(columns["strength_T"][row, across], 1e-300)
    part = np.stack([columns[f"field_{axis}_T"][row, across] for axis in "xz"], axis=1)
    centre = np.stack([x[across], np.zeros(across.size)], axis=1)
    _segments(axes, centre, 0.42 * step * part / strength[:, None], factor)
    axes.set_aspect("equal")


def _strength_bar(figure: Figure, axes: Axes, image: Any) -> None:
    """Put the colour bar right of the axes."""
    box = axes.get_position()
    wide = figure.get_figwidth()
    cax = figure.add_axes(
        (box.x1 + 2.5 * style.MILLIMETRE / wide, box.y0, 3.2 * style.MILLIMETRE / wide, box.height)
    )
    bar = figure.colorbar(image, cax=cax)
    bar.set_label("Flux density |B| (mT)")
    cax.tick_params(direction="out")
    plain_decades(cax, image)


def _mark_patch(axes: Axes, place: tuple[float, float] | None, factor: float) -> None:
    """Draw a square where the patch of a run lies; the patch itself is far smaller."""
    if place is not None:
        for colour, width in (("white", 2.4), (style.INK, 1.2)):
            axes.plot(
                factor * place[0], factor * place[1], marker="s", markersize=6.0, zorder=5,
                markerfacecolor="none", markeredgecolor=colour, markeredgewidth=width,
            )  # fmt: skip


def _words(columns: Columns, place: tuple[float, float] | None, note: str) -> list[Words]:
    """Return a title and what the signs mean, for each view."""
    state, tilt = columns["state"], np.abs(columns["tilt_deg"])
    signs = []
    if (state == IN_PLANE).any():
        signs.append("lines: chains, as long as their part in the plane")
    if (state == STANDING).any():
        signs.append("dots: chains stand up")
    if tilt.min() < 45.0 < tilt.max():
        signs.append("red: tilt 45°")
    if (state == NO_CHAINS).any():
        signs.append("hatched: no chains")
    signs.append("dashed: magnets")
    if place is not None:
        signs.append("square: place of the patch")
    aside = ["the cell through its middle, thickness not to scale", "magnets, magnetisation in red"]
    title = "The film from above" + (f", {note}" if note else "")
    return [(title, signs), ("From the side", aside)]


def _write_words(figure: Figure, axes: Axes, title: str, lines: list[str]) -> None:
    """Write a title and, below it, small lines over a view."""
    box, tall = axes.get_position(), figure.get_figheight()
    foot = box.y1 + 1.2 * style.MILLIMETRE / tall
    for above, line in enumerate(reversed(lines)):
        figure.text(
            box.x0, foot + above * _LINE / tall, line,
            fontsize=style.SMALL_POINTS, color=style.QUIET,
        )  # fmt: skip
    head = foot + ((len(lines) - 1) * _LINE + 3.4 * style.MILLIMETRE) / tall
    figure.text(box.x0, head, title, fontsize=style.FONT_POINTS)
