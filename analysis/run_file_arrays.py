"""Arrays of a run file that are read as a whole, checked: schedule, box, sizes; and their units.

Shapes are looked at before anything is read. Numbers must be finite and of a size with which
squares and cubes can still be taken.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.plain_attributes import attribute, require_numbers
from analysis.run_file_checks import LONGEST, NUMBER, SHORTEST, WIDEST, largest

__all__ = [
    "LENGTH_UNITS",
    "MOMENT_UNITS",
    "TrajectoryError",
    "diameters",
    "edges",
    "fixed",
    "schedule",
    "unit",
]

Floats = NDArray[np.float64]

LENGTH_UNITS = {"m": 1.0, "mm": 1e-3, "um": 1e-6, "µm": 1e-6, "μm": 1e-6, "nm": 1e-9, "pm": 1e-12}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12}
MOMENT_UNITS = {"A m2": 1.0, "A m+2": 1.0, "A m^2": 1.0, "J/T": 1.0, "J T-1": 1.0}


class TrajectoryError(ValueError):
    """A file that cannot be read as a run: one sentence that names the file and what is missing."""


def unit(data: Any, table: dict[str, float], what: str, path: Path, notices: list[str]) -> float:
    """Factor to SI from the unit attribute; without one SI is assumed and said."""
    text = attribute(data, "unit")
    if text is None:
        notices.append(f"{what} of {path.name} carry no unit: SI assumed")
        return 1.0
    name = text.decode() if isinstance(text, bytes) else str(text)
    if name not in table:
        raise TrajectoryError(
            f"{path} must give {what} in one of {', '.join(table)}; it gives them in {name!r}."
        )
    return table[name]


def schedule(
    position: Any, frames: int, path: Path, notices: list[str]
) -> tuple[Floats, NDArray[np.int64]]:
    """Return times in s and steps; H5MD allows an array, or one increment with an offset."""
    steps = np.arange(frames, dtype=np.int64)
    if "step" in position:
        numbers = _series(position["step"], frames)
        if not (np.abs(numbers) < 2.0**62).all():
            raise ValueError("its steps are no whole numbers of 63 bits")
        steps = numbers.astype(np.int64)
    if "time" not in position:
        notices.append(f"{path.name} holds no times: step numbers stand in for seconds")
        return steps.astype(np.float64), steps
    scale = unit(position["time"], TIME_UNITS, "times", path, notices)
    times = _series(position["time"], frames) * scale
    if not largest(times) <= NUMBER or (np.diff(times) < 0).any():
        raise TrajectoryError(
            f"{path} must hold rising times of at most {NUMBER:g} s; it holds times that fall, are "
            "larger, or no numbers."
        )
    return times, steps


def _series(data: Any, frames: int) -> NDArray[Any]:
    """Return an explicit series, or offset + increment * frame."""
    values = (
        require_numbers(data)[:frames]
        if data.ndim == 1
        else attribute(data, "offset", 0) + require_numbers(data)[()] * np.arange(frames)
    )
    if np.shape(values) != (frames,):
        raise ValueError(f"{data.name} holds other than one number a frame")
    return np.asarray(values, dtype=np.float64)


def edges(film: Any, path: Path, notices: list[str]) -> Floats:
    """Sides of the box in m, (3,)."""
    found = film["box"]["edges"] if "box" in film and "edges" in film["box"] else None
    if found is None:
        raise TrajectoryError(f"{path} must hold the patch in box/edges; it does not.")
    data = found if not hasattr(found, "keys") else found["value"]
    shape = data.shape if data is found else data.shape[1:]
    if shape not in ((3,), (3, 3)) or data.size == 0:
        raise TrajectoryError(f"{path} must hold three box edges; it holds {data.shape} numbers.")
    values = np.asarray(require_numbers(data)[()], dtype=np.float64)
    if data is not found:  # given for every frame
        if np.ptp(values, axis=0).max() > 0:
            raise TrajectoryError(f"{path} must hold a patch of fixed size; its box changes.")
        values = values[0]
    if values.shape == (3, 3) and np.count_nonzero(values - np.diag(np.diag(values))) == 0:
        values = np.diag(values)
    scaled = values * unit(data, LENGTH_UNITS, "box edges", path, notices)
    if scaled.shape != (3,) or not ((scaled >= SHORTEST) & (scaled <= LONGEST)).all():
        raise TrajectoryError(
            f"{path} must hold three positive box edges of {SHORTEST:g} to {LONGEST:g} m; it holds "
            f"{scaled.tolist()}."
        )
    return np.array(scaled)


def fixed(
    film: Any, name: str, count: int, table: dict[str, float], path: Path, notices: list[str]
) -> Floats | None:
    """Return a particle property that is fixed in time, or None."""
    if name not in film:
        return None
    data = film[name] if not hasattr(film[name], "keys") else film[name]["value"]
    if data.shape not in ((), (count,)) and data.shape[1:] != (count,):
        raise TrajectoryError(
            f"{path} must hold one finite {name} a particle; it holds {data.shape}."
        )
    require_numbers(data)
    values = np.asarray(data[0] if data.ndim == 2 else data[()], dtype=np.float64)
    if values.ndim == 0:
        values = np.full(count, float(values))
    values = values * unit(data, table, name, path, notices)
    if not largest(values) <= LONGEST:
        raise TrajectoryError(
            f"{path} must hold one finite {name} a particle, of at most {LONGEST:g} in SI; it "
            "holds one that is not."
        )
    return values


def diameters(
    film: Any, group: str, box: Floats, count: int, path: Path, notices: list[str]
) -> Floats:
    """Steric diameters, required: no bond can be told without them."""
    values = fixed(film, "diameter", count, LENGTH_UNITS, path, notices)
    if values is None or not (values >= SHORTEST).all():
        raise TrajectoryError(
            f"{path} must hold positive particle diameters in /particles/{group}/diameter; "
            "without them no bond can be told."
        )
    if values.max() > box[:2].min():
        raise TrajectoryError(
            f"{path} must hold particles that are smaller than the patch; its largest is of "
            f"{values.max():.3g} m in a patch of {box[0]:.3g} m x {box[1]:.3g} m."
        )
    if box[:2].max() > WIDEST * np.median(values):
        raise TrajectoryError(
            f"{path} must hold a patch of at most {WIDEST:g} particle diameters; it holds one of "
            f"{box[0]:.3g} m x {box[1]:.3g} m with particles of {np.median(values):.3g} m."
        )
    return values
