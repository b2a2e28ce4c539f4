"""Reads run files: H5MD 1.1 as this program writes it, and H5MD of other origin as far as it goes.

Positions come out in metres, wrapped into the patch in x and y, moments in A m2. The file is
opened for reading only, for as long as a block of frames takes, so a measurement never holds a
run file that is still being written.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common import file_names, h5md
from analysis.common.attributes import require_numbers
from analysis.common.foreign_parts import foreign_part
from analysis.common.heaps import endless_heap
from analysis.common.seal import COUNT, is_sealed
from analysis.files.checks import NUMBER, largest
from analysis.trajectory.arrays import (
    LENGTH_UNITS,
    MOMENT_UNITS,
    TrajectoryError,
    check_moments,
    checked_shape,
    diameters,
    edges,
    fixed,
    schedule,
    unit,
)
from analysis.trajectory.cutout import CutOut, cutout_of, told_of
from analysis.trajectory.opening import guarded, opened
from analysis.trajectory.particles import Particles, which_particles
from analysis.trajectory.pieces import arrays_of, require_pieces
from analysis.trajectory.record import observables, record, wrong_entry
from analysis.trajectory.shown import ShownRun

Floats = NDArray[np.float64]

BLOCK_BYTES = 16_000_000

COARSEST = 0.01
"""Diameters that a unit of whole-number positions may have: bonds are told to some hundredths."""

__all__ = ["Run", "TrajectoryError", "open_run"]


@dataclass(repr=False)
class Run(ShownRun):
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
    told : tuple of str
        What was said before the run that makes its numbers doubtful, a sentence each.
    rest : dict
        What a sampled run found on whether its film has come to rest.
    start : dict
        Of the run whose end the film was taken from: ``field_t``, the field there in T.
    particles : Particles or None
        Which rows of the file are particles; None: all, as they stand.
    cutout : CutOut or None
        Where frames hold a box of the film: sides are its, particles all that are ever in it.
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
    told: tuple[str, ...] = ()
    rest: dict[str, Any] = field(default_factory=dict)
    start: dict[str, Any] = field(default_factory=dict)
    particles: Particles | None = None
    cutout: CutOut | None = None
    _blocks: dict[str, tuple[int, Floats]] = field(default_factory=dict, repr=False)

    @property
    def is_sampled(self) -> bool:
        """Whether moves sampled the film at rest: steps are sweeps, and times only number them."""
        return self.derived.get("dynamics") == "monte_carlo"

    @property
    def field_before(self) -> Floats | None:
        """Field in T up to the first frame, (3,), where the film comes from another run."""
        field = self.start.get("field_t")
        return None if field is None else np.asarray(field, dtype=np.float64)

    @property
    def count(self) -> int:
        """Number of particles."""
        return len(self.diameters)

    @property
    def held(self) -> int:
        """Number of particles in a frame, of a cut-out on average."""
        return self.count if self.cutout is None else round(float(self.cutout.held.mean()))

    def present(self, frame: int) -> NDArray[np.int64] | None:
        """Which particles stand in the rows of a frame, (n,); None where all do, in every frame."""
        if self.cutout is None:
            return None
        names = self._row("id", frame)[: self.cutout.held[frame]]
        return np.searchsorted(self.cutout.names, names.astype(np.int64))

    def diameters_of(self, frame: int) -> Floats:
        """Diameters of the particles in the rows of a frame in m, (n,)."""
        return self.held_of(self.diameters, frame)

    def held_of(self, values: Floats, frame: int) -> Floats:
        """One number a particle, (count,), for those in the rows of a frame, (n,)."""
        present = self.present(frame)
        return values if present is None else values[present]

    def positions(self, frame: int) -> Floats:
        """Centres of one frame in m, (N, 3), wrapped into the patch; negative counts from the end.

        Raises
        ------
        TrajectoryError
            Where a coordinate is not a finite number.
        """
        rows = self._finite(self._held("position", frame) * self.length_scale, "positions", frame)
        if self.cutout is not None:
            rows -= self.cutout.corner
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
        rows: Floats = self._held("moment", frame) * self.moment_scale
        return self._finite(rows, "moments", frame)

    def _finite(self, rows: Floats, what: str, frame: int) -> Floats:
        """Give back one frame of finite numbers."""
        if not largest(rows) <= NUMBER:
            raise TrajectoryError(
                f"frame {frame} of {self.path} must hold finite {what} of at most {NUMBER:g}; it "
                "holds a value that is larger or not a number."
            )
        return rows

    def _held(self, name: str, frame: int) -> Floats:
        """One frame of a particle element, without rows that hold no particle."""
        rows = self._row(name, frame)
        return rows if self.cutout is None else rows[: self.cutout.held[frame]]

    def projected_count(self, frame: int) -> Floats | None:
        """Particles over each cell of the patch of the whole film, (columns, rows), if kept."""
        with opened(self.path) as file:
            found = file.get("observables/projected_count/value")
            if found is None or found.ndim != 3 or found.shape[0] < self.frames:
                return None
            return guarded(self.path, lambda: np.asarray(found[range(self.frames)[frame]], float))

    def _row(self, name: str, frame: int) -> Floats:
        """One frame of a particle element, through a block that is read at once and kept."""
        index = range(self.frames)[frame]
        first, block = self._blocks.get(name, (0, np.empty((0, 0, 3))))
        if not first <= index < first + len(block):
            stored = self.count if self.particles is None else self.particles.stored
            if self.cutout is not None:
                stored = int(self.cutout.held.max())
            size = max(1, BLOCK_BYTES // max(1, 24 * stored))
            first = index - index % size
            rows = slice(first, min(first + size, self.frames))
            with opened(self.path) as file:
                block = guarded(self.path, lambda: self._read_block(file, name, rows))
            self._blocks[name] = (first, block)
        return np.array(block[index - first])

    def _read_block(self, file: Any, name: str, frames: slice) -> Floats:
        """Frames of a particle element, fillers left out, in the order of the particles."""
        film = file["particles"][self.group]
        block = np.asarray(require_numbers(film[name]["value"])[frames], dtype=np.float64)
        order = None if self.particles is None else self.particles.order(film, frames)
        return block if order is None else np.take_along_axis(block, order[:, :, None], axis=1)


def as_run(run: Run | str | os.PathLike[str]) -> Run:
    """Return a run as it is, or open it; see ``open_run``."""
    return open_run(run) if isinstance(run, str | os.PathLike) else run


def open_run(path: str | os.PathLike[str]) -> Run:
    """Open a run folder or an H5MD file.

    Parameters
    ----------
    path : str or path-like
        A folder that holds ``run.h5``, or the file; also what ``sim.simulate`` returned.

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
        file_path = file_path / file_names.RUN
    if not file_path.is_file():
        raise TrajectoryError(f"a run must be a folder with run.h5 or an H5MD file; {path} is not.")
    if guarded(file_path, lambda: endless_heap(file_path)):
        raise TrajectoryError(f"{file_path} must be a whole run; the texts in it are damaged.")
    with opened(file_path) as file:
        # First: to look at anything else could follow a link to a pipe.
        if part := guarded(file_path, lambda: foreign_part(file, file_path)):
            raise TrajectoryError(f"{file_path} must hold all of its run itself; {part}.")
        if not guarded(file_path, lambda: is_sealed(file)):
            raise TrajectoryError(
                f"{file_path} must be a whole run; it is damaged: its checksum does not fit what "
                "it holds."
            )
        return guarded(file_path, lambda: _read_run(file, file_path))


