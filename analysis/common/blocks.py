"""Work on long arrays piece by piece, on all cores: pieces stay in the cache, and change no bit."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

BLOCK = 2**17
"""Rows of a piece."""


def usable_cores() -> int:
    """Return the cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1  # not every system can say


def on_all_cores(work: Callable[[slice], object], pieces: Iterable[slice]) -> None:
    """Call ``work`` with each piece, several at a time; raise what it raises."""
    pieces = list(pieces)
    workers = min(len(pieces), usable_cores())
    if workers <= 1:
        for piece in pieces:
            work(piece)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, pieces))


def blocks_of(count: int, size: int | None = None) -> list[slice]:
    """Return the pieces of so many rows, each of `BLOCK` or another size."""
    size = size or BLOCK
    return [slice(first, min(first + size, count)) for first in range(0, count, size)]


def of_each(function: Callable[..., Any], *arrays: NDArray[Any]) -> NDArray[Any]:
    """Return what a function makes of each row of some arrays.

    Parameters
    ----------
    function : callable
        Takes as many arrays as are given, of any number of rows; each row of what it returns hangs
        on the same row of these alone.
    *arrays : ndarray (N, ...)

    Returns
    -------
    ndarray (N, ...)
        A new array.
    """
    count = len(arrays[0])
    blocks = blocks_of(count)
    first = np.asarray(function(*(array[: min(BLOCK, count)] for array in arrays)))
    if len(blocks) <= 1:
        return first
    made = np.empty((count, *first.shape[1:]), first.dtype)
    made[blocks[0]] = first

    def work(block: slice) -> None:
        made[block] = function(*(array[block] for array in arrays))

    on_all_cores(work, blocks[1:])
    return made


def largest_of_each(function: Callable[..., Any], *arrays: NDArray[Any]) -> float:
    """Return the largest number that a function makes of rows, as for `of_each`, keeping none."""
    found = [-np.inf] * len(blocks := blocks_of(len(arrays[0])))

    def work(block: slice) -> None:
        found[block.start // BLOCK] = float(np.max(function(*(array[block] for array in arrays))))

    on_all_cores(work, blocks)
    return max(found)
