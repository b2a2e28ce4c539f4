"""The run file: H5MD 1.1, written so that a killed run leaves a readable file.

Parameters and seed come first; frames are appended in blocks, each with its count
(`/parameters/frames_complete`) by one commit (`sim.files.committed`), so that the file is whole
after a kill. It keeps to the earliest HDF5 layout. Data types are given explicitly, never
guessed.

Source: H5MD, version 1.1 (an open standard), with its `units` module.
"""

from __future__ import annotations

import contextlib
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import h5py
import numpy as np

from analysis.common.attributes import plain_attributes, require_numbers
from analysis.common.seal import COUNT, SEAL, is_sealed, seal_of
from sim.files.clock import has_passed
from sim.files.committed import CommittedFile, recover
from sim.files.layout import (
    EDGES,
    ENERGY,
    FILM,
    NAMES,
    PER_FRAME,
    PER_PARTICLE,
    PROJECTED,
    STEP,
    TEXT,
    TIME,
    Frame,
    box_of,
    frames_per_block,
    make_elements,
    require_sound,
    resize,
    series_of,
    write_head,
    write_parameters,
    write_particles,
)
from sim.files.opening import RunFileError, open_hdf5
from sim.files.provenance import with_part
from sim.files.record import Ending, RunRecord
from sim.files.states import cut_states, kept, last_state, put_rows, put_state

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from sim.files.selection import Selection
    from sim.film.particles import Particles

__all__ = ["Frame", "RunFileError", "RunSummary", "RunWriter", "read_summary"]

FLUSH_SECONDS = 5.0
"""No frame waits longer than this for the disk."""


