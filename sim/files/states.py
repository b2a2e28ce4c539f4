"""What a run file keeps of a frame: a cut-out, whose particles come and go, and whole states."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.files.layout import PER_PARTICLE, TIME, WHOLE, in_whole
from sim.files.selection import count_map

if TYPE_CHECKING:
    from collections.abc import Sequence

    import h5py
    from numpy.typing import NDArray

    from sim.files.layout import Frame
    from sim.files.selection import Selection


STEPS = f"{WHOLE}/position/step"


def kept(selection: Selection | None, frame: Frame) -> Frame:
    """Return what a selection keeps of a frame, or one of which it was chosen already."""
    if frame.particles is not None:
        return frame
    if selection is not None and selection.map_shape is not None:
        counts = count_map(frame.position, selection.film, selection.map_shape)
        frame = dataclasses.replace(frame, projected=counts)
    if selection is None or selection.cutout is None:
        return frame
    rows = selection.cutout.inside(frame.position)
    return dataclasses.replace(
        frame,
        particles=rows,
        position=frame.position[rows],
        image=frame.image[rows],
        moment=frame.moment[rows],
    )


def put_rows(
    data: h5py.Dataset, rows: slice, blocks: Sequence[NDArray[Any] | None], dtype: str
) -> None:
    """Write what frames hold of their particles; a cut-out holds now more, now fewer."""
    known = [block for block in blocks if block is not None]
    most = max(len(block) for block in known)
    if most > data.shape[1]:
        data.resize(most, axis=1)
    if all(len(block) == data.shape[1] for block in known):
        data[rows] = np.stack(known).astype(dtype)
        return
    padded = np.full((len(known), *data.shape[1:]), -1, dtype)
    for row, block in zip(padded, known, strict=True):
        row[: len(block)] = block
    data[rows] = padded


def last_state(file: h5py.File) -> int:
    """Return the step of the newest whole state; -1 if there is none."""
    steps = file.get(STEPS)
    return -1 if steps is None or not len(steps) else int(steps[-1])


def put_state(file: h5py.File, frame: Frame) -> None:
    """Add a whole state."""
    row = len(file[STEPS])
    _resize(file, row + 1)
    file[STEPS][row] = frame.step
    if TIME in file:
        file[f"{WHOLE}/position/time"][row] = frame.time
    for element, name, dtype, *_ in PER_PARTICLE:
        file[f"{in_whole(element)}/value"][row] = getattr(frame, name).astype(dtype)


def cut_states(file: h5py.File, step: int) -> None:
    """Leave out the whole states after a step, if the file holds such."""
    if STEPS in file:
        _resize(file, int(np.searchsorted(file[STEPS][()], step, side="right")))


def _resize(file: h5py.File, states: int) -> None:
    """Give every dataset of the whole states so many."""
    position = file[f"{WHOLE}/position"]
    for name in ("step", "time"):
        if name in position:
            position[name].resize(states, axis=0)
    for element, *_ in PER_PARTICLE:
        file[f"{in_whole(element)}/value"].resize(states, axis=0)
