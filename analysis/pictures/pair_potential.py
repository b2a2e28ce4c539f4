"""Draws the potential of two particles head to tail: each part, the sum, minimum and barrier."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.pictures import record, style

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["pair_potential", "save_pair_potential"]

# Word, colour and dash of a curve; others are drawn by the words of their key.
STYLES: dict[str, tuple[str, str, Any]] = {
    "dipole_kt": ("dipoles", style.FIRST, (0, (5, 1.5))),
    "steric_kt": ("repulsion of the shells", style.SECOND, (0, (1, 1))),
    "van_der_waals_kt": ("van der Waals", style.THIRD, (0, (5, 1.5, 1, 1.5))),
    "electrostatic_kt": ("charges", style.QUIET, (0, (3, 1, 1, 1, 1, 1))),
}
LEAST_TOP = 5.0
HEADROOM = 1.25


@record.figure()
def pair_potential(curves: Mapping[str, Mapping[str, Any]]) -> Figure:
    """Draw the potential of pairs, a panel each.

    Parameters
    ----------
    curves : mapping
        By name of the pair (``median``, ``largest_tenth``): arrays ``distance_m`` (n,), and in kT
        ``total_kt`` and its parts (n,), as ``dipole_kt``, ``steric_kt``, ``van_der_waals_kt``,
        ``electrostatic_kt`` and all others that end in ``_kt``; numbers ``contact_m``,
        ``minimum_distance_m``, ``minimum_kt``, ``barrier_distance_m`` and ``barrier_kt`` (None
        where there is none).

    Returns
    -------
    Figure
        Energy in kT over the distance of the centres in nm.
    """
    height = (62.0 * len(curves) + 10.0) * style.MILLIMETRE
    with style.publication():
        figure = style.new_figure(height=height)
        panels = figure.subplots(len(curves), 1, squeeze=False)[:, 0]
        for axes, (name, curve) in zip(panels, curves.items(), strict=True):
            _draw(axes, name.replace("_", " "), curve)
        style.legend_above(panels[0])
    return figure


def _draw(axes: Axes, name: str, curve: Mapping[str, Any]) -> None:
    """Draw one pair."""
    r = np.asarray(curve["distance_m"], float) * 1e9
    total = np.asarray(curve["total_kt"], float)
    for key in [key for key in curve if key.endswith("_kt") and key != "total_kt"]:
        plain = (key.removesuffix("_kt").replace("_", " "), style.QUIET, (0, (1, 3)))
        word, colour, dash = STYLES.get(key, plain)
        values = np.asarray(curve[key], float)
        if values.ndim and np.any(values != 0.0):
            axes.plot(r, values, color=colour, linestyle=dash, label=word)
    axes.plot(r, total, color=style.INK, linewidth=1.6, label="sum")
    axes.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
    low, high = _span(curve, total)
    axes.set_ylim(low, high)
    axes.set_xlim(r[0], r[-1])
    axes.set_xlabel("Distance of centres (nm)")
    axes.set_ylabel("Energy (kT)")
    contact = float(curve["contact_m"]) * 1e9
    if r[0] < contact < r[-1]:
        axes.axvline(contact, color=style.FAINT, linewidth=0.7, zorder=0)
        axes.annotate(
            "shells touch", (contact, low), (3, 3), textcoords="offset points",
            fontsize=style.SMALL_POINTS, color=style.QUIET,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip
    _mark(axes, curve)
    axes.text(
        0.97, 0.95, f"{name} pair, head to tail\n{_barrier_words(curve)}", ha="right", va="top",
        transform=axes.transAxes, fontsize=style.SMALL_POINTS,
    )  # fmt: skip


def _span(curve: Mapping[str, Any], total: np.ndarray[Any, Any]) -> tuple[float, float]:
    """Range of the energy axis: minimum and barrier in full, steep flanks cut."""
    depth, barrier = float(curve["minimum_kt"]), curve["barrier_kt"]
    top = max(LEAST_TOP, depth + float(barrier or 0.0), -0.6 * depth)
    bottom = min(depth, -LEAST_TOP, max(float(total.min()), 3.0 * depth))
    return HEADROOM * bottom, HEADROOM * top


def _mark(axes: Axes, curve: Mapping[str, Any]) -> None:
    """Mark the bound minimum, and the top of the barrier where there is one."""
    place, depth = float(curve["minimum_distance_m"]) * 1e9, float(curve["minimum_kt"])
    axes.plot([place], [depth], "o", color=style.MARK, markersize=3.5)
    if curve["barrier_kt"]:
        top = float(curve["barrier_distance_m"]) * 1e9
        axes.plot([top], [depth + float(curve["barrier_kt"])], "^", color=style.MARK, markersize=4)


def _barrier_words(curve: Mapping[str, Any]) -> str:
    """Minimum and barrier in words."""
    place = float(curve["minimum_distance_m"]) * 1e9
    bound = f"minimum {float(curve['minimum_kt']):.1f} kT at {place:.1f} nm"
    if curve["barrier_kt"] is None:
        return f"{bound}\nno cores that could touch"
    return f"{bound}\nbarrier {float(curve['barrier_kt']):.1f} kT against touching cores"


def save_pair_potential(curves: Mapping[str, Mapping[str, Any]], path: Path) -> Path:
    """Draw the potential of pairs into a file.

    Parameters
    ----------
    curves : mapping
        As `pair_potential` takes them.
    path : Path
        A png, svg or pdf file; its folder is made if it is missing.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    ValueError
        If the file's name ends in none of the three.
    OSError
        If the file cannot be written.
    """
    kind = style.check_format(path.suffix.lstrip(".").lower())
    path.parent.mkdir(parents=True, exist_ok=True)
    return style.save(pair_potential(curves), path, kind)
