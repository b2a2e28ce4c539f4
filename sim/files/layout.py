"""The layout of a run file: which H5MD element holds what, with which type, shape and unit.

Source: H5MD, version 1.1 (an open standard), with its `units` module.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import h5py
import numpy as np

from analysis.common import h5md
from analysis.common.attributes import plain_attributes, require_numbers
from analysis.common.seal import SEAL
from sim.files.pieces import require_chunks
from sim.files.record import Ending, RunRecord

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from sim.files.selection import CutOut, Selection
    from sim.film.particles import Particles

BLOCK_BYTES = 1_000_000
"""Frames are written in blocks, and chunks, of about this size."""
MOST_ROWS = 2_000_000
"""Rows of particles in a chunk: HDF5 reads a chunk as a whole, and takes none of 4 GB."""
SERIES_CHUNK = 512
"""Frames in a chunk of the series that hold a few numbers per frame."""
HEAD_BYTES = 80_000
"""Groups, attributes, the text of the parameters and the indices of the chunks."""
TEXT = h5py.string_dtype("utf-8")
UNIT = h5py.string_dtype("ascii")
"""H5MD's module of units asks for texts of variable length, its core for such of fixed length."""


@dataclass(frozen=True)
class Frame:
    """One moment of the film in SI, as it is stored.

    Attributes
    ----------
    step : int
        Step of the run; of a sampled one its sweeps.
    time : float or None
        Time, s; None in a sampled run, which has none.
    position : ndarray of shape (N, 3)
        Positions wrapped into the patch, m.
    image : ndarray of shape (N, 3)
        Patch widths that each particle has travelled, along x, y (and 0 along z).
    moment : ndarray of shape (N, 3)
        Magnetic moments, A m2.
    magnetisation : ndarray of shape (3,)
        Mean moment over its saturation.
    field : ndarray of shape (3,)
        Applied field, T.
    energies : mapping of str to float
        By their names: energy per particle, kT; what is left out counts as zero.
    particles : ndarray of shape (N,) or None
        Numbers of the particles of a cut-out, rising; None where all are there.
    projected : ndarray or None
        Particles over each cell of the patch, where maps are kept.
    """

    step: int
    time: float | None
    position: NDArray[np.float64]
    image: NDArray[np.int32]
    moment: NDArray[np.float32]
    magnetisation: NDArray[np.float64]
    field: NDArray[np.float64]
    energies: Mapping[str, float]
    particles: NDArray[np.int64] | None = None
    projected: NDArray[np.uint32] | None = None


FILM = f"/particles/{h5md.GROUP}"
# (path of the H5MD element, attribute of Frame, type, shape of one frame with -1 for N, unit)
PER_PARTICLE = [
    (f"{FILM}/position", "position", "<f8", (-1, 3), "m"),
    (f"{FILM}/image", "image", "<i4", (-1, 3), ""),
    (f"{FILM}/moment", "moment", "<f4", (-1, 3), "A m+2"),
]
PER_FRAME = [
    ("/observables/magnetisation", "magnetisation", "<f8", (3,), ""),
    ("/observables/field", "field", "<f8", (3,), "T"),
]
EDGES = f"{FILM}/box/edges"
"""The box: with every frame, as readers of boxes that change ask for; files made before hold it
once, as an array without frames, which H5MD allows for a box that is fixed."""
ENERGY = "/observables/energy_"
"""Elements of energies begin with this and end with the name of the energy."""
STEP, TIME = f"{FILM}/position/step", f"{FILM}/position/time"
WHOLE = f"/particles/{h5md.WHOLE}"
"""Where frames hold a cut-out: what is fixed in time of all particles, and a few whole states."""
NAMES = f"{FILM}/id"
"""Where frames hold a cut-out: the particles of each frame, -1 in rows without one."""
ORIGIN = f"{FILM}/{h5md.ORIGIN}"
"""The corner of a cut-out in the film."""
PROJECTED = "/observables/projected_count"
"""Particles over each cell of the patch."""


