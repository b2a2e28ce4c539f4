"""The layout of a run file: which H5MD element holds what, with which type, shape and unit.

Source: H5MD, version 1.1 (an open standard), with its `units` module.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import h5py
import numpy as np

from analysis.common import h5md
from analysis.common.attributes import plain_attributes, require_numbers
from analysis.common.lost_pieces import lost_piece
from analysis.common.seal import SEAL
from sim.files.record import Ending, RunRecord

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from sim.film.particles import Particles

BLOCK_BYTES = 1_000_000
"""Frames are written in blocks, and chunks, of about this size."""
SERIES_CHUNK = 512
"""Frames in a chunk of the series that hold a few numbers a frame."""
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
    """

    step: int
    time: float | None
    position: NDArray[np.float64]
    image: NDArray[np.int32]
    moment: NDArray[np.float32]
    magnetisation: NDArray[np.float64]
    field: NDArray[np.float64]
    energies: Mapping[str, float]


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


def file_bytes(count: int, frames: int, energies: int) -> int:
    """Return the size in bytes of a file with so many particles, frames and kinds of energy.

    HDF5 stores whole chunks, so a file of few frames holds more than its frames.
    """
    block = frames_per_block(count)
    blocks, series = -(-frames // block), -(-frames // SERIES_CHUNK)
    per_particle = sum(int(dtype[-1]) * 3 * count for _, _, dtype, _, _ in PER_PARTICLE)
    numbers_a_frame = 2 + 3 * (len(PER_FRAME) + 1) + energies
    fixed = 3 * 8 * count  # diameters and moments
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


def write_particles(file: h5py.File, particles: Particles) -> None:
    """Write what is fixed in time: the kind of box, diameters (m) and moments (A m2)."""
    film = file.create_group(FILM)
    box = film.create_group("box")
    box.attrs.create("dimension", 3, dtype="<i4")
    box.attrs["boundary"] = np.array([b"periodic", b"periodic", b"none"])
    for name, values, unit in (
        (h5md.DIAMETER, particles.diameter, "m"),
        (h5md.CORE_DIAMETER, particles.core_diameter, "m"),
        (h5md.MOMENT_SIZE, particles.moment, "A m+2"),
    ):
        data = np.asarray(values, "<f8")
        made = film.create_dataset(name, data=data, chunks=data.shape, fletcher32=True)
        made.attrs.create("unit", unit, dtype=UNIT)


def schedule_of(file: h5py.File) -> list[str]:
    """Return where the steps of the frames stand, and their times if the run has times.

    H5MD 1.1 lets an element do without a time.
    """
    return [path for path in (STEP, TIME) if path in file]


def elements_of(file: h5py.File) -> list[str]:
    """Return the arrays of a file that have a row for every frame, but steps and times."""
    fixed = [element[0] for element in PER_PARTICLE + PER_FRAME]
    box = [] if isinstance(file[EDGES], h5py.Dataset) else [EDGES]
    return [f"{element}/value" for element in (*fixed, *box, *series_of(file))]


def box_of(file: h5py.File) -> NDArray[np.float64]:
    """Return the sides of the patch and the thickness in m, (3,).

    Raises
    ------
    KeyError, OSError, ValueError
        If they are not there, or have lost their numbers.
    """
    found = file[EDGES]
    data = found if isinstance(found, h5py.Dataset) else found["value"]
    frames = 1 if data.ndim > 1 else len(data)
    require_chunks(data, frames)
    return np.array(require_numbers(data)[:frames], np.float64).reshape(3)


def make_elements(
    file: h5py.File, count: int, energies: Iterable[str], has_times: bool = True
) -> None:
    """Make the empty time-dependent elements for `count` particles; they share step and time."""
    frames = frames_per_block(count)
    series = ((ENERGY + name, "", "<f8", (), "") for name in energies)
    box = (EDGES, "", "<f8", (3,), "m")
    for element, _, dtype, shape, unit in [*PER_PARTICLE, box, *PER_FRAME, *series]:
        tail = tuple(count if size == -1 else size for size in shape)
        chunk = (frames if -1 in shape else SERIES_CHUNK, *tail)
        value = file.create_dataset(
            element + "/value", (0, *tail), dtype, maxshape=(None, *tail), chunks=chunk,
            fletcher32=True,
        )  # fmt: skip
        if unit:
            value.attrs.create("unit", unit, dtype=UNIT)
        if element.startswith(ENERGY):
            value.attrs["description"] = _ascii("energy per particle divided by kT")
        if element == f"{FILM}/position":
            for name, kind in ((STEP, "<i8"), (TIME, "<f8"))[: 2 if has_times else 1]:
                file.create_dataset(
                    name, (0,), kind, maxshape=(None,), chunks=(SERIES_CHUNK,), fletcher32=True
                )
            if has_times:
                file[TIME].attrs.create("unit", "s", dtype=UNIT)
        else:  # hard links: one schedule for everything
            for path in schedule_of(file):
                file[f"{element}/{path.rpartition('/')[2]}"] = file[path]


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
    for path in h5md.FIXED:
        fixed = file[f"{FILM}/{path}"]
        require_chunks(fixed, len(fixed))
        fixed[()]
    box_of(file)
    for path in (*schedule_of(file), *elements_of(file)):
        require_chunks(file[path], frames)
        step = file[path].chunks[0]
        for first in range(0, frames, step):
            file[path][first : min(first + step, frames)]


def require_chunks(data: h5py.Dataset, frames: int, first: int = 0) -> None:
    """Refuse an array that lost the way to one of its pieces: HDF5 reads zeros in its place.

    Parameters
    ----------
    data : h5py.Dataset
        The array, stored in pieces or as a whole.
    frames, first : int
        Its rows from ``first`` up to ``frames`` are looked for.

    Raises
    ------
    OSError
        If a piece of these is not where it is looked for.
    """
    if not data.chunks:
        if data.size and not data.id.get_storage_size():
            raise OSError(f"{data.name} has lost all its numbers")
        return
    begin = first // data.chunks[0] * data.chunks[0]
    starts = [range(begin, frames, data.chunks[0])]
    starts += [range(0, n, piece) for n, piece in zip(data.shape[1:], data.chunks[1:], strict=True)]
    if lost := lost_piece(data, starts):
        last = min(lost[0] + data.chunks[0], frames) - 1
        raise OSError(f"{data.name} has lost numbers of its rows {lost[0]} to {last}")


def resize(file: h5py.File, frames: int) -> None:
    """Give every time-dependent dataset so many frames."""
    for path in (*schedule_of(file), *elements_of(file)):
        file[path].resize(frames, axis=0)
