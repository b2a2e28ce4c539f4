"""Arrays of a run file that are read as a whole, checked: schedule, box, sizes; and their units.

Shapes are looked at before anything is read. Numbers must be finite and of a size with which
squares and cubes can still be taken.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common import h5md
from analysis.common.attributes import attribute, require_numbers
from analysis.files.checks import LONGEST, NUMBER, SHORTEST, WIDEST, TrajectoryError, largest
from analysis.trajectory.particles import Particles, same_steps, slices

__all__ = [
    "LENGTH_UNITS",
    "MOMENT_UNITS",
    "TrajectoryError",
    "check_moments",
    "check_real",
    "checked_shape",
    "diameters",
    "edges",
    "fixed",
    "schedule",
    "unit",
]

Floats = NDArray[np.float64]

ANGSTROM = ("Ang", "angstrom", "Angstrom", "A", "Å", "\u212b")
"""H5MD's symbol, names, and letters, the last one the sign that looks like the one before it."""
LENGTH_UNITS = {
    "m": 1.0, "mm": 1e-3, "um": 1e-6, "µm": 1e-6, "μm": 1e-6, "nm": 1e-9, "pm": 1e-12,
} | dict.fromkeys(ANGSTROM, 1e-10)  # fmt: skip
TIME_UNITS = {
    "s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15,
}  # fmt: skip
BOUNDARIES = ["periodic", "periodic", "none"]
MOMENT_UNITS = {"A m2": 1.0, "A m+2": 1.0, "A m^2": 1.0, "J/T": 1.0, "J T-1": 1.0}


def check_real(data: Any, what: str, path: Path, kinds: str = "fiu") -> None:
    """Refuse an array of complex numbers, texts or parts, which a cast would spoil.

    Raises
    ------
    TrajectoryError
        Where the type is none of ``kinds``, letters of numpy.
    """
    if data.dtype.kind not in kinds:
        raise TrajectoryError(
            f"{path} must hold {what} as real numbers; it holds others ({data.dtype})."
        )


def checked_shape(film: Any, group: str, path: Path) -> tuple[int, int]:
    """Return stored frames and rows of the positions."""
    if "position" not in film or "value" not in film["position"]:
        raise TrajectoryError(f"{path} must hold /particles/{group}/position/value; it does not.")
    shape = film["position"]["value"].shape
    if len(shape) != 3 or shape[2] != 3:
        raise TrajectoryError(
            f"{path} must hold positions of shape (frames, particles, 3); it holds {shape}."
        )
    if shape[1] == 0:
        raise TrajectoryError(f"{path} must hold at least one particle; its frames are empty.")
    check_real(film["position"]["value"], "positions", path)
    return int(shape[0]), int(shape[1])