def frames_per_block(count: int) -> int:
    """Return how many frames of `count` particles make one block."""
    one = sum(int(dtype[-1]) * 3 * count for _, _, dtype, _, _ in PER_PARTICLE)
    return int(max(1, min(64, BLOCK_BYTES // one)))


def series_of(file: h5py.File) -> list[str]:
    """Return the elements of a file that hold an energy of each frame."""
    group, _, start = ENERGY.rpartition("/")
    found = file.get(group)
    if not isinstance(found, h5py.Group):
        return []
    return [f"{group}/{name}" for name in found if name.startswith(start)]


def file_bytes(
    count: int, frames: int, energies: int, selection: Selection | None = None, states: int = 0
) -> int:
    """Return the size in bytes of a file with so many particles, frames and kinds of energy.

    HDF5 stores whole chunks, so a file of few frames holds more than its frames. Beside a cut-out
    there are so many whole states.
    """
    cutout = None if selection is None else selection.cutout
    rows = count if cutout is None else cutout.rows(count)
    block = frames_per_block(rows)
    blocks, series = -(-frames // block), -(-frames // SERIES_CHUNK)
    one = sum(int(dtype[-1]) * 3 for _, _, dtype, _, _ in PER_PARTICLE)
    per_particle = one * rows if cutout is None else (one + 8) * rows
    numbers_a_frame = 2 + 3 * (len(PER_FRAME) + 1) + energies
    fixed = 3 * 8 * count  # diameters and moments
    if cutout is not None:
        block_of_all = frames_per_block(count)
        fixed += -(-states // block_of_all) * block_of_all * one * count
    if selection is not None and selection.map_shape is not None:
        fixed += frames * 4 * math.prod(selection.map_shape)
    return (
        HEAD_BYTES
        + fixed
        + blocks * block * per_particle
        + series * SERIES_CHUNK * 8 * numbers_a_frame
    )


def write_parameters(file: h5py.File, record: RunRecord) -> None:
    """Write `/parameters`: what the run was asked to do, by what, and that it has not ended."""
    attrs = file.create_group("/parameters").attrs
    for name, text in {
        "text": record.text,
        "seed": None,
        "resolved": json.dumps(record.resolved),
        "derived": json.dumps(record.derived),
        "version": record.version,
        "commit": record.commit,
        "sources": record.sources,
        "processor": record.processor,
        "versions": json.dumps(record.versions),
        "bonds": json.dumps(record.bonds),
        "run_id": record.run_id,
        "notices": json.dumps(record.notices),
        "parts": "[]",
        "ending": Ending.RUNNING.value,
        "end_reason": "",
        "start": json.dumps(record.start) if record.start else None,
    }.items():
        if text is not None:
            attrs.create(name, text, dtype=TEXT)
    attrs.create("seed", record.seed, dtype="<i8")
    attrs.create("time_step_s", record.time_step_s, dtype="<f8")
    attrs.create("frames_planned", record.frames_planned, dtype="<i8")
    attrs.create("steps_planned", record.steps_planned, dtype="<i8")
    attrs.create("provisional", record.provisional, dtype=bool)
    attrs.create("finished", False, dtype=bool)
    attrs.create(SEAL, 0, dtype="<u4")


def _ascii(text: str) -> np.bytes_:
    return np.bytes_(text.encode("ascii", "replace"))


def write_head(file: h5py.File, version: str) -> None:
    """Write `/h5md`: version of the standard, author, creator, unit system."""
    head = file.create_group("/h5md")
    head.attrs.create("version", [1, 1], dtype="<i4")
    head.create_group("author").attrs["name"] = _ascii("chainfilm user")
    creator = head.create_group("creator").attrs
    creator["name"], creator["version"] = _ascii("chainfilm"), _ascii(version)
    units = head.create_group("modules/units").attrs
    units.create("version", [1, 0], dtype="<i4")
    units.create("system", "SI", dtype=UNIT)


def write_particles(file: h5py.File, particles: Particles, cutout: CutOut | None = None) -> None:
    """Write what is fixed in time: the kind of box, diameters (m) and moments (A m2)."""
    film = file.create_group(FILM)
    whole = film if cutout is None else file.create_group(WHOLE)
    _write_box(whole, [b"periodic", b"periodic", b"none"])
    for name, values, unit in (
        (h5md.DIAMETER, particles.diameter, "m"),
        (h5md.CORE_DIAMETER, particles.core_diameter, "m"),
        (h5md.MOMENT_SIZE, particles.moment, "A m+2"),
    ):
        _write_fixed(whole, name, values, unit)
    if cutout is not None:
        edges = [*np.asarray(particles.sides, dtype=float), float(particles.thickness)]
        _write_fixed(whole["box"], "edges", edges, "m")
        _write_box(film, cutout.boundaries)
        _write_fixed(film, ORIGIN, cutout.low, "m")


def _write_box(group: h5py.Group, boundaries: list[bytes]) -> None:
    """Write what H5MD says of a box but for its edges."""
    box = group.create_group("box")
    box.attrs.create("dimension", 3, dtype="<i4")
    box.attrs["boundary"] = np.array(boundaries)


def _write_fixed(group: h5py.Group, name: str, values: object, unit: str) -> None:
    data = np.asarray(values, "<f8")
    made = group.create_dataset(name, data=data, chunks=data.shape, fletcher32=True)
    made.attrs.create("unit", unit, dtype=UNIT)


def schedule_of(file: h5py.File) -> list[str]:
    """Return where the steps of the frames stand, and their times if the run has times.

    H5MD 1.1 lets an element do without a time.
    """
    return [path for path in (STEP, TIME) if path in file]


def elements_of(file: h5py.File) -> list[str]:
    """Return the arrays of a file that have a row for every frame, but steps and times."""
    known = [element[0] for element in PER_PARTICLE + PER_FRAME]
    known += [path for path in (NAMES, PROJECTED) if path in file]
    box = [] if isinstance(file[EDGES], h5py.Dataset) else [EDGES]
    return [f"{element}/value" for element in (*known, *box, *series_of(file))]


def box_of(file: h5py.File, edges: str = EDGES) -> NDArray[np.float64]:
    """Return the sides of the patch and the thickness in m, (3,).

    Raises
    ------
    KeyError, OSError, ValueError
        If they are not there, or have lost their numbers.
    """
    found = file[edges]
    data = found if isinstance(found, h5py.Dataset) else found["value"]
    frames = 1 if data.ndim > 1 else len(data)
    require_chunks(data, frames)
    return np.array(require_numbers(data)[:frames], np.float64).reshape(3)


def make_elements(
    file: h5py.File,
    count: int,
    energies: Iterable[str],
    has_times: bool = True,
    selection: Selection | None = None,
) -> None:
    """Make the empty time-dependent elements for `count` particles; they share step and time."""
    cutout = None if selection is None else selection.cutout
    rows = count if cutout is None else cutout.rows(count)
    _make_schedule(file, f"{FILM}/position", has_times)
    for element, _, dtype, _, unit in PER_PARTICLE:
        _make_rows(file, element, dtype, (rows, 3), unit, cutout is not None)
    if cutout is not None:
        _make_rows(file, NAMES, "<i8", (rows,), "", True)
        _make_schedule(file, f"{WHOLE}/position", has_times)
        for element, _, dtype, _, unit in PER_PARTICLE:
            _make_rows(file, in_whole(element), dtype, (count, 3), unit, False)
    series = ((ENERGY + name, "", "<f8", (), "") for name in energies)
    box = (EDGES, "", "<f8", (3,), "m")
    for element, _, dtype, shape, unit in [box, *PER_FRAME, *series]:
        value = _make_value(file, element, dtype, (SERIES_CHUNK, *shape), unit)
        if element.startswith(ENERGY):
            value.attrs["description"] = _ascii("energy per particle divided by kT")
        _link_schedule(file, element, f"{FILM}/position")
    if selection is not None and selection.map_shape is not None:
        value = _make_value(file, PROJECTED, "<u4", (1, *selection.map_shape), "")
        value.attrs["description"] = _ascii("particles over each cell of the patch, along x and y")
        _link_schedule(file, PROJECTED, f"{FILM}/position")


def in_whole(element: str) -> str:
    """Return where an element of the frames' particles stands among the whole states."""
    return element.replace(FILM, WHOLE)


def _make_schedule(file: h5py.File, element: str, has_times: bool) -> None:
    """Make the empty steps and times of an element."""
    for name, kind in (("step", "<i8"), ("time", "<f8"))[: 2 if has_times else 1]:
        made = file.create_dataset(
            f"{element}/{name}", (0,), kind, maxshape=(None,), chunks=(SERIES_CHUNK,),
            fletcher32=True,
        )  # fmt: skip
        if name == "time":
            made.attrs.create("unit", "s", dtype=UNIT)


def _link_schedule(file: h5py.File, element: str, of: str) -> None:
    """Give an element the schedule of another one, by hard links."""
    for name in ("step", "time"):
        if f"{of}/{name}" in file:
            file[f"{element}/{name}"] = file[f"{of}/{name}"]


def _make_rows(
    file: h5py.File, element: str, dtype: str, shape: tuple[int, ...], unit: str, grows: bool
) -> None:
    """Make the empty rows of particles of each frame; those of a cut-out may become more."""
    chunk = (frames_per_block(shape[0]), min(shape[0], MOST_ROWS), *shape[1:])
    _make_value(file, element, dtype, chunk, unit, shape, -1 if grows else None)
    position = f"{element.rpartition('/')[0]}/position"
    if element != position:
        _link_schedule(file, element, position)


def _make_value(
    file: h5py.File,
    element: str,
    dtype: str,
    chunk: tuple[int, ...],
    unit: str,
    shape: tuple[int, ...] = (),
    filler: int | None = None,
) -> h5py.Dataset:
    """Make the empty values of an element; with a filler the rows of a frame may become more."""
    shape = shape or chunk[1:]
    most = (None, *shape) if filler is None else (None, None, *shape[1:])
    value = file.create_dataset(
        element + "/value", (0, *shape), dtype, maxshape=most, chunks=chunk, fletcher32=True,
        fillvalue=filler,
    )  # fmt: skip
    if unit:
        value.attrs.create("unit", unit, dtype=UNIT)
    return value


def require_sound(file: h5py.File, frames: int) -> None:
    """Read so many frames and what is fixed in time, so that HDF5 checks their checksums.

    Raises
    ------
    OSError
        If a checksum does not fit.
    RuntimeError, ValueError
        If what is said of the box cannot be read.
    """
    plain_attributes(file[f"{FILM}/box"])  # no seal covers it, and readers ask for it
    whole = WHOLE if WHOLE in file else FILM
    for path in h5md.FIXED:
        fixed = file[f"{whole}/{path}"]
        require_chunks(fixed, len(fixed))
        fixed[()]
    box_of(file)
    _require_rows(file, [*schedule_of(file), *elements_of(file)], frames)
    if whole == WHOLE:
        states = len(file[f"{WHOLE}/position/step"])
        _require_rows(file, [f"{in_whole(e[0])}/value" for e in PER_PARTICLE], states)


def _require_rows(file: h5py.File, paths: Iterable[str], frames: int) -> None:
    """Read the rows of so many frames, so that HDF5 checks their checksums."""
    for path in paths:
        filled = file[path].id.get_create_plist().fill_value_defined()
        if filled != h5py.h5d.FILL_VALUE_USER_DEFINED:
            require_chunks(file[path], frames)
        step = file[path].chunks[0]
        for first in range(0, frames, step):
            file[path][first : min(first + step, frames)]


def resize(file: h5py.File, frames: int) -> None:
    """Give every time-dependent dataset so many frames."""
    for path in (*schedule_of(file), *elements_of(file)):
        file[path].resize(frames, axis=0)