def _read_run(file: Any, path: Path) -> Run:
    """Read all that is fixed in time, checked."""
    group = _particle_group(file, path)
    film = file["particles"][group]
    stored, rows = checked_shape(film, group, path)
    frames = _complete_frames(file, film, stored)
    if frames < 1:
        raise TrajectoryError(f"{path} must hold at least one complete frame; it holds none.")
    notices: list[str] = []
    position = film["position"]
    schedules = [position[name] for name in ("step", "time") if name in position]
    sides = arrays_of(film["box"]) if "box" in film else []
    require_pieces(schedules + sides, frames, path)
    scale = unit(position["value"], LENGTH_UNITS, "positions", path, notices)
    times, steps = schedule(position, frames, path, notices)
    cutout, sized = None, film
    if h5md.ORIGIN in film and h5md.WHOLE in file["particles"]:
        sized = file["particles"][h5md.WHOLE]
        require_pieces(arrays_of(sized["box"]), frames, path)
        cutout = cutout_of(file, film, frames, edges(sized, frames, path, notices), path)
    box = edges(film, frames, path, notices, is_cut=cutout is not None)
    recorded = record(file)
    if recorded.get("derived", {}).get("dynamics") == "monte_carlo":
        notices.clear()  # sweeps stand in for times, as they should
    if wrong := wrong_entry(recorded):
        raise TrajectoryError(f"{path} must record {wrong}.")
    if cutout is None:
        particles = which_particles(film, rows, frames, path, notices)
    else:
        particles = Particles(cutout.particles, len(cutout.names), cutout.names)
        notices.append(told_of(cutout, box))
    series = arrays_of(file["observables"]) if "observables" in file else []
    require_pieces(arrays_of(film), frames, path, particles)
    if cutout is not None:
        require_pieces(arrays_of(sized), len(sized["position"]["step"]), path)
    require_pieces(series, frames, path)
    moments = film["moment"]["value"] if "moment" in film and "value" in film["moment"] else None
    if moments is not None:
        check_moments(film, moments, group, rows, frames, path)
    sizes = diameters(sized, group, box, particles, path, notices)
    if position["value"].dtype.kind != "f" and scale > COARSEST * sizes.min():
        raise TrajectoryError(
            f"{path} must hold positions to {COARSEST:g} of a particle diameter; it holds whole "
            f"numbers of {scale:g} m."
        )
    return Run(
        path=path,
        frames=frames,
        times=times,
        steps=steps,
        diameters=sizes,
        sides=box[:2],
        thickness=float(box[2]),
        group=group,
        has_moments=moments is not None,
        core_diameters=fixed(sized, h5md.CORE_DIAMETER, particles, LENGTH_UNITS, path, notices),
        moment_magnitudes=fixed(sized, h5md.MOMENT_SIZE, particles, MOMENT_UNITS, path, notices),
        observables=observables(file, frames),
        length_scale=scale,
        moment_scale=(
            1.0 if moments is None else unit(moments, MOMENT_UNITS, "moments", path, notices)
        ),
        notices=tuple(notices),
        particles=particles if cutout is None else None,
        cutout=cutout,
        **recorded,
    )


def _particle_group(file: Any, path: Path) -> str:
    """``film``, or the only group of particles that a file of other origin has."""
    if "h5md" not in file or "particles" not in file:
        raise TrajectoryError(f"{path} must be an H5MD file; it has no /h5md or /particles group.")
    names = list(file["particles"])
    if h5md.GROUP in names:
        return h5md.GROUP
    if len(names) == 1:
        return str(names[0])
    raise TrajectoryError(
        f"{path} must hold one group of particles or one called film; it holds "
        f"{', '.join(map(str, names[:5])) or 'none'}{', ...' if len(names) > 5 else ''}."
    )


def _complete_frames(file: Any, film: Any, stored: int) -> int:
    """Frames that are whole in every element: a killed run may have written one of them further."""
    frames = stored
    if COUNT in file:
        frames = min(frames, int(require_numbers(file[COUNT])[()]))
    if "moment" in film and "value" in film["moment"]:
        frames = min(frames, film["moment"]["value"].shape[0])
    for name in ("step", "time"):
        if name in film["position"] and film["position"][name].ndim == 1:
            frames = min(frames, film["position"][name].shape[0])
    return frames
