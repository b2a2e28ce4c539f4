"""Files of a drift over a cell: by place and time, change by time, one row per frame, a grid."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.cell.files import grid_document
from analysis.files.csv_text import write_csv
from analysis.files.writing import write_text

MAP_COLUMNS = ("time_s", "x_m", "y_m", "field_T", "energy_kT", "volume_fraction")
CHANGE_COLUMNS = ("time_s", "change")
FRAME_COLUMNS = (
    "time_s", "change", "volume_fraction_least", "volume_fraction_most", "spacing_least_m",
    "spacing_most_m", "share_with_chains",
)  # fmt: skip


def write_drift_map(
    path: Path,
    x_m: ArrayLike,
    y_m: ArrayLike,
    field_t: ArrayLike,
    energy_kt: ArrayLike,
    time_s: ArrayLike,
    volume_fraction: ArrayLike,
    equilibrium: ArrayLike,
    chains: Mapping[str, ArrayLike] | None = None,
) -> Path:
    """Write the frames as CSV, a row for each grid cell and time; see ``MAP_COLUMNS``.

    Parameters
    ----------
    path : Path
        The file.
    x_m, y_m : (columns,), (rows,) array
        Centres of the grid cells in m.
    field_t, energy_kt : (rows, columns) array
        |B| in T and the energy of a particle in kT.
    time_s : (frames,) array
        Times in s.
    volume_fraction : (frames, rows, columns) array
        Volume fraction at these times.
    equilibrium : (rows, columns) array
        Volume fraction after an endless time; its rows come last, with the time "inf".
    chains : mapping, optional
        Further columns by name, (frames + 1, rows, columns) each, equilibrium last.

    Returns
    -------
    Path
        The file.
    """
    x, y = np.meshgrid(np.asarray(x_m, float), np.asarray(y_m, float))
    places = [np.asarray(a, float).ravel() for a in (x, y, field_t, energy_kt)]
    more = {name: np.asarray(values, float) for name, values in (chains or {}).items()}
    lines: list[tuple[Any, ...]] = []
    frames = [*np.asarray(volume_fraction, float), np.asarray(equilibrium, float)]
    for k, time in enumerate([*np.asarray(time_s, float), np.inf]):
        rows = zip(*places, frames[k].ravel(), *(v[k].ravel() for v in more.values()), strict=True)
        lines += [(_time(time), *row) for row in rows]
    return write_csv(path, (*MAP_COLUMNS, *more), lines)


def _time(value: float) -> float | str:
    """Return a time as tables hold it: the last, in equilibrium, is endless."""
    return "inf" if math.isinf(value) else value


def write_drift_change(path: Path, change_time_s: ArrayLike, change: ArrayLike) -> Path:
    """Write how far the film has gone to equilibrium as CSV, a row for each time.

    Parameters
    ----------
    path : Path
        The file.
    change_time_s, change : (steps,) array
        Times in s and the share of the way, 0 to 1.

    Returns
    -------
    Path
        The file.
    """
    pairs = zip(np.asarray(change_time_s, float), np.asarray(change, float), strict=True)
    return write_csv(path, CHANGE_COLUMNS, pairs)


def write_drift_frames(
    path: Path,
    time_s: ArrayLike,
    change: ArrayLike,
    volume_fraction: ArrayLike,
    spacing_m: ArrayLike,
    share_with_chains: ArrayLike,
) -> Path:
    """Write what the whole cell does as CSV, a row per frame; see ``FRAME_COLUMNS``.

    Parameters
    ----------
    path : Path
        The file.
    time_s, change, share_with_chains : (frames,) array
        Times in s (inf: equilibrium), share of the way there, share of the cell with chains.
    volume_fraction, spacing_m : (frames, rows, columns) array
        Volume fraction, and spacing by the line density in m, of which the least and the largest
        value are written.

    Returns
    -------
    Path
        The file.
    """
    ends = [
        np.reshape(values, (len(np.asarray(time_s)), -1)) for values in (volume_fraction, spacing_m)
    ]
    spans = [edge for values in ends for edge in (values.min(axis=1), values.max(axis=1))]
    rows = np.column_stack([time_s, change, *spans, share_with_chains])
    return write_csv(path, FRAME_COLUMNS, ((_time(row[0]), *row[1:]) for row in rows.tolist()))


def write_drift_grid(
    path: Path,
    x_m: NDArray[np.float64],
    y_m: NDArray[np.float64],
    time_s: ArrayLike,
    columns: Mapping[str, ArrayLike],
) -> Path:
    """Write all frames as VTK XML ImageData over the centres of the grid cells, in mm.

    Parameters
    ----------
    path : Path
        The file.
    x_m, y_m : (columns,), (rows,) array
        Centres in m.
    time_s : (frames,) array
        Times in s (inf: equilibrium).
    columns : mapping
        Arrays (frames, rows, columns) by name; those of a frame are called ``NAME_after_TIME_s`` or
        ``NAME_in_equilibrium``.

    Returns
    -------
    Path
        The file.
    """
    arrays: dict[str, NDArray[Any]] = {}
    for k, time in enumerate(np.asarray(time_s, float)):
        when = f"after_{time:.6g}_s" if np.isfinite(time) else "in_equilibrium"
        arrays |= {f"{name}_{when}": np.asarray(values)[k] for name, values in columns.items()}
    return write_text(path, grid_document(x_m, y_m, arrays))
