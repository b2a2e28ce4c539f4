"""Tables of a drift over a cell: volume fraction by place and time, change by time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from analysis.files import write_text

MAP_COLUMNS = ("time_s", "x_m", "y_m", "field_T", "energy_kT", "volume_fraction")
CHANGE_COLUMNS = ("time_s", "change")


def write_drift_map(
    path: Path,
    x_m: ArrayLike,
    y_m: ArrayLike,
    field_t: ArrayLike,
    energy_kt: ArrayLike,
    time_s: ArrayLike,
    volume_fraction: ArrayLike,
    equilibrium: ArrayLike,
) -> Path:
    """Write the frames as CSV, a row a grid cell and time; see ``MAP_COLUMNS``.

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

    Returns
    -------
    Path
        The file.
    """
    x, y = np.meshgrid(np.asarray(x_m, float), np.asarray(y_m, float))
    places = [np.asarray(a, float).ravel() for a in (x, y, field_t, energy_kt)]
    lines = [",".join(MAP_COLUMNS)]
    frames = [*np.asarray(volume_fraction, float), np.asarray(equilibrium, float)]
    for time, frame in zip([*np.asarray(time_s, float), np.inf], frames, strict=True):
        rows = zip(*places, frame.ravel(), strict=True)
        lines += [",".join(map(repr, map(float, (time, *row)))) for row in rows]
    return write_text(path, "\n".join(lines) + "\n")


def write_drift_change(path: Path, step_time_s: ArrayLike, change: ArrayLike) -> Path:
    """Write how far the film has gone to equilibrium as CSV, a row a time step.

    Parameters
    ----------
    path : Path
        The file.
    step_time_s, change : (steps,) array
        Times in s and the share of the way, 0 to 1.

    Returns
    -------
    Path
        The file.
    """
    pairs = zip(np.asarray(step_time_s, float), np.asarray(change, float), strict=True)
    lines = [",".join(CHANGE_COLUMNS), *(f"{float(t)!r},{float(c)!r}" for t, c in pairs)]
    return write_text(path, "\n".join(lines) + "\n")
