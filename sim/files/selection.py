"""What the frames of a run file hold of a large film: a cut-out of it, and maps of all of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


ROOM = 1.1
"""Rows of a cut-out beside those that it holds on average; the file grows where it holds more."""


@dataclass(frozen=True)
class CutOut:
    """A box out of the middle of a film; a side as long as the film's is all of it.

    Attributes
    ----------
    low, high : tuple of float
        Its corners along x, y and z, m; what stands on a high side is outside.
    film : tuple of float
        Sides of the patch and the thickness, m.
    """

    low: tuple[float, ...]
    high: tuple[float, ...]
    film: tuple[float, ...]

    @classmethod
    def of(cls, sides: tuple[float, ...], film: tuple[float, ...]) -> CutOut:
        """Return the box with these sides, m, or the film's where they are longer."""
        kept = [min(side, whole) for side, whole in zip(sides, film, strict=True)]
        low = tuple(0.5 * (whole - side) for side, whole in zip(kept, film, strict=True))
        return cls(low, tuple(a + side for a, side in zip(low, kept, strict=True)), film)

    @property
    def sides(self) -> tuple[float, ...]:
        """Its sides, m."""
        return tuple(high - low for low, high in zip(self.low, self.high, strict=True))

    @property
    def boundaries(self) -> list[bytes]:
        """The boundaries of H5MD: a side that is cut has none."""
        whole = [high - low >= side for low, high, side in zip(*self._corners, strict=True)]
        return [b"periodic" if all_of_it else b"none" for all_of_it in whole[:2]] + [b"none"]

    @property
    def _corners(self) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
        return self.low, self.high, self.film

    def rows(self, count: int) -> int:
        """Return the rows to make room for, of ``count`` particles in the film."""
        share = math.prod(self.sides) / math.prod(self.film)
        return min(count, math.ceil(ROOM * share * count) + 16)

    def inside(self, position: NDArray[np.float64], numbers: Any = np) -> NDArray[np.int64]:
        """Return the particles in it, rising; ``numbers`` is the library of the array."""
        held = numbers.ones(len(position), bool)
        for axis, (low, high, side) in enumerate(zip(*self._corners, strict=True)):
            if high - low < side:
                held &= (position[:, axis] >= low) & (position[:, axis] < high)
        found: NDArray[np.int64] = numbers.flatnonzero(held)
        return found


@dataclass(frozen=True)
class Selection:
    """What a frame keeps.

    Attributes
    ----------
    cutout : CutOut or None
        None: all particles.
    map_shape : tuple of int or None
        Cells of the map of the projected film along x and y; None: no map.
    film : tuple of float
        Sides of the patch and the thickness, m.
    """

    cutout: CutOut | None
    map_shape: tuple[int, int] | None
    film: tuple[float, ...]

    @classmethod
    def of(
        cls, cutout: tuple[float, ...] | None, map_step: float | None, film: tuple[float, ...]
    ) -> Selection:
        """Return the selection for sides of a cut-out and cells of a map of a film, all in m."""
        shape = None
        if map_step is not None:
            columns, rows = (max(1, math.ceil(side / map_step)) for side in film[:2])
            shape = columns, rows
        return cls(None if cutout is None else CutOut.of(cutout, film), shape, film)


def count_map(
    position: NDArray[np.float64],
    sides: tuple[float, ...],
    shape: tuple[int, int],
    numbers: Any = np,
) -> NDArray[np.uint32]:
    """Return the particles over each cell of the patch, (columns, rows); whole numbers add up.

    ``numbers`` is the library of the array: numpy, or that of a card.
    """
    index = numbers.zeros(len(position), np.int64)
    for axis in range(2):
        cell = (position[:, axis] * (shape[axis] / sides[axis])).astype(np.int64)
        index = index * shape[axis] + numbers.clip(cell, 0, shape[axis] - 1)
    counts = numbers.bincount(index, minlength=math.prod(shape)).reshape(shape)
    found: NDArray[np.uint32] = counts.astype(np.uint32)
    return found


def within_sides(
    position: NDArray[np.float64], sides: tuple[float, ...], numbers: Any = np
) -> NDArray[np.float64]:
    """Keep x and y that the change to SI has rounded up to the side just below it; in place."""
    below = numbers.asarray(np.nextafter(np.asarray(sides[:2], float), 0.0))
    position[:, :2] = numbers.minimum(position[:, :2], below)
    return position
