"""The checkpoint: all that an engine needs to go on bit for bit, replaced atomically.

A new checkpoint is written beside the old one, brought to the disk and only then takes its name,
so that a kill at any moment leaves one whole checkpoint, the old or the new.
"""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import h5py
import numpy as np

from analysis.common import file_names
from analysis.common.blocks import blocks_of, on_all_cores
from sim.files.opening import RunFileError, open_hdf5
from sim.files.provenance import made_by

_FORMAT = 2
_SEAL = b"chainfilm CRC-32"
"""Stands with a checksum of all bytes before it behind the end of the HDF5 file."""
_PIECE_BITS = 24
_PIECE = 2**_PIECE_BITS
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


def load(path: Path, spared: Mapping[str, Collection[str]] = MappingProxyType({})) -> Checkpoint:
    """Read a checkpoint.

    Parameters
    ----------
    path : Path
        The checkpoint file.
    spared : mapping of str to collection of str
        By the processor that wrote it: items of the engine that are not needed, and not read.

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
            made_by, engine = file.attrs["format"], file["engine"]
            begun_by = engine["processor"].asstr()[()] if "processor" in engine else "cpu"
            needed = [name for name in engine if name not in spared.get(begun_by, ())]
            kept = Checkpoint(
                run_id=str(file.attrs["run_id"]),
                step=int(file.attrs["step"]),
                frames=int(file.attrs["frames"]),
                timing=_read(file["timing"]),
                engine=_read(engine, needed),
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
    pieces, check = blocks_of(max(0, size) // _PIECE * _PIECE, _PIECE), 0
    found = [0] * len(pieces)
    with path.open("rb") as file:

        def look(piece: slice) -> None:
            content = os.pread(file.fileno(), _PIECE, piece.start)
            found[piece.start // _PIECE] = zlib.crc32(content)

        on_all_cores(look, pieces)
        for one in found:
            check = one ^ _over(_piece_behind(), check)
        file.seek(len(pieces) * _PIECE)
        rest = file.read(max(0, size) - len(pieces) * _PIECE)
        return zlib.crc32(rest, check), file.read()


@cache
def _piece_behind() -> list[int]:
    """Return what a piece behind them makes of the 32 bits of a checksum, all zeros left out.

    A checksum is linear in where it begins, CRC(A B) = CRC(B) xor L CRC(A), and L of twice the
    bytes is L twice (R. N. Williams, A painless guide to CRC error detection algorithms, 1993).
    """
    bits = [zlib.crc32(b"\0", 1 << k) ^ zlib.crc32(b"\0") for k in range(32)]
    for _ in range(_PIECE_BITS):
        bits = [_over(bits, bit) for bit in bits]
    return bits


def _over(bits: list[int], check: int) -> int:
    """Return what becomes of a checksum whose bits become these."""
    made = 0
    for k, bit in enumerate(bits):
        if check >> k & 1:
            made ^= bit
    return made


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


def _read(group: h5py.Group, names: Iterable[str] | None = None) -> dict[str, Any]:
    items: dict[str, Any] = {}
    for name in group if names is None else names:
        item = group[name]
        if isinstance(item, h5py.Group):
            items[name] = _read(item)
        elif item.attrs["kind"] == "str":
            items[name] = item.asstr()[()]
        elif item.attrs["kind"] == "tuple":
            items[name] = tuple(item[()].tolist())
        elif item.attrs["kind"] == "list":
            items[name] = item[()].tolist()
        else:
            items[name] = _BACK.get(item.attrs["kind"], lambda x: x)(_numbers(item))
    return items


def _numbers(item: h5py.Dataset) -> Any:
    """Return what an array holds; a long one is read by all cores, as it lies in the file."""
    begin = item.id.get_offset()
    if begin is None or item.nbytes < _PIECE:
        return item[()]
    made = np.empty(item.shape, item.dtype)
    raw = made.reshape(-1).view(np.uint8)
    with Path(item.file.filename).open("rb") as file:

        def read(piece: slice) -> None:
            if os.preadv(file.fileno(), [raw[piece].data], begin + piece.start) != len(raw[piece]):
                raise OSError(f"{item.name} is cut short")

        on_all_cores(read, blocks_of(raw.size, _PIECE))
    return made


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