def check_moments(film: Any, moments: Any, group: str, rows: int, frames: int, path: Path) -> None:
    """Refuse moments that are no vectors of the particles in the frames of the positions."""
    if moments.shape[1:] != (rows, 3):
        raise TrajectoryError(
            f"{path} must hold /particles/{group}/moment/value of shape (frames, {rows}, 3); "
            f"it has {moments.shape}."
        )
    check_real(moments, "moments", path)
    same_steps(film, "moment", frames, path)


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
        check_real(position["step"], "steps", path)
        numbers = _series(position["step"], frames)
        if not (np.abs(numbers) < 2.0**62).all():
            raise ValueError("its steps are no whole numbers of 63 bits")
        steps = numbers.astype(np.int64)
        if (steps != numbers).any() or (np.diff(steps) <= 0).any():
            raise TrajectoryError(
                f"{path} must hold steps that are whole and rise from frame to frame; it holds "
                "steps that repeat, fall or are fractions."
            )
    if "time" not in position:
        notices.append(f"{path.name} holds no times: step numbers stand in for seconds")
        return steps.astype(np.float64), steps
    check_real(position["time"], "times", path)
    scale = unit(position["time"], TIME_UNITS, "times", path, notices)
    times = _series(position["time"], frames) * scale
    if not largest(times) <= NUMBER or (np.diff(times) <= 0).any():
        raise TrajectoryError(
            f"{path} must hold rising times of at most {NUMBER:g} s; it holds times that repeat, "
            "fall, are larger, or no numbers."
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


def edges(film: Any, frames: int, path: Path, notices: list[str], is_cut: bool = False) -> Floats:
    """Sides of the box in m, (3,), of a film: periodic along x and y, windows along z.

    The boundaries of a cut-out are not looked at.
    """
    found = film["box"]["edges"] if "box" in film and "edges" in film["box"] else None
    if found is None:
        raise TrajectoryError(f"{path} must hold the patch in box/edges; it does not.")
    if not is_cut:
        _check_box(film["box"], path, notices)
    data = found if not hasattr(found, "keys") else found["value"]
    check_real(data, "box edges", path)
    shape = data.shape if data is found else data.shape[1:]
    if shape not in ((3,), (3, 3)) or data.size == 0:
        raise TrajectoryError(f"{path} must hold three box edges; it holds {data.shape} numbers.")
    counted = () if data is found else slice(frames)
    values = np.asarray(require_numbers(data)[counted], dtype=np.float64)
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


def _check_box(box: Any, path: Path, notices: list[str]) -> None:
    """Refuse a box of other boundaries than a film's."""
    if int(attribute(box, "dimension", 3)) != 3:
        raise TrajectoryError(
            f"{path} must hold a box of 3 dimensions; it says to have "
            f"{attribute(box, 'dimension')}."
        )
    told = attribute(box, "boundary")
    if told is None:
        notices.append(
            f"{path.name} tells no boundaries: periodic along x and y, none along z assumed"
        )
        return
    # A single word for all three sides is met, too.
    words = [w.decode() if isinstance(w, bytes) else str(w) for w in np.ravel(told)]
    if (words * 3 if len(words) == 1 else words) != BOUNDARIES:
        raise TrajectoryError(
            f"{path} must have the box boundaries {', '.join(BOUNDARIES)}, those of a film between "
            f"two windows; it has {', '.join(words)[:60]}."
        )


def fixed(
    film: Any,
    name: str,
    particles: Particles,
    table: dict[str, float],
    path: Path,
    notices: list[str],
) -> Floats | None:
    """Return a particle property that is fixed in time, or None."""
    if name not in film:
        return None
    data = film[name] if not hasattr(film[name], "keys") else film[name]["value"]
    check_real(data, name, path)
    count = particles.stored
    if data.shape not in ((), (count,)) and (data.ndim != 2 or data.shape[1:] != (count,)):
        raise TrajectoryError(
            f"{path} must hold one finite {name} a particle; it holds {data.shape}."
        )
    require_numbers(data)
    values = _in_order(film, name, data, particles, path)
    values = values * unit(data, table, name, path, notices)
    if not largest(values) <= LONGEST:
        raise TrajectoryError(
            f"{path} must hold one finite {name} a particle, of at most {LONGEST:g} in SI; it "
            "holds one that is not."
        )
    return values


def _in_order(film: Any, name: str, data: Any, particles: Particles, path: Path) -> Floats:
    """Return one number a particle from an array that is fixed in time or does not change."""
    if data.ndim == 0:
        return np.full(particles.count, float(data[()]))
    if data.ndim == 1:
        values = np.asarray(data[()], dtype=np.float64)
        if particles.names is not None and np.ptp(values) > 0:
            raise TrajectoryError(
                f"{path} must hold {name} with every frame; its particles change places, and one "
                "list does not say whose it is."
            )
        rows = particles.rows
        return values[: particles.count] if rows is None else values[rows]
    same_steps(film, name, data.shape[0], path)
    first: Floats | None = None
    for part in slices(data.shape[0], particles.stored):
        block = np.asarray(data[part], dtype=np.float64)
        order = particles.order(film, part)
        block = block if order is None else np.take_along_axis(block, order, axis=1)
        first = block[0].copy() if first is None else first
        if (block != first).any():
            raise TrajectoryError(f"{path} must hold a {name} that is fixed in time; it changes.")
    if first is None:
        raise TrajectoryError(f"{path} must hold one finite {name} a particle; it holds none.")
    return first


def diameters(
    film: Any, group: str, box: Floats, particles: Particles, path: Path, notices: list[str]
) -> Floats:
    """Steric diameters, required: no bond can be told without them."""
    values = fixed(film, h5md.DIAMETER, particles, LENGTH_UNITS, path, notices)
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
