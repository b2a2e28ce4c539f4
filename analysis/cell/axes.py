"""What the figures of a cell share: magnets and edges drawn to scale, numbers on colour bars."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.pictures import style
from analysis.uncertainty.number_text import Scale, scale_for, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

Outline = dict[str, Any]
"""A magnet as drawn: lists of polygons (k, 2) in m, ``above`` (x, y) and ``side`` (x, z), and
``axis``, the unit vector of its magnetisation, or None, at ``centre``, both (3,)."""


@contextmanager
def four_maps(
    x: Floats, y: Floats, outlines: list[Outline], note: str
) -> Iterator[tuple[Figure, NDArray[Any], Scale]]:
    """Give a figure of four maps of the cell to scale, which get their magnets and axes at the end.

    Parameters
    ----------
    x, y : ndarray (columns,), (rows,)
        Places in m.
    outlines : list of Outline
        The magnets.
    note : str
        Stands at the head.

    Yields
    ------
    Figure, (2, 2) array of Axes, Scale
        The unit of the axes with them.
    """
    with style.publication():
        shape = float((y[-1] - y[0]) / (x[-1] - x[0]))
        height = min(2.0 * (62.0 * shape + 18.0), 230.0) * style.MILLIMETRE
        figure = style.new_figure(style.DOUBLE_COLUMN, height)
        head_note(figure, note)
        panels = figure.subplots(2, 2, sharex=True, sharey=True)
        scale = scale_for(float(max(x[-1], y[-1])), "m")
        yield figure, panels, scale
        for axes in panels.ravel():
            magnet_outlines(axes, outlines, "above", scale.factor)
            axes.set_xlim(*(scale.factor * x[[0, -1]]))
            axes.set_ylim(*(scale.factor * y[[0, -1]]))
        for axes in panels[1]:
            axes.set_xlabel(scale.label("x"))
        for axes in panels[:, 0]:
            axes.set_ylabel(scale.label("y"))


def hatch(
    axes: Axes, x: Floats, y: Floats, where: NDArray[np.bool_], colour: str, width: float = 0.5
) -> None:
    """Hatch the places of a map, on its axes, where something holds."""
    import matplotlib as mpl

    if where.any():
        with mpl.rc_context({"hatch.color": colour, "hatch.linewidth": width}):
            axes.contourf(
                x, y, where.astype(float), levels=[0.5, 1.5], colors="none", hatches=["////"]
            )


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


def mesh_edges(x: Floats, y: Floats, factor: float) -> tuple[float, float, float, float]:
    """Return the outer edges of the meshes around the points."""
    half_x, half_y = (0.5 * (s[-1] - s[0]) / (s.size - 1) for s in (x, y))
    edges = [x[0] - half_x, x[-1] + half_x, y[0] - half_y, y[-1] + half_y]
    left, right, low, high = (factor * float(edge) for edge in edges)
    return left, right, low, high


def centred(count: int, step: int) -> NDArray[np.int64]:
    """Return every step-th of some points, half a step away from both ends."""
    chosen = max((count - 1) // step, 1)
    return np.arange(chosen) * step + (count - 1 - (chosen - 1) * step) // 2


def plain_decades(bar: Axes, image: Any) -> None:
    """Put plain numbers on a colour bar that is logarithmic."""
    from matplotlib.colors import LogNorm

    if isinstance(image.norm, LogNorm):
        plain_numbers(bar.yaxis)


def plain_numbers(axis: Axis, subs: tuple[float, ...] = (1.0, 2.0, 5.0)) -> None:
    """Put plain numbers, such as 0.1, 0.2 and 0.5, on a logarithmic axis."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.set_major_locator(LogLocator(subs=subs))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def time_note(moment: float | None) -> str:
    """Say when magnets that move stand as they are drawn; nothing of those that stand still.

    Parameters
    ----------
    moment : float or None
        Time in s since the start of their programme.
    """
    if moment is None:
        return ""
    if moment == 0.0:
        return "magnets as at the start of their programme"
    return f"magnets as {with_unit(moment, 's')} into their programme"


def head_note(figure: Figure, note: str) -> None:
    """Write at the head of a figure with automatic layout what holds for all of it, if anything."""
    if note:
        figure.suptitle(
            f"{note[0].upper()}{note[1:]}", x=0.01, ha="left", fontsize=style.FONT_POINTS
        )