class RunWriter:
    """Appends frames to a run file.

    Made by `create` or `reopen`; `close` it in any case.
    """

    def __init__(self, path: Path, raw: CommittedFile, file: h5py.File) -> None:
        self.path = path
        self._box = np.full(3, np.nan)
        self._raw = raw
        self._file = file
        self._waiting: list[Frame] = []
        self._flushed = time.monotonic()
        count = file[f"{FILM}/position/value"].shape[1]
        self._block = frames_per_block(count)
        self._selection: Selection | None = None
        self._frames = int(file[COUNT][()])

    @classmethod
    def create(
        cls,
        path: Path,
        record: RunRecord,
        particles: Particles,
        energies: Iterable[str],
        selection: Selection | None = None,
    ) -> RunWriter:
        """Write a new file with everything but frames.

        Parameters
        ----------
        path : Path
            File to write; one that exists is replaced.
        record : RunRecord
            What goes into `/parameters`.
        particles : Particles
            Sizes, moments and the patch.
        energies : iterable of str
            Names of the energies of a frame.
        selection : Selection or None
            What frames keep; None for all particles and no map.

        Returns
        -------
        RunWriter
            Ready to append.

        Raises
        ------
        OSError
            If the file cannot be written.
        """
        raw = CommittedFile(path, new=True)
        file = h5py.File(raw, "w", libver="earliest", rdcc_nbytes=4_000_000)
        try:
            write_parameters(file, record)
            write_head(file, record.version)
            write_particles(file, particles, None if selection is None else selection.cutout)
            make_elements(file, len(particles.diameter), energies, not record.is_sampled, selection)
            file.create_dataset(COUNT, data=0, dtype="<i8")
            file["/parameters"].attrs.modify(SEAL, np.uint32(seal_of(file)))
            file.flush()
            raw.commit()
        except BaseException:
            _close(file, raw)
            raise
        writer = cls(path, raw, file)
        writer._selection = selection
        writer._box = np.array([*particles.sides, particles.thickness])
        if selection is not None and selection.cutout is not None:
            writer._box = np.array(selection.cutout.sides)
        return writer

    @classmethod
    def reopen(cls, path: Path, step: int, selection: Selection | None = None) -> RunWriter:
        """Open the file of an unfinished run and cut the frames after `step`.

        Parameters
        ----------
        path : Path
            The run file.
        step : int
            Step of the checkpoint that the run goes on from.
        selection : Selection or None
            What frames keep.

        Returns
        -------
        RunWriter
            Ready to append.

        Raises
        ------
        RunFileError
            If the file is not a run.
        """
        writer = cls._opened(path)
        writer._selection = selection
        file = writer._file
        try:
            complete = int(file[COUNT][()])
            keep = int(np.searchsorted(file[STEP][:complete], step, side="right"))
            require_sound(file, keep)
            writer._box = box_of(file)
        except Exception as error:  # a spoilt file can raise anything out of HDF5
            writer.close()
            raise RunFileError(
                f"{path} is damaged: a checksum does not fit the frames that it holds; start again "
                "with --overwrite"
            ) from error
        try:
            file[COUNT][()] = keep
            resize(file, keep)
            cut_states(file, step)
            writer._frames = keep
            writer._note_end(Ending.RUNNING, "")
            writer._commit()
        except BaseException:
            writer.close()
            raise
        return writer

    @classmethod
    def _opened(cls, path: Path) -> RunWriter:
        """Open a run file to change it, as its last commit left it."""
        recover(path)
        open_hdf5(path, "r+").close()  # says what is wrong, and whether another program reads it
        raw = CommittedFile(path, new=False)
        return cls(path, raw, h5py.File(raw, "r+", libver="earliest"))

    def _commit(self) -> None:
        """Make all that was written so far count."""
        self._file["/parameters"].attrs.modify(SEAL, np.uint32(seal_of(self._file)))
        self._file.flush()
        self._raw.commit()

    @property
    def frames(self) -> int:
        """Frames complete in the file."""
        return self._frames

    @property
    def last_step(self) -> int:
        """Step of the newest frame, waiting or complete; -1 if there is none."""
        if self._waiting:
            return self._waiting[-1].step
        return int(self._file[STEP][self.frames - 1]) if self.frames else -1

    def append(self, frame: Frame) -> None:
        """Add a frame; it reaches the disk with its block, or after a few seconds."""
        self._waiting.append(kept(self._selection, frame))
        late = has_passed(FLUSH_SECONDS, self._flushed, time.monotonic())
        if late or len(self._waiting) >= self._block:
            self.flush()

    def flush(self) -> None:
        """Write the waiting frames and their count, and wait until they are on the disk."""
        waiting, self._waiting = self._waiting, []
        self._flushed = time.monotonic()
        if not waiting:
            return
        done = self.frames
        rows = slice(done, done + len(waiting))
        resize(self._file, rows.stop)
        self._file[STEP][rows] = [frame.step for frame in waiting]
        if TIME in self._file:
            self._file[TIME][rows] = [frame.time for frame in waiting]
        of_particles = [(element, name, dtype) for element, name, dtype, *_ in PER_PARTICLE]
        for element, name, dtype in (*of_particles, (NAMES, "particles", "<i8")):
            if element in self._file:
                blocks = [getattr(frame, name) for frame in waiting]
                put_rows(self._file[element + "/value"], rows, blocks, dtype)
        for element, name, dtype, _, _ in PER_FRAME:
            block = np.stack([getattr(frame, name) for frame in waiting])
            self._file[element + "/value"][rows] = block.astype(dtype)
        if PROJECTED in self._file:
            self._file[PROJECTED + "/value"][rows] = [frame.projected for frame in waiting]
        if EDGES + "/value" in self._file:
            self._file[EDGES + "/value"][rows] = np.tile(self._box, (len(waiting), 1))
        for element in series_of(self._file):
            name = element.removeprefix(ENERGY)
            self._file[element + "/value"][rows] = [
                frame.energies.get(name, 0.0) for frame in waiting
            ]
        self._file[COUNT][()] = rows.stop
        self._commit()
        self._frames = rows.stop

    @property
    def last_state(self) -> int:
        """Step of the newest whole state beside a cut-out; -1 if there is none."""
        return last_state(self._file)

    def append_state(self, frame: Frame) -> None:
        """Add a whole state beside frames of a cut-out; it reaches the disk at once."""
        self.flush()
        put_state(self._file, frame)
        self._commit()

    def end(self, ending: Ending, reason: str, timing: Mapping[str, float]) -> None:
        """Write the last frames, the timing and how the run ended.

        Parameters
        ----------
        ending : Ending
            How it ended.
        reason : str
            One sentence.
        timing : mapping of str to number
            `setup_s`, `compile_s`, `stepping_s`, `output_s`, `steps`, `threads`, and more counts.
        """
        if self._raw.trouble is None:
            self.flush()
        else:  # what could not be written is lost; a word on that may still find room
            self.close()
            self._waiting = []
            again = self._opened(self.path)
            self._raw, self._file = again._raw, again._file
        plain = {
            name: getattr(value, "item", lambda v=value: v)() for name, value in timing.items()
        }
        self._file["/parameters"].attrs.create("timing", json.dumps(plain), dtype=TEXT)
        self._note_end(ending, reason)
        self._commit()

    def note_rest(self, rest: Mapping[str, Any]) -> None:
        """Record what a sampled run found on whether its film has come to rest."""
        self._file["/parameters"].attrs.create("rest", json.dumps(rest), dtype=TEXT)

    def begin_part(self, step: int, threads: int) -> None:
        """Record that the run goes on from a step: by which program, machine and threads."""
        attrs = self._file["/parameters"].attrs
        parts = with_part(json.loads(attrs.get("parts", "[]")), step, threads)
        attrs.create("parts", json.dumps(parts), dtype=TEXT)

    def extend_plan(self, record: RunRecord) -> None:
        """Store the parameters of a run that is made longer; its frame schedule stays."""
        attrs = self._file["/parameters"].attrs
        attrs.create("text", record.text, dtype=TEXT)
        attrs.create("resolved", json.dumps(record.resolved), dtype=TEXT)
        attrs.create("derived", json.dumps(record.derived), dtype=TEXT)

    def _note_end(self, ending: Ending, reason: str) -> None:
        attrs = self._file["/parameters"].attrs
        attrs.create("end_reason", reason, dtype=TEXT)
        attrs.create("ending", ending.value, dtype=TEXT)
        attrs.create("finished", ending.is_complete, dtype=bool)

    def close(self) -> None:
        """Close the file; waiting frames must have been flushed."""
        if not self._raw.closed:
            _close(self._file, self._raw)


