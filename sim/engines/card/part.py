"""What a frame keeps of a film on a card: chosen there, so that the rest of the film stays.

Of a film at true scale a state takes gigabytes and half a minute on its way; a cube out of its
middle and a map of all particles take a few megabytes and milliseconds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from sim.engines.card.arrays import as_positions, bits_of, periods_of
from sim.engines.protocol import FilmPart
from sim.files.selection import count_map, within_sides
from sim.kernels.card import layout

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from sim.engines.card.batch import CardBatch
    from sim.files.selection import CutOut, Selection
    from sim.film.reduced_system import ReducedSystem

__all__ = ["images", "part_of"]

PIECE = 1 << 22
"""Particles that are looked at together: what is found of them is on the card for a moment."""


def images(
    shares: NDArray[Any], reference: NDArray[Any], image: NDArray[np.int32]
) -> NDArray[np.int32]:
    """Return the periods that slots have left behind, (2, N), from those at the last sort.

    Parameters
    ----------
    shares, reference : int32 or int64 (N, 3)
        Places now, and at the last sort; less than half a period apart.
    image : int32 (2, N)
        Periods at the last sort.
    """
    found = image.copy()
    unsigned = np.uint32 if shares.itemsize == 4 else np.uint64
    for axis in range(2):
        now, then = shares[:, axis], reference[:, axis]
        gone = now - then  # wraps to the nearest image
        now, then = now.view(unsigned), then.view(unsigned)
        found[axis] += ((gone > 0) & (now < then)).astype(np.int32)
        found[axis] -= ((gone < 0) & (now > then)).astype(np.int32)
    return found


def part_of(batch: CardBatch, film: int, selection: Selection, length_m: float) -> FilmPart:
    """Return what a selection with a cut-out keeps of a film of a batch.

    Parameters
    ----------
    batch : CardBatch
        Laid out.
    film : int
        Its number there.
    selection : Selection
    length_m : float
        The unit of length, m.

    Raises
    ------
    ValueError
        If the selection has no cut-out.
    """
    cutout = selection.cutout
    if cutout is None:
        raise ValueError("a selection must have a cut-out; received none")
    queue, slots = batch.queue, _slots_of(batch, film)
    with queue.whole():
        chosen, counts = _chosen(slots, selection, cutout, length_m)
        held = {name: queue.bring(array) for name, array in slots.of(chosen).items()}
        projected = None if counts is None else queue.bring(counts)
    order = np.argsort(held["identity"], kind="stable")
    shares = np.ascontiguousarray(held["shares"][order])
    reference = np.ascontiguousarray(held["reference"][order])
    position = as_positions(shares, batch.films.periods) * length_m
    return FilmPart(
        particles=held["identity"][order].astype(np.int64),
        position=within_sides(position, selection.film),
        image=images(shares, reference, held["image"][:, order]).T,
        directions=held["directions"][:, order].T.astype(np.float64),
        projected=projected,
    )


class _Slots:
    """The arrays in use of a film, on the card."""

    def __init__(
        self, numbers: Any, periods: tuple[float, ...], rows: Any, reference: Any, **columns: Any
    ) -> None:
        self.numbers, self.periods, self.count = numbers, periods, len(rows)
        self.shares, self._reference, self._columns = rows, reference, columns

    def places(self, length_m: float) -> Iterator[tuple[int, Any]]:
        """Yield places in m, some slots after the others, with the number of the first."""
        for first in range(0, self.count, PIECE):
            shares = self.shares[first : first + PIECE, :3]
            yield first, as_positions(shares, self.periods, self.numbers) * length_m

    def of(self, slots: Any) -> dict[str, Any]:
        """Return what some slots hold."""
        columns = {name: array[..., slots] for name, array in self._columns.items()}
        return columns | {
            "shares": self.shares[slots][:, :3].copy(),
            "reference": self._reference[slots][:, :3].copy(),
        }


def _slots_of(batch: CardBatch, film: int) -> _Slots:
    """Return the slots of a film of a batch."""
    queue, content, count = batch.queue, batch.films.content, batch.systems[film].count
    flags = batch.films.flags()[film]
    side, buffer = int(flags[layout.SIDE]), int(flags[layout.BUFFER])
    rows = queue.view(content.rows)[film].reshape(layout.rows_shape(count))
    reference = queue.view(content.reference)[film].reshape(2, count, layout.REFERENCE_WORDS)
    columns = {
        name: queue.view(getattr(content, name))[film][side]
        for name in ("directions", "identity", "image")
    }
    return _Slots(queue.numbers, batch.films.periods, rows[buffer, 0], reference[side], **columns)


def compile_part(queue: Any, system: ReducedSystem, selection: Selection) -> None:
    """Have the library of whole arrays compile what `part_of` asks of it, on a few zeros."""
    if selection.cutout is None:
        return
    zeros, few = queue.numbers.zeros, 8
    whole = np.int32 if bits_of(system) == 32 else np.int64
    real = np.float64 if system.induced else np.dtype(system.precision)
    with queue.whole():
        slots = _Slots(
            queue.numbers, periods_of(system), zeros((few, layout.HALF), whole),
            zeros((few, layout.REFERENCE_WORDS), whole), directions=zeros((3, few), real),
            identity=zeros(few, np.uint32), image=zeros((2, few), np.int32),
        )  # fmt: skip
        chosen, _ = _chosen(slots, selection, selection.cutout, system.units.length_m)
        slots.of(chosen)
    queue.wait()


def _chosen(
    slots: _Slots, selection: Selection, cutout: CutOut, length_m: float
) -> tuple[Any, Any]:
    """Return the slots in a cut-out, and the map of all where one is kept, both on the card."""
    numbers, shape = slots.numbers, selection.map_shape
    found: list[Any] = []
    counts = None if shape is None else numbers.zeros(shape, np.uint32)
    for first, places in slots.places(length_m):
        inside = within_sides(places, selection.film, numbers)
        found.append(first + cutout.inside(inside, numbers))
        if counts is not None and shape is not None:
            counts += count_map(inside, selection.film, shape, numbers)
    return numbers.concatenate(found), counts
