"""The film as it stands in the last frame: from above, from the side, and both together.

Particles are circles of their own diameter. Those nearer to the viewer cover those behind, which
are paler. A chain keeps its colour in both views; particles in no chain are pale grey. A view too
deep to be seen through shows its nearest part only and says how deep that is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.chains.time_series import TimeSeries
from analysis.pictures import record, style
from analysis.pictures.chain_colours import chain_colours
from analysis.uncertainty.number_text import as_float, scale_for, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from analysis.measures.measure import Measurement
    from analysis.trajectory.run import Run

# Inches around a view for numbers, labels and writing, and how far a figure may go.
_LEFT, _RIGHT, _BELOW, _ABOVE, _ABOVE_NARROW = 0.52, 0.12, 0.36, 0.32, 0.56
_NARROW_POINTS = 400.0  # below this width title, field and scale bar go on lines of their own
_HIGHEST, _NARROWEST = 6.2, 3.8
_WRITING_POINTS = 7.0  # height above a view of its scale bar and field arrow
_FIELD_AT = 0.62  # where the words on the field end, as a share of the width
_SEEN = 0.2  # share of a field in the view from which on it has an arrow
_MOST_COVER = 0.9  # discs drawn may cover the view this many times over
PALING = 0.5  # share of white mixed into the particle that is farthest away
EDGE = 0.45  # a disc's edge has so much of its colour, the rest is black


@dataclass(frozen=True)
class View:
    """One direction of looking: which axes run right and up, and which way the viewer sits."""

    across: int
    up: int
    depth: int
    nearest_is_large: bool


TOP = View(across=0, up=1, depth=2, nearest_is_large=True)  # seen from above the upper window
SIDE = View(across=0, up=2, depth=1, nearest_is_large=False)  # seen along +y


@record.figure()
def film_top(measurement: Measurement, run: Run) -> Figure:
    """Film in the last frame seen from above (x-y), coloured by chain, to scale."""
    return _one_view(measurement, run, TOP, "From above")


@record.figure()
def film_side(measurement: Measurement, run: Run) -> Figure:
    """Film in the last frame seen from the side (x-z), with its two windows, to scale."""
    return _one_view(measurement, run, SIDE, "From the side")


@record.figure(
    "The film at the end",
    "Every disc is a particle, drawn to scale. One colour is one chain, and neighbours differ; "
    "pale grey particles stand alone. Paler discs lie deeper. Thick lines are windows; beyond "
    "dashed borders the film repeats, or goes on where a part of it is drawn.",
    wide=True,
)
def film_views(measurement: Measurement, run: Run) -> Figure:
    """Top view above side view, sharing the x axis and the scale."""
    with style.publication():
        film = _film(measurement)
        if film is None:
            return _no_film()
        figure, (top, side) = panels(film["extent"], (TOP, SIDE))
        draw_view(top, film, TOP, "(a) from above")
        draw_view(side, film, SIDE, "(b) from the side")
        top.set_xlabel("")
        top.tick_params(labelbottom=False)
        draw_scale_bar(side, film["extent"][0])
        draw_field(top, _field_at_end(measurement, run), TOP)
        style.note_provisional(figure, run, below=True)
        return figure


def _one_view(measurement: Measurement, run: Run, view: View, title: str) -> Figure:
    """Make a figure of one view, as wide as a page, as high as the film asks."""
    with style.publication():
        film = _film(measurement)
        if film is None:
            return _no_film()
        figure, (axes,) = panels(film["extent"], (view,))
        draw_view(axes, film, view, title)
        draw_scale_bar(axes, film["extent"][view.across])
        draw_field(axes, _field_at_end(measurement, run), view)
        style.note_provisional(figure, run, below=True)
        return figure


def panels(
    extent: tuple[float, float, float], views: tuple[View, ...], below: float = _BELOW
) -> tuple[Figure, list[Axes]]:
    """Axes of one scale, the first view uppermost, on a figure that fits around them."""
    width = extent[views[0].across]
    heights = [extent[view.up] for view in views]
    scale = min((style.DOUBLE_COLUMN - _LEFT - _RIGHT) / width, _HIGHEST / sum(heights))
    wide = max(width * scale + _LEFT + _RIGHT, _NARROWEST)
    above = _ABOVE_NARROW if 72.0 * width * scale < _NARROW_POINTS else _ABOVE
    total = sum(heights) * scale + below + len(views) * above
    figure = style.new_figure(wide, total)
    figure.set_layout_engine("none")
    panels, top = [], total
    for height in heights:
        top -= above + height * scale
        box = (_LEFT / wide, top / total, width * scale / wide, height * scale / total)
        panels.append(figure.add_axes(box))
    return figure, panels


def _no_film() -> Figure:
    """Say that the last frame holds no particles that can be drawn."""
    figure = style.new_figure()
    style.say_empty(figure.add_subplot(), "No picture: the last frame has no particle positions.")
    return figure


def _film(measurement: Measurement) -> dict[str, Any] | None:
    """Arrays of the last frame in metres with finite positions only, or None if nothing is left."""
    frame = measurement.last_frame
    positions = np.asarray(frame.get("positions", ()), dtype=float)
    if positions.ndim != 2 or positions.shape[0] == 0:
        return None
    diameters = np.broadcast_to(np.asarray(frame["diameters"], dtype=float), len(positions))
    chain_index = np.asarray(frame.get("chain_index", np.full(len(positions), -1)), dtype=int)
    good = np.isfinite(positions).all(axis=1) & np.isfinite(diameters)
    extent = (float(frame["sides"][0]), float(frame["sides"][1]), float(frame["thickness"]))
    if not good.any() or not all(math.isfinite(side) and side > 0 for side in extent):
        return None
    positions, diameters, chain_index = positions[good], diameters[good], chain_index[good]
    return {
        "positions": positions,
        "diameters": diameters,
        "extent": extent,
        "is_part": bool(frame.get("is_part")),
        "windows": frame.get("windows", (True, True)),
        "colours": chain_colours(positions, diameters, chain_index, extent[:2]),
    }


def draw_view(axes: Axes, film: dict[str, Any], view: View, title: str) -> None:
    """Particles, borders, axes and title of one view."""
    width, height = film["extent"][view.across], film["extent"][view.up]
    scale = scale_for(film["extent"][0], "m")
    axes.set_xlim(0.0, width * scale.factor)
    axes.set_ylim(0.0, height * scale.factor)
    axes.set_aspect("equal", adjustable="box")
    slab = _slab(film, view)
    if slab < film["extent"][view.depth]:
        title += f", nearest {with_unit(slab, 'm', 2)}"
    if film["is_part"]:
        title += ", a part"
    _draw_particles(axes, film, view, scale.factor, slab)
    axes.set_xlabel(scale.label("x"), labelpad=1.5)
    axes.set_ylabel(scale.label("yz"[view.up - 1]), va="bottom")
    axes.yaxis.set_label_coords(0.0, 0.5, transform=_beside(axes, 0.36))
    axes.tick_params(direction="out", top=False, right=False)
    high = height * scale.factor * _inches_per_unit(axes)
    if high < 0.3:  # numbers of 7 points would meet
        axes.set_yticks([])
        title += f", {with_unit(height, 'm')} high"
    else:
        axes.locator_params(axis="y", nbins=min(4, max(1, int(high / 0.2))))
    axes.set_title(title, loc="left", pad=26.0 if _is_narrow(axes) else 4.0)
    windows = dict(zip(("bottom", "top"), film["windows"], strict=True))
    for name, spine in axes.spines.items():
        is_window = view.up == 2 and windows.get(name, False)
        spine.set_linewidth(2.0 if is_window else 0.6)
        if not is_window:
            spine.set_linestyle((0, (4, 3)))  # dashed: the film goes on beyond this border
            spine.set_color(style.QUIET)


def _is_narrow(axes: Axes) -> bool:
    """Whether the writing above a view needs lines of its own."""
    low, high = axes.get_xlim()
    return 72.0 * _inches_per_unit(axes) * (high - low) < _NARROW_POINTS


def _slab(film: dict[str, Any], view: View) -> float:
    """Depth in metres that a view shows: all of it, or as much as discs do not hide."""
    depth = float(film["extent"][view.depth])
    area = film["extent"][view.across] * film["extent"][view.up]
    cover = float(np.sum(0.25 * np.pi * film["diameters"] ** 2)) / area
    if cover <= _MOST_COVER:
        return depth
    return float(f"{depth * _MOST_COVER / cover:.1e}")  # a depth of two digits can be quoted


def _draw_particles(
    axes: Axes, film: dict[str, Any], view: View, factor: float, slab: float
) -> None:
    """Circles to scale, nearest drawn last, with copies of those that stick out of the patch."""
    from matplotlib.collections import EllipseCollection

    at, diameters, colours = _with_copies(film, view)
    away = at[:, view.depth] / slab
    if view.nearest_is_large:
        away = (film["extent"][view.depth] - at[:, view.depth]) / slab
    order = np.argsort(-away, kind="stable")
    order = order[away[order] <= 1.0]
    at, diameters, away = at[order], diameters[order] * factor, np.clip(away[order], 0.0, 1.0)
    white = PALING * away[:, None]
    faces = colours[order] * (1.0 - white) + white
    edges = EDGE * colours[order] * (1.0 - white) + white
    points = 72.0 * _inches_per_unit(axes) * float(np.median(diameters))
    discs = EllipseCollection(
        diameters,
        diameters,
        np.zeros(len(diameters)),
        units="xy",
        offsets=at[:, [view.across, view.up]] * factor,
        offset_transform=axes.transData,
        facecolors=faces,
        edgecolors=edges,
        linewidths=min(0.5, 0.1 * points),
    )
    axes.add_collection(discs, autolim=False)


def _inches_per_unit(axes: Axes) -> float:
    """Length on paper of one unit of the x axis."""
    figure = axes.figure
    low, high = axes.get_xlim()
    root = figure.get_figure(root=True)
    share = figure.bbox.width / root.bbox.width  # less than all where axes were lent
    inches = axes.get_position().width * share * root.get_size_inches()[0]
    return float(inches / (high - low))


def _with_copies(
    film: dict[str, Any], view: View
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Positions, diameters and colours, with periodic copies of discs cut by a border."""
    at, diameters, colours = film["positions"], film["diameters"], film["colours"]
    for axis in (view.across, view.up):
        if axis == 2 or film["is_part"]:
            continue  # the windows do not repeat, nor does a part
        side = film["extent"][axis]
        low, high = at[:, axis] < 0.5 * diameters, at[:, axis] > side - 0.5 * diameters
        beyond, before = at[low].copy(), at[high].copy()
        beyond[:, axis] += side
        before[:, axis] -= side
        at = np.concatenate([at, beyond, before])
        colours = np.concatenate([colours, colours[low], colours[high]])
        diameters = np.concatenate([diameters, diameters[low], diameters[high]])
    return at, diameters, colours


