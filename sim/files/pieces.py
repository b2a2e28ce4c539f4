"""Whether an array of a run file still has all the pieces in which it is stored."""

from __future__ import annotations

import h5py

from analysis.common.lost_pieces import lost_piece


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
