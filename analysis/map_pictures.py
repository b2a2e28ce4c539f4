"""Figures of the map of a cell, to scale, with the magnets drawn: chains, and the numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis import style

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "Outline",
    "chains_map",
    "draw_map",
    "magnet_outlines",
    "numbers_map",
    "plain_decades",
]

Floats = NDArray[np.float64]
Columns = dict[str, NDArray[Any]]
Outline = dict[str, Any]
"""A magnet as drawn: lists of polygons (k, 2) in m, ``above`` (x, y) and ``side`` (x, z), and
``axis``, the unit vector of its magnetisation, or None, at ``centre``, both (3,)."""

SEGMENTS = 23
"""Chain directions drawn along the longer side, about."""
NO_CHAINS, IN_PLANE, STANDING = 0, 1, 2
"""Values of the column ``state``."""
_LEFT, _RIGHT, _TOP, _GAP, _BELOW = (v * style.MILLIMETRE for v in (15.0, 22.0, 10.0, 15.0, 11.0))
_TALLEST = 200.0 * style.MILLIMETRE


def draw_map(
    x: Floats, y: Floats, columns: Columns, outlines: list[Outline], directory: Path
) -> list[Path]:
    """Draw all figures of a map as PNG into a folder; arguments as for `chains_map`."""
    figures = {
        "chains_map": lambda: chains_map(x, y, columns, outlines),
        "numbers_map": lambda: numbers_map(x, y, columns, outlines),
    }
    return style.save_all(figures, directory, "png")


# ---------------------------------------------------------------- chains


def chains_map(x: Floats, y: Floats, columns: Columns, outlines: list[Outline]) -> Figure:
    """Field strength with the direction of chains, from above and in a cut along x.

    Parameters
    ----------
    x, y : ndarray (columns,), (rows,)
        Places in m.
    columns : dict
        Arrays (rows, columns): ``strength_T``, ``field_x_T``, ``field_y_T``, ``field_z_T``,
        ``tilt_deg`` and ``state``.
    outlines : list of dict
        The magnets, see `Outline`.

    Returns
    -------
    Figure
        The figure, one scale for both views.
    """
    with style.publication():
        view = _extents(x, y, outlines)
        figure, above, side = _two_views(view)
        scale = style.scale_for(float(np.abs(view[0]).max()), "m")
        image = _strength(above, x, y, columns, scale.factor)
        _no_chains(above, x, y, columns, scale.factor)
        _chains_from_above(above, x, y, columns, scale.factor)
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
        _words(figure, above, side, columns)
        return figure


def _extents(x: Floats, y: Floats, outlines: list[Outline]) -> tuple[Floats, Floats, Floats]:
    """Return what the views show along x, y and z in m: cell and magnets, within two cells."""
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
                    max(low, low_high[0] - 0.75 * reach) - margin,
                    min(high, low_high[1] + 0.75 * reach) + margin,
                ]
            )
        )
    return shown[0], shown[1], shown[2]


def _two_views(view: tuple[Floats, Floats, Floats]) -> tuple[Figure, Axes, Axes]:
    """Make axes of one scale, the view from above uppermost, on a figure that fits them."""
    width, height, depth = (float(np.ptp(v)) for v in view)
    room = _TALLEST - _TOP - _GAP - _BELOW
    inches = min((style.DOUBLE_COLUMN - _LEFT - _RIGHT) / width, room / (height + depth))
    wide = max(width * inches + _LEFT + _RIGHT, style.SINGLE_COLUMN)
    tall = (height + depth) * inches + _TOP + _GAP + _BELOW
    figure = style.new_figure(wide, tall)
    figure.set_layout_engine("none")
    share = width * inches / wide
    side = figure.add_axes((_LEFT / wide, _BELOW / tall, share, depth * inches / tall))
    foot = _BELOW + depth * inches + _GAP
    above = figure.add_axes((_LEFT / wide, foot / tall, share, height * inches / tall))
    return figure, above, side


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
        extent=_edges(x, y, factor),
        cmap=style.COLOUR_MAP,
        norm=norm,
        aspect="equal",
        interpolation="bilinear",
    )


def _edges(x: Floats, y: Floats, factor: float) -> tuple[float, float, float, float]:
    """Return the outer edges of the meshes around the points."""
    half_x, half_y = (0.5 * (s[-1] - s[0]) / (s.size - 1) for s in (x, y))
    edges = [x[0] - half_x, x[-1] + half_x, y[0] - half_y, y[-1] + half_y]
    left, right, low, high = (factor * float(edge) for edge in edges)
    return left, right, low, high


def _chosen(x: Floats, y: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], float]:
    """Return the columns and rows at which chains are drawn, and their distance in m."""
    step = 2 * max(round((max(x.size, y.size) - 1) / (2 * SEGMENTS)), 1)
    return _centred(x.size, step), _centred(y.size, step), step * float(x[1] - x[0])


def _centred(count: int, step: int) -> NDArray[np.int64]:
    """Return every step-th of some points, half a step away from both ends."""
    chosen = max((count - 1) // step, 1)
    return np.arange(chosen) * step + (count - 1 - (chosen - 1) * step) // 2


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
    import matplotlib as mpl

    state, tilt = columns["state"], np.abs(columns["tilt_deg"])
    if (state == NO_CHAINS).any():
        with mpl.rc_context({"hatch.color": "white", "hatch.linewidth": 0.6}):
            axes.contourf(
                x * factor, y * factor, (state == NO_CHAINS).astype(float),
                levels=[0.5, 1.5], colors="none", hatches=["////"],
            )  # fmt: skip
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


def magnet_outlines(axes: Axes, outlines: list[Outline], name: str, factor: float) -> None:
    """Draw the magnets, dashed from "above", filled with an arrow from the "side"."""
    from matplotlib.patches import Polygon
    from matplotlib.patheffects import Normal, Stroke

    is_side = name == "side"
    for outline in outlines:
        for k, polygon in enumerate(outline[name]):
            filled = is_side and k == 0
            axes.add_patch(
                Polygon(
                    polygon * factor,
                    closed=True,
                    facecolor=style.SINGLE_PARTICLE if filled else "none",
                    edgecolor=style.INK,
                    linewidth=0.8,
                    linestyle="-" if is_side else (0, (4, 2)),
                    zorder=1.5 if is_side else 2.5,
                    # A dark line with a light rim shows on light and dark ground.
                    path_effects=[Stroke(linewidth=1.8, foreground=style.FAINT), Normal()]
                    if not is_side
                    else None,
                )
            )
        if is_side and outline["axis"] is not None:
            _arrow(axes, outline, factor)


def _arrow(axes: Axes, outline: Outline, factor: float) -> None:
    """Draw the magnetisation in the middle of a magnet, as long as it fits."""
    centre = np.asarray(outline["centre"])[[0, 2]] * factor
    level = np.asarray(outline["axis"])[[0, 2]]
    size = 0.3 * float(np.ptp(outline["side"][0], axis=0).min()) * factor
    if math.hypot(*level) < 0.2:  # it points at the reader
        axes.plot(*centre, marker="o", markersize=3.0, color=style.INK)
        return
    axes.annotate(
        "", xy=tuple(centre + size * level), xytext=tuple(centre - size * level),
        arrowprops={"arrowstyle": "-|>", "color": style.MARK, "linewidth": 1.2,
                    "shrinkA": 0, "shrinkB": 0, "mutation_scale": 8},
        annotation_clip=True,
    )  # fmt: skip


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


def plain_decades(bar: Axes, image: Any) -> None:
    """Put plain numbers on a colour bar that is logarithmic."""
    from matplotlib.colors import LogNorm
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    if isinstance(image.norm, LogNorm):
        bar.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        bar.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        bar.yaxis.set_minor_formatter(NullFormatter())


def _words(figure: Figure, above: Axes, side: Axes, columns: Columns) -> None:
    """Write what the signs mean above each view."""
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
    small: dict[str, Any] = {"fontsize": style.SMALL_POINTS, "color": style.QUIET}
    lift = 1.2 * style.MILLIMETRE / figure.get_figheight()
    for axes, title, text in (
        (above, "The film from above", "; ".join(signs) + "; dashed: magnets"),
        (side, "From the side", "the cell through its middle, thickness not to scale; magnets and "
         "their magnetisation"),
    ):  # fmt: skip
        box = axes.get_position()
        up = 4.0 * style.MILLIMETRE / figure.get_figheight()
        figure.text(box.x0, box.y1 + lift + 0.85 * up, title, fontsize=style.FONT_POINTS)
        figure.text(box.x0, box.y1 + lift, text, **small)


# ---------------------------------------------------------------- numbers


def numbers_map(x: Floats, y: Floats, columns: Columns, outlines: list[Outline]) -> Figure:
    """Tilt, Langevin parameter, predicted length and drift over the cell; see `chains_map`."""
    with style.publication():
        shape = float((y[-1] - y[0]) / (x[-1] - x[0]))
        height = min(2.0 * (62.0 * shape + 18.0), 230.0) * style.MILLIMETRE
        figure = style.new_figure(style.DOUBLE_COLUMN, height)
        panels = figure.subplots(2, 2, sharex=True, sharey=True)
        scale = style.scale_for(float(max(x[-1], y[-1])), "m")
        drift = [columns[f"drift_{axis}_m_per_s"] for axis in "xy"]
        shown = (
            ("Tilt out of the plane (°)", np.abs(columns["tilt_deg"]), False),
            ("Langevin parameter", columns["langevin_parameter"], True),
            ("Predicted mean chain length", columns["mean_length"], False),
            ("Drift in the plane (nm/s)", np.hypot(*drift) * 1e9, True),
        )
        for axes, (title, values, wide) in zip(panels.ravel(), shown, strict=True):
            _panel(figure, axes, x, y, values, title, wide, scale.factor)
            magnet_outlines(axes, outlines, "above", scale.factor)
            axes.set_xlim(*(scale.factor * x[[0, -1]]))
            axes.set_ylim(*(scale.factor * y[[0, -1]]))
        _drift_arrows(panels[1, 1], x, y, drift, scale.factor)
        for axes in panels[1]:
            axes.set_xlabel(scale.label("x"))
        for axes in panels[:, 0]:
            axes.set_ylabel(scale.label("y"))
        return figure


def _panel(
    figure: Figure, axes: Axes, x: Floats, y: Floats, values: Floats, title: str, wide: bool,
    factor: float,
) -> None:  # fmt: skip
    """Draw one number over the cell; over decades where it is wide and varies tenfold."""
    from matplotlib.colors import LogNorm, Normalize

    high = float(values.max())
    low = max(float(values.min()), 1e-3 * high)
    norm = LogNorm(low, high) if wide and high > 10.0 * low > 0.0 else None
    image = axes.imshow(
        np.maximum(values, low) if norm else values,
        origin="lower",
        extent=_edges(x, y, factor),
        cmap=style.COLOUR_MAP,
        norm=norm if norm else Normalize(0.0, 90.0) if title.startswith("Tilt") else None,
        aspect="equal",
        interpolation="nearest",
    )
    axes.set_title(title, loc="left")
    axes.tick_params(direction="out", top=False, right=False)
    bar = figure.colorbar(image, ax=axes, pad=0.02, aspect=22)
    bar.ax.tick_params(direction="out")
    plain_decades(bar.ax, image)


def _drift_arrows(axes: Axes, x: Floats, y: Floats, drift: list[Floats], factor: float) -> None:
    """Draw directions of the drift in the plane, all of one length; its speed is the colour."""
    step = 2 * max(round((max(x.size, y.size) - 1) / 24), 1)
    picks = [_centred(n, step) for n in (x.size, y.size)]
    parts = np.stack([part[np.ix_(picks[1], picks[0])] for part in drift])
    speed = np.hypot(*parts)
    unit = np.divide(parts, speed, out=np.zeros_like(parts), where=speed > 1e-3 * speed.max())
    axes.quiver(
        x[picks[0]] * factor, y[picks[1]] * factor, *unit, pivot="middle", scale=16.0,
        width=0.006, color="white", edgecolor=style.INK, linewidth=0.3,
    )  # fmt: skip