def _close(file: h5py.File, raw: CommittedFile) -> None:
    """Close both; HDF5 must not come back to a file object when Python is gone."""
    with contextlib.suppress(OSError, RuntimeError):  # told already, where there is trouble
        file.close()
    raw.close()


@dataclass(frozen=True)
class RunSummary:
    """What a run file says about its run, read without the frames."""

    text: str
    resolved: dict[str, Any]
    ending: Ending
    reason: str
    run_id: str
    versions: dict[str, str]
    sources: str
    time_step_s: float
    frames: int
    last_step: int
    frames_planned: int
    steps_planned: int
    timing: dict[str, float]

    @property
    def frame_interval_s(self) -> float:
        """Time in s from frame to frame, as planned when the run began."""
        return self.time_step_s * self.steps_planned / self.frames_planned


def _require_sealed(file: h5py.File, path: Path) -> None:
    if not is_sealed(file):
        raise RunFileError(f"{path} is damaged: its checksum does not fit what it holds")


def read_summary(path: Path) -> RunSummary:
    """Read how far a run came and how it ended.

    Parameters
    ----------
    path : Path
        The run file.

    Returns
    -------
    RunSummary
        Parameters, identity, progress and ending.

    Raises
    ------
    RunFileError
        If the file is missing, not HDF5, cut short, or not a run of this program.
    """
    with open_hdf5(path, "r") as file:
        try:
            _require_sealed(file, path)
            attrs = plain_attributes(file["/parameters"])
            frames = int(require_numbers(file[COUNT])[()])
            return RunSummary(
                text=str(attrs["text"]),
                resolved=json.loads(attrs["resolved"]),
                ending=Ending(attrs["ending"]),
                reason=str(attrs["end_reason"]),
                run_id=str(attrs["run_id"]),
                versions=json.loads(attrs["versions"]),
                sources=str(attrs.get("sources", "")),
                time_step_s=float(attrs["time_step_s"]),
                frames=frames,
                last_step=int(file[STEP][frames - 1]) if frames else -1,
                frames_planned=int(attrs["frames_planned"]),
                steps_planned=int(attrs["steps_planned"]),
                timing=json.loads(attrs.get("timing", "{}")),
            )
        except RunFileError:
            raise
        except Exception as error:  # a spoilt file can raise anything out of HDF5
            raise RunFileError(f"{path} is an HDF5 file but not a run of chainfilm") from error
