"""What more of each free key buys and costs, and one quantity against another."""

from __future__ import annotations

import functools
import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.design.record import Shown, key_of, shown_of
from analysis.pictures import style
from analysis.pictures.record import FigureRecord
from analysis.pictures.style import as_written
from analysis.uncertainty.number_text import Scale

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PAIRS = (
    ("on_time", "mean_length", "Speed against length"),
    ("off_time", "mean_length", "Speed of decay against length"),
    ("transmittance", "retardance", "Light passed against retardance"),
    ("field", "life", "Drift against field"),
    ("spacing", "mean_length", "Spacing against length"),
)
"""Quantities that are drawn against each other, by the words of wishes."""
COLOURS = (style.FIRST, style.SECOND, style.THIRD, style.MARK)
DASHES = ("-", "--", "-.", ":")
LABEL = 26
"""Signs in a line of the label of a small panel."""
NEAR = 0.15
"""Films that differ by less than this share of each other range stand for the curve."""
STEEP = 20.0
"""Axes whose largest value is so many times the smallest are logarithmic."""


def design_figures(told: dict[str, Any]) -> dict[str, FigureRecord[[]]]:
    """Return the figures of a search by name.

    Parameters
    ----------
    told : dict
        Content of design.json.
    """
    found = [_along(told, number) for number in range(len(told["tradeoffs"]))]
    words = {one["word"]: one["label"] for one in told["quantities"]}
    for across, up, title in PAIRS:
        if across in words and up in words and _varies(told, words[across], words[up]):
            found.append(_pair(told, words[across], words[up], title))
    return {one.name: one for one in found}


def _along(told: dict[str, Any], number: int) -> FigureRecord[[]]:
    key = key_of(told["tradeoffs"][number])
    return FigureRecord(
        f"along_{key.key.replace('.', '_')}",
        functools.partial(draw_along, told, number),
        f"What more buys and costs: {key.words[:1].lower()}{key.words[1:]}",
        "Each quantity along this key, the others as in the film that is marked by the upright "
        "line. Bands hold 68 of 100 films; dots are films that were run, grey ones with other keys "
        "far from those of the film; shaded is what the wish does not allow.",
        wide=True,
    )


def _pair(told: dict[str, Any], across: str, up: str, title: str) -> FigureRecord[[]]:
    return FigureRecord(
        f"pair_{across.partition(' ')[0]}_{up.partition(' ')[0]}",
        functools.partial(draw_pair, told, across, up),
        title,
        "Each line follows one free key over its range through the film, the ring; the square is "
        "its largest value. Crosses are 68 % bands, dots films that were run.",
    )


def _varies(told: dict[str, Any], *labels: str) -> bool:
    """Say whether both quantities change along any key, by more than a thousandth."""

    def spread(label: str) -> float:
        rows = [np.array(row["quantities"][label]["value"]) for row in told["tradeoffs"]]
        return max(float(np.ptp(r) / max(np.abs(r).max(), 1e-300)) for r in rows)

    return all(spread(label) > 1e-3 for label in labels)


def draw_along(told: dict[str, Any], number: int) -> Figure:
    """Draw all quantities along one free key."""
    row = told["tradeoffs"][number]
    shown = [one for one in shown_of(told).values() if _changes(row["quantities"][one.label])]
    with style.publication():
        columns = min(3, max(1, len(shown)))
        rows = math.ceil(max(1, len(shown)) / columns)
        figure = style.new_figure(style.DOUBLE_COLUMN, 56.0 * rows * style.MILLIMETRE)
        if not shown:
            style.say_empty(figure.add_subplot(), "nothing changes along this key")
        for place, one in enumerate(shown, 1):
            _one_along(figure.add_subplot(rows, columns, place), told, row, one)
        return figure


def _changes(curve: dict[str, Any]) -> bool:
    values = np.array(curve["value"])
    return bool(np.ptp(values) > 1e-3 * np.abs(values).max())


def _one_along(axes: Axes, told: dict[str, Any], row: dict[str, Any], one: Shown) -> None:
    """Draw one quantity along a key with its band, the films run and what the wish forbids."""
    key, curve = key_of(row), row["quantities"][one.label]
    across = np.array(row["values"]) * key.scale(row["values"]).factor
    scale = one.scale(curve["value"])
    value, low, high = (scale.factor * np.array(curve[k]) for k in ("value", "low", "high"))
    axes.fill_between(across, low, high, color=style.FIRST, alpha=0.2, linewidth=0)
    axes.plot(across, value, color=style.FIRST)
    for near, colour in ((False, style.QUIET), (True, style.SECOND)):
        _dots(
            axes, _ran(told, one.label, row["path"], near), key.scale(row["values"]), scale, colour
        )
    axes.axvline(row["here"] * key.scale(row["values"]).factor, color=style.QUIET, linewidth=0.8)
    _log_where_steep(axes, value)
    _forbid(axes, one, scale.factor)
    axes.set_xlabel(as_written(key.label(row["values"])))
    axes.set_ylabel(as_written(textwrap.fill(scale.label(one.name), LABEL)))


