"""Figure of the numbers of a map over the cell: tilt, Langevin parameter, length and drift."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.cell.axes import Outline, centred, four_maps, mesh_edges, plain_decades
from analysis.common.arrays import Floats
from analysis.pictures import record, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Columns = dict[str, NDArray[Any]]

_LOWEST = 0.02
"""Share of the cell whose lower values look alike on a logarithmic scale."""


@record.figure()
def numbers_map(
    x: Floats, y: Floats, columns: Columns, outlines: list[Outline], note: str = ""
) -> Figure:
    """Draw tilt, Langevin parameter, predicted length and drift over the cell.

    Parameters
    ----------
    x, y : ndarray (columns,), (rows,)
        Places in m.
    columns : dict
        Arrays (rows, columns): ``tilt_deg``, ``langevin_parameter``, ``mean_length``,
        ``drift_x_m_per_s`` and ``drift_y_m_per_s``.
    outlines : list of dict
        The magnets, see `analysis.cell.axes.Outline`.
    note : str
        Stands at the head.

    Returns
    -------
    Figure
        Four maps to scale.
    """
    with four_maps(x, y, outlines, note) as (figure, panels, scale):
        drift = [columns[f"drift_{axis}_m_per_s"] for axis in "xy"]
        shown = (
            ("Tilt out of the plane (°)", np.abs(columns["tilt_deg"]), False),
            ("Langevin parameter", columns["langevin_parameter"], True),
            (_length_title(columns), columns["mean_length"], False),
            ("Drift in the plane (nm/s)", np.hypot(*drift) * 1e9, True),
        )
        for axes, (title, values, wide) in zip(panels.ravel(), shown, strict=True):
            _panel(figure, axes, x, y, values, title, wide, scale.factor)
        _drift_arrows(panels[1, 1], x, y, drift, scale.factor)
    return figure


def _length_title(columns: Columns) -> str:
    """Name the length, and how far it may be off where that is known."""
    title = "Predicted mean chain length"
    if "mean_length_high" not in columns:
        return title
    place = np.unravel_index(np.argmax(columns["mean_length"]), columns["mean_length"].shape)
    high, length = (float(columns[name][place]) for name in ("mean_length_high", "mean_length"))
    return f"{title} (to a factor {(high - 1.0) / (length - 1.0):.2g})" if length > 1.0 else title


def _panel(
    figure: Figure, axes: Axes, x: Floats, y: Floats, values: Floats, title: str, wide: bool,
    factor: float,
) -> None:  # fmt: skip
    """Draw one number over the cell; over decades where it is wide and varies tenfold."""
    from matplotlib.colors import LogNorm, Normalize

    high = float(values.max())
    # A point at which nothing pulls would take all the colours of a logarithmic scale.
    low = max(float(np.quantile(values, _LOWEST)), 1e-3 * high)
    norm = LogNorm(low, high) if wide and high > 10.0 * low > 0.0 else None
    image = axes.imshow(
        np.maximum(values, low) if norm else values,
        origin="lower",
        extent=mesh_edges(x, y, factor),
        cmap=style.COLOUR_MAP,
        norm=norm if norm else Normalize(0.0, 90.0) if title.startswith("Tilt") else None,
        aspect="equal",
        interpolation="nearest",
    )
    axes.set_title(title, loc="left")
    axes.tick_params(direction="out", top=False, right=False)
    pointed = "min" if norm and values.min() < low else "neither"
    bar = figure.colorbar(image, ax=axes, pad=0.02, aspect=22, extend=pointed)
    bar.ax.tick_params(direction="out")
    plain_decades(bar.ax, image)


def _drift_arrows(axes: Axes, x: Floats, y: Floats, drift: list[Floats], factor: float) -> None:
    """Draw directions of the drift in the plane, all of one length; its speed is the colour."""
    step = 2 * max(round((max(x.size, y.size) - 1) / 24), 1)
    picks = [centred(n, step) for n in (x.size, y.size)]
    parts = np.stack([part[np.ix_(picks[1], picks[0])] for part in drift])
    speed = np.hypot(*parts)
    still = np.full_like(parts, np.nan)  # draws no arrow
    unit = np.divide(parts, speed, out=still, where=speed > 1e-3 * speed.max())
    axes.quiver(
        x[picks[0]] * factor, y[picks[1]] * factor, *unit, pivot="middle", scale=16.0,
        width=0.006, color="white", edgecolor=style.INK, linewidth=0.3,
    )  # fmt: skip