def draw_scale_bar(axes: Axes, width: float) -> None:
    """Bar of a round length, about a tenth of the view, above its upper right corner."""
    length = _round_length(0.12 * width)
    start = 1.0 - length / width
    lifted = _above(axes, 0.0)
    axes.plot(
        [start, 1.0],
        [1.0, 1.0],
        transform=lifted,
        color=style.INK,
        linewidth=2.2,
        solid_capstyle="butt",
        clip_on=False,
    )
    words = with_unit(length, "m") + "  "
    axes.text(start, 1.0, words, transform=lifted, ha="right", va="center", fontsize=7.0)


def _above(axes: Axes, right_points: float, up_points: float = 0.0) -> Any:
    """Axes coordinates, moved to the line of writing above the view and by so many points."""
    from matplotlib.transforms import ScaledTranslation

    inches = axes.figure.dpi_scale_trans
    return axes.transAxes + ScaledTranslation(
        right_points / 72.0, (_WRITING_POINTS + up_points) / 72.0, inches
    )


def _beside(axes: Axes, left_inches: float) -> Any:
    """Axes coordinates, moved to the left by so many inches."""
    from matplotlib.transforms import ScaledTranslation

    return axes.transAxes + ScaledTranslation(-left_inches, 0.0, axes.figure.dpi_scale_trans)


