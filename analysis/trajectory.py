"""Reads run files: H5MD 1.1 as this program writes it, and H5MD of other origin as far as it goes.

Positions come out in metres, wrapped into the patch in x and y, moments in A m2. The file is
opened for reading only, for as long as a block of frames takes, so a measurement never holds a
run file that is still being written.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.recorded import observables, record, wrong_entry
from analysis.run_file_checks import obstacle

Floats = NDArray[np.float64]
Read = TypeVar("Read")

LENGTH_UNITS = {"m": 1.0, "mm": 1e-3, "um": 1e-6, "µm": 1e-6, "μm": 1e-6, "nm": 1e-9, "pm": 1e-12}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12}
MOMENT_UNITS = {"A m2": 1.0, "A m+2": 1.0, "A m^2": 1.0, "J/T": 1.0, "J T-1": 1.0}
BLOCK_BYTES = 16_000_000


class TrajectoryError(ValueError):
    """A file that cannot be read as a run: one sentence that names the file and what is missing."""


@dataclass
class Run:
    """One trajectory: what is fixed in time as arrays, frames on request.

    Attributes
    ----------
    path : Path
        The HDF5 file.
    frames : int
        Complete frames in the file, the start state included.
    times, steps : ndarray
        Time in s and step number of each frame, (frames,).
    diameters : ndarray
        Steric diameters in m, (N,).
    sides : ndarray
        Periodic sides of the patch in m, (2,).
    thickness : float
        Film thickness in m.
    observables : dict of ndarray
        Series stored beside the frames, first axis (frames,).
    derived, resolved, bonds, timing, versions, origin : dict
        What the run recorded of itself; empty for files of other origin.
    notices : tuple of str
        What had to be assumed about a file of other origin.
    """

    path: Path
    frames: int
    times: Floats
    steps: NDArray[np.int64]
    diameters: Floats
    sides: Floats
    thickness: float
    group: str
    has_moments: bool
    core_diameters: Floats | None = None
    moment_magnitudes: Floats | None = None
    observables: dict[str, Floats] = field(default_factory=dict)
    derived: dict[str, Any] = field(default_factory=dict)
    resolved: dict[str, Any] = field(default_factory=dict)
    parameters_text: str = ""
    bonds: dict[str, Any] = field(default_factory=dict)
    timing: dict[str, Any] = field(default_factory=dict)
    versions: dict[str, Any] = field(default_factory=dict)
    origin: dict[str, Any] = field(default_factory=dict)
    version: str = ""
    processor: str = ""
    seed: int | None = None
    finished: bool = True
    end_reason: str = ""
    provisional: bool = False
    length_scale: float = 1.0
    moment_scale: float = 1.0
    notices: tuple[str, ...] = ()
    _blocks: dict[str, tuple[int, Floats]] = field(default_factory=dict, repr=False)

    @property
    def count(self) -> int:
        """Number of particles."""
        return len(self.diameters)

    def positions(self, frame: int) -> Floats:
        """Centres of one frame in m, (N, 3), wrapped into the patch; negative counts from the end.

        Raises
        ------
        TrajectoryError
            Where a coordinate is not a finite number.
        """
        rows = self._finite(self._row("position", frame) * self.length_scale, "positions", frame)
        for axis in (0, 1):
            rows[:, axis] %= self.sides[axis]
            rows[rows[:, axis] >= self.sides[axis], axis] = 0.0
        return rows

    def moments(self, frame: int) -> Floats:
        """Moments of one frame in A m2, (N, 3).

        Raises
        ------
        TrajectoryError
            Where the file holds no moments, or one that is not a finite number.
        """
        if not self.has_moments:
            raise TrajectoryError(
                f"{self.path} must hold /particles/{self.group}/moment/value to find chains by "
                "head-to-tail bonds; it holds positions only."
            )
        rows: Floats = self._row("moment", frame) * self.moment_scale
        return self._finite(rows, "moments", frame)

    def _finite(self, rows: Floats, what: str, frame: int) -> Floats:
        """Give back one frame of finite numbers."""
        if not np.isfinite(rows).all():
            raise TrajectoryError(
                f"frame {frame} of {self.path} must hold finite {what}; it holds a value "
                "that is not a number."
            )
        return rows

    def _row(self, name: str, frame: int) -> Floats:
        """One frame of a particle element, through a block that is read at once and kept."""
        index = range(self.frames)[frame]
        first, block = self._blocks.get(name, (0, np.empty((0, 0, 3))))
        if not first <= index < first + len(block):
            size = max(1, BLOCK_BYTES // max(1, 24 * self.count))
            first = index - index % size
            with _opened(self.path) as file:
                place = f"particles/{self.group}/{name}/value"
                rows = slice(first, min(first + size, self.frames))
                block = _guarded(self.path, lambda: np.asarray(file[place][rows], dtype=np.float64))
            self._blocks[name] = (first, block)
        return np.array(block[index - first])


def open_run(path: str | Path) -> Run:
    """Open a run folder or an H5MD file.

    Parameters
    ----------
    path : str or Path
        A folder that holds ``run.h5``, or the file.

    Returns
    -------
    Run
        The trajectory; frames are read on request.

    Raises
    ------
    TrajectoryError
        Where the file is missing, no HDF5 file, truncated, no H5MD file, or holds no complete
        frame, no particles, no diameters or no patch.
    """
    file_path = Path(path)
    if file_path.is_dir():
        file_path = file_path / "run.h5"
    if not file_path.is_file():
        raise TrajectoryError(f"a run must be a folder with run.h5 or an H5MD file; {path} is not.")
    with _opened(file_path) as file:
        return _guarded(file_path, lambda: _read_run(file, file_path))


def _guarded(path: Path, read: Callable[[], Read]) -> Read:
    """Read from a file that may hold anything: every surprise is an error of the file."""
    try:
        return read()
    except TrajectoryError:
        raise
    except (
        ArithmeticError, AttributeError, LookupError, OSError, RuntimeError, SystemError,
        TypeError, ValueError,
    ) as error:  # fmt: skip
        raise TrajectoryError(
            f"{path} must be a complete H5MD file; reading it failed ({error})."
        ) from error


def _opened(path: Path) -> Any:
    """Open the file for reading, or say in one sentence why not."""
    import h5py

    try:
        return h5py.File(path, "r", locking=False)
    except OSError as error:
        kind = "is not an HDF5 file" if not h5py.is_hdf5(path) else "is truncated or unreadable"
        raise TrajectoryError(f"{path} must be an H5MD file (HDF5); it {kind}.") from error


def _read_run(file: Any, path: Path) -> Run:
    """Read all that is fixed in time, checked."""
    if found := obstacle(file, path):
        raise TrajectoryError(found)
    group = _particle_group(file, path)
    film = file["particles"][group]
    stored, count = _checked_shape(film, group, path)
    frames = _complete_frames(file, film, stored)
    if frames < 1:
        raise TrajectoryError(f"{path} must hold at least one complete frame; it holds none.")
    notices: list[str] = []
    position = film["position"]
    scale = _unit(position["value"], LENGTH_UNITS, "positions", path, notices)
    times, steps = _schedule(position, frames, path, notices)
    edges = _edges(film, path, notices)
    recorded = record(file)
    if wrong := wrong_entry(recorded):
        raise TrajectoryError(f"{path} must record {wrong}.")
    moments = film["moment"]["value"] if "moment" in film and "value" in film["moment"] else None
    if moments is not None and moments.shape[1:] != (count, 3):
        raise TrajectoryError(
            f"{path} must hold /particles/{group}/moment/value of shape (frames, {count}, 3); "
            f"it has {moments.shape}."
        )
    return Run(
        path=path,
        frames=frames,
        times=times,
        steps=steps,
        diameters=_diameters(film, group, edges, count, path, notices),
        sides=edges[:2],
        thickness=float(edges[2]),
        group=group,
        has_moments=moments is not None,
        core_diameters=_fixed(film, "core_diameter", count, LENGTH_UNITS, path, notices),
        moment_magnitudes=_fixed(film, "moment_magnitude", count, MOMENT_UNITS, path, notices),
        observables=observables(file, frames),
        length_scale=scale,
        moment_scale=(
            1.0 if moments is None else _unit(moments, MOMENT_UNITS, "moments", path, notices)
        ),
        notices=tuple(notices),
        **recorded,
    )


def _checked_shape(film: Any, group: str, path: Path) -> tuple[int, int]:
    """Return stored frames and particles of the positions."""
    if "position" not in film or "value" not in film["position"]:
        raise TrajectoryError(f"{path} must hold /particles/{group}/position/value; it does not.")
    shape = film["position"]["value"].shape
    if len(shape) != 3 or shape[2] != 3:
        raise TrajectoryError(
            f"{path} must hold positions of shape (frames, particles, 3); it holds {shape}."
        )
    if shape[1] == 0:
        raise TrajectoryError(f"{path} must hold at least one particle; its frames are empty.")
    return int(shape[0]), int(shape[1])


def _particle_group(file: Any, path: Path) -> str:
    """``film``, or the only group of particles that a file of other origin has."""
    if "h5md" not in file or "particles" not in file:
        raise TrajectoryError(f"{path} must be an H5MD file; it has no /h5md or /particles group.")
    names = list(file["particles"])
    if "film" in names:
        return "film"
    if len(names) == 1:
        return str(names[0])
    raise TrajectoryError(
        f"{path} must hold one group of particles or one called film; it holds {names}."
    )


def _complete_frames(file: Any, film: Any, stored: int) -> int:
    """Frames that are whole in every element: a killed run may have written one of them further."""
    frames = stored
    if "parameters" in file and "frames_complete" in file["parameters"]:
        frames = min(frames, int(file["parameters"]["frames_complete"][()]))
    if "moment" in film and "value" in film["moment"]:
        frames = min(frames, film["moment"]["value"].shape[0])
    for name in ("step", "time"):
        if name in film["position"] and film["position"][name].ndim == 1:
            frames = min(frames, film["position"][name].shape[0])
    return frames


def _unit(data: Any, table: dict[str, float], what: str, path: Path, notices: list[str]) -> float:
    """Factor to SI from the unit attribute; without one SI is assumed and said."""
    text = data.attrs.get("unit")
    if text is None:
        notices.append(f"{what} of {path.name} carry no unit: SI assumed")
        return 1.0
    name = text.decode() if isinstance(text, bytes) else str(text)
    if name not in table:
        raise TrajectoryError(
            f"{path} must give {what} in one of {', '.join(table)}; it gives them in {name!r}."
        )
    return table[name]


def _schedule(
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
    scale = _unit(position["time"], TIME_UNITS, "times", path, notices)
    times = _series(position["time"], frames) * scale
    if not np.isfinite(times).all() or (np.diff(times) < 0).any():
        raise TrajectoryError(f"{path} must hold rising times; it holds times that fall or NaN.")
    return times, steps


def _series(data: Any, frames: int) -> NDArray[Any]:
    """Return an explicit series, or offset + increment * frame."""
    values = (
        data[:frames]
        if data.ndim == 1
        else data.attrs.get("offset", 0) + data[()] * np.arange(frames)
    )
    if np.shape(values) != (frames,):
        raise ValueError(f"{data.name} holds other than one number a frame")
    return np.asarray(values, dtype=np.float64)


def _edges(film: Any, path: Path, notices: list[str]) -> Floats:
    """Sides of the box in m, (3,)."""
    edges = film["box"]["edges"] if "box" in film and "edges" in film["box"] else None
    if edges is None:
        raise TrajectoryError(f"{path} must hold the patch in box/edges; it does not.")
    data = edges if not hasattr(edges, "keys") else edges["value"]
    values = np.asarray(data[()], dtype=np.float64)
    if data is not edges:  # given for every frame
        if np.ptp(values, axis=0).max() > 0:
            raise TrajectoryError(f"{path} must hold a patch of fixed size; its box changes.")
        values = values[0]
    if values.shape == (3, 3) and np.count_nonzero(values - np.diag(np.diag(values))) == 0:
        values = np.diag(values)
    if values.shape != (3,) or not (np.isfinite(values).all() and (values > 0).all()):
        raise TrajectoryError(
            f"{path} must hold three positive box edges; it holds {values.tolist()}."
        )
    return np.array(values * _unit(data, LENGTH_UNITS, "box edges", path, notices))


def _fixed(
    film: Any, name: str, count: int, table: dict[str, float], path: Path, notices: list[str]
) -> Floats | None:
    """Return a particle property that is fixed in time, or None."""
    if name not in film:
        return None
    data = film[name] if not hasattr(film[name], "keys") else film[name]["value"]
    values = np.asarray(data[()], dtype=np.float64)
    if values.ndim == 2:
        values = values[0]
    if values.ndim == 0:
        values = np.full(count, float(values))
    if values.shape != (count,) or not np.isfinite(values).all():
        raise TrajectoryError(
            f"{path} must hold one finite {name} a particle; it holds {values.shape}."
        )
    return values * _unit(data, table, name, path, notices)


def _diameters(
    film: Any, group: str, edges: Floats, count: int, path: Path, notices: list[str]
) -> Floats:
    """Steric diameters, required: no bond can be told without them."""
    values = _fixed(film, "diameter", count, LENGTH_UNITS, path, notices)
    if values is None or not (values > 0).all():
        raise TrajectoryError(
            f"{path} must hold positive particle diameters in /particles/{group}/diameter; "
            "without them no bond can be told."
        )
    if values.max() > edges[:2].min():
        raise TrajectoryError(
            f"{path} must hold particles that are smaller than the patch; its largest is of "
            f"{values.max():.3g} m in a patch of {edges[0]:.3g} m x {edges[1]:.3g} m."
        )
    return values