def _dots(
    axes: Axes, ran: list[tuple[float, float, float]], across: Scale, up: Scale, colour: str
) -> None:
    """Draw films that were run, with their errors."""
    if ran:
        at, found, error = np.array(ran).T
        axes.errorbar(
            at * across.factor, found * up.factor, error * up.factor, fmt="o", color=colour,
            elinewidth=0.7, markersize=2.4,
        )  # fmt: skip


def _ran(
    told: dict[str, Any], label: str, path: str, near: bool
) -> list[tuple[float, float, float]]:
    """Return place along a key, value and error of the films that measured a quantity.

    Those that are near the film in all other keys, or those that are not.
    """
    spans = {one["path"]: one["most"] - one["least"] for one in told["free"]}
    here = {row["path"]: row["here"] for row in told["tradeoffs"]}
    out = []
    for run in told["runs"]:
        entry, columns = run["values"][label], run["columns"]
        apart = [abs(columns[k] - here[k]) / spans[k] for k in spans if k != path]
        if entry["value"] is not None and (max(apart, default=0.0) < NEAR) == near:
            out.append((columns[path], entry["value"], entry["error"] or 0.0))
    return out


def _log_where_steep(axes: Axes, values: Any) -> None:
    if values.min() > 0 and values.max() > STEEP * values.min():
        axes.set_yscale("log")


def _forbid(axes: Axes, one: Shown, factor: float) -> None:
    """Shade what a wish does not allow; an end beyond the axes is brought just inside."""
    low, high = axes.get_ylim()
    margin = 0.05 * (high - low) if axes.get_yscale() == "linear" else 0.0
    if math.isfinite(one.least):
        high, low = max(high, one.least * factor + margin), min(low, one.least * factor - margin)
        axes.axhspan(low, one.least * factor, color=style.FAINT, alpha=0.5, linewidth=0)
    if math.isfinite(one.most):
        high, low = max(high, one.most * factor + margin), min(low, one.most * factor - margin)
        axes.axhspan(one.most * factor, high, color=style.FAINT, alpha=0.5, linewidth=0)
    axes.set_ylim(low, high)


def draw_pair(told: dict[str, Any], across: str, up: str) -> Figure:
    """Draw one quantity against another along each free key."""
    shown = shown_of(told)
    x_of, y_of = shown[across], shown[up]
    rows = told["tradeoffs"]
    factors = [
        one.scale([v for row in rows for v in row["quantities"][one.label]["value"]])
        for one in (x_of, y_of)
    ]
    with style.publication():
        figure = style.new_figure(style.SINGLE_COLUMN, 76.0 * style.MILLIMETRE)
        axes = figure.add_subplot()
        for row, colour, dash in zip(rows, COLOURS * 2, DASHES * 2, strict=False):
            _path(axes, row, (across, up), [f.factor for f in factors], (colour, dash))
        for run in told["runs"]:
            x, y = (run["values"][label]["value"] for label in (across, up))
            if x is not None and y is not None:
                axes.plot(
                    x * factors[0].factor, y * factors[1].factor, ".", color=style.QUIET,
                    markersize=3, zorder=1,
                )  # fmt: skip
        here = {q["label"]: q["expected"]["value"] for q in told["quantities"]}
        axes.plot(
            here[across] * factors[0].factor, here[up] * factors[1].factor, "o",
            markerfacecolor="none", markeredgecolor=style.INK, markersize=7, zorder=4,
        )  # fmt: skip
        axes.set_xlabel(as_written(factors[0].label(x_of.name)))
        axes.set_ylabel(as_written(factors[1].label(y_of.name)))
        style.legend_above(axes, columns=1)
        return figure


def _path(
    axes: Axes,
    row: dict[str, Any],
    labels: tuple[str, str],
    factors: list[float],
    look: tuple[str, str],
) -> None:
    """Draw the way of two quantities along one key, with crosses for their bands."""
    x, y = (
        {k: f * np.array(row["quantities"][label][k]) for k in ("value", "low", "high")}
        for label, f in zip(labels, factors, strict=True)
    )
    colour, dash = look
    key = key_of(row)
    ends = " to ".join(
        key.shown(end, row["values"]) for end in (row["values"][0], row["values"][-1])
    )
    axes.plot(x["value"], y["value"], dash, color=colour, label=as_written(f"{key.short}, {ends}"))
    some = slice(0, None, 6)
    axes.errorbar(
        x["value"][some], y["value"][some],
        [(y["value"] - y["low"])[some], (y["high"] - y["value"])[some]],
        [(x["value"] - x["low"])[some], (x["high"] - x["value"])[some]],
        fmt="none", ecolor=colour, elinewidth=0.6, alpha=0.6, capsize=0,
    )  # fmt: skip
    axes.plot(x["value"][-1], y["value"][-1], "s", color=colour, markersize=4)