def _round_length(wanted: float) -> float:
    """Largest of 1, 2, 5 times a power of ten that is not above `wanted`."""
    decade = 10.0 ** math.floor(math.log10(wanted))
    return max(step * decade for step in (1.0, 2.0, 5.0) if step * decade <= wanted * (1 + 1e-9))


def _field_at_end(measurement: Measurement, run: Run) -> tuple[float, NDArray[np.float64]]:
    """Strength (T) and unit direction of the applied field in the last frame."""
    direction = np.asarray(run.derived.get("field_direction", ()), dtype=float)
    series = TimeSeries.among(measurement.curves).field_t
    strength = float(series[-1]) if series.size else as_float(run.derived.get("largest_field_t"))
    return strength, direction


def draw_field(axes: Axes, field: tuple[float, NDArray[np.float64]], view: View) -> None:
    """Strength of the field and its arrow above the view; words where it points at the viewer."""
    strength, direction = field
    if not math.isfinite(strength) or direction.shape != (3,) or not np.isfinite(direction).all():
        return
    narrow = _is_narrow(axes)
    words = f"B = {with_unit(abs(strength), 'T')}"
    in_view = np.array([direction[view.across], direction[view.up]]) * math.copysign(1.0, strength)
    steepness = float(np.hypot(in_view[0], in_view[1]))
    if strength == 0.0:
        words = "no field"
    else:
        words += _out_of_view(float(direction[view.depth]) * strength, steepness, view)
    if strength != 0.0 and steepness >= _SEEN:
        half = 9.0 * in_view / steepness
        right, up = (12.0, 11.0) if narrow else (14.0, 0.0)
        _draw_arrow(
            axes,
            0.0 if narrow else _FIELD_AT,
            _above(axes, right - half[0], up - half[1]),
            _above(axes, right + half[0], up + half[1]),
        )
    at, shift, align = (0.0, (26.0, 11.0), "left") if narrow else (_FIELD_AT, (0.0, 0.0), "right")
    axes.text(at, 1.0, words, transform=_above(axes, *shift), ha=align, va="center", fontsize=7.0)


def _out_of_view(depth: float, steepness: float, view: View) -> str:
    """Say how far a field points out of a view, where the arrow does not tell."""
    angle = math.degrees(math.acos(min(steepness, 1.0)))
    if angle < 1.0:
        return ""
    way = "towards" if (depth > 0.0) == view.nearest_is_large else "away from"
    return f", {'' if steepness < _SEEN else f'{angle:.0f}° '}{way} the viewer"


def _draw_arrow(axes: Axes, along: float, tail: Any, head: Any) -> None:
    """Arrow of fixed size on paper between two places above the view."""
    axes.annotate(
        "",
        xy=(along, 1.0),
        xycoords=head,
        xytext=(along, 1.0),
        textcoords=tail,
        arrowprops={
            "arrowstyle": "-|>",
            "mutation_scale": 7.0,
            "color": style.INK,
            "linewidth": 1.2,
            "shrinkA": 0.0,
            "shrinkB": 0.0,
        },
        annotation_clip=False,
    )
