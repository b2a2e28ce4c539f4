"""The checkpoint: all that an engine needs to go on bit for bit, replaced atomically.

A new checkpoint is written beside the old one, brought to the disk and only then takes its name,
so that a kill at any moment leaves one whole checkpoint, the old or the new.
"""

from __future__ import annotations

import json
import os
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from analysis.common import file_names
from sim.files.opening import RunFileError, open_hdf5
from sim.files.provenance import made_by

_FORMAT = 2
_SEAL = b"chainfilm CRC-32"
"""Stands with a checksum of all bytes before it behind the end of the HDF5 file."""
_PIECE = 16_000_000
"""Bytes that are read at once: a file of some gigabytes need not fit into memory."""


@dataclass(frozen=True)
class Checkpoint:
    """State of a run between two steps.

    Attributes
    ----------
    run_id : str
        The run file that it belongs to.
    step : int
        Steps done.
    frames : int
        Frames that the run file holds up to this step.
    timing : dict of str to number
        Wall time and counts so far, all parts of the run together.
    engine : dict
        What the engine asked to keep: arrays, whole numbers, floats, texts.
    """

    run_id: str
    step: int
    frames: int
    timing: dict[str, float]
    engine: dict[str, Any]


def save(path: Path, checkpoint: Checkpoint) -> None:
    """Write a checkpoint, replacing the one before it in one move.

    Parameters
    ----------
    path : Path
        The checkpoint file.
    checkpoint : Checkpoint
        What to keep.

    Raises
    ------
    OSError
        If it cannot be written; the one before stays.
    TypeError
        If the engine hands over something that HDF5 cannot hold.
    """
    draft = path.with_name(path.name + ".part")
    try:
        with h5py.File(draft, "w", libver="earliest") as file:
            file.attrs.create("format", _FORMAT, dtype="<i4")
            file.attrs.create("run_id", checkpoint.run_id, dtype=h5py.string_dtype("utf-8"))
            file.attrs.create("step", checkpoint.step, dtype="<i8")
            file.attrs.create("frames", checkpoint.frames, dtype="<i8")
            about = json.dumps({**made_by(), "parameters": file_names.RUN})
            file.attrs.create("made_by", about, dtype=h5py.string_dtype("utf-8"))
            _write(file.create_group("timing"), dict(checkpoint.timing))
            _write(file.create_group("engine"), checkpoint.engine)
        check, _ = _checksum(draft, draft.stat().st_size)
        with draft.open("ab") as file:  # HDF5 does not look behind its own end
            file.write(_SEAL + check.to_bytes(4, "little"))
        _to_disk(draft)
        draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
    _to_disk(path.parent)


def load(path: Path) -> Checkpoint:
    """Read a checkpoint.

    Parameters
    ----------
    path : Path
        The checkpoint file.

    Returns
    -------
    Checkpoint
        As it was saved, types included.

    Raises
    ------
    RunFileError
        If the file is missing, damaged or not a checkpoint.
    """
    _require_whole(path)
    with open_hdf5(path, "r") as file:
        try:
            made_by = file.attrs["format"]
            kept = Checkpoint(
                run_id=str(file.attrs["run_id"]),
                step=int(file.attrs["step"]),
                frames=int(file.attrs["frames"]),
                timing=_read(file["timing"]),
                engine=_read(file["engine"]),
            )
        except Exception as error:  # a spoilt file can raise anything out of HDF5
            raise RunFileError(f"{path} is not a checkpoint of chainfilm") from error
    if made_by != _FORMAT:
        raise RunFileError(f"{path} was written by another version of chainfilm")
    return kept


def _require_whole(path: Path) -> None:
    """Refuse a file whose bytes have changed; a run would go on from them without a word."""
    if not path.is_file():
        return
    check, behind = _checksum(path, path.stat().st_size - len(_SEAL) - 4)
    if behind[:-4] == _SEAL and check.to_bytes(4, "little") != behind[-4:]:
        raise RunFileError(f"{path} is damaged: its checksum does not fit what it holds")


def _checksum(path: Path, size: int) -> tuple[int, bytes]:
    """Return the checksum of the first ``size`` bytes of a file, and the bytes behind them."""
    check, left = 0, max(0, size)
    with path.open("rb") as file:
        while left and (piece := file.read(min(left, _PIECE))):
            check = zlib.crc32(piece, check)
            left -= len(piece)
        return check, file.read()


def _write(group: h5py.Group, items: dict[str, Any]) -> None:
    for name, value in items.items():
        kind = type(value).__name__
        if isinstance(value, dict):
            _write(group.create_group(name), value)
            continue
        if isinstance(value, str):
            group.create_dataset(name, data=value, dtype=h5py.string_dtype("utf-8"))
        else:
            array = np.asarray(value)
            if array.dtype == object:
                raise TypeError(f"checkpoint item {name} of type {kind} cannot be stored")
            group.create_dataset(name, data=array, dtype=array.dtype)
        group[name].attrs["kind"] = kind


_BACK = {"int": int, "float": float, "bool": bool}


def _read(group: h5py.Group) -> dict[str, Any]:
    items: dict[str, Any] = {}
    for name, item in group.items():
        if isinstance(item, h5py.Group):
            items[name] = _read(item)
        elif item.attrs["kind"] == "str":
            items[name] = item.asstr()[()]
        elif item.attrs["kind"] == "tuple":
            items[name] = tuple(item[()].tolist())
        elif item.attrs["kind"] == "list":
            items[name] = item[()].tolist()
        else:
            items[name] = _BACK.get(item.attrs["kind"], lambda x: x)(item[()])
    return items


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
