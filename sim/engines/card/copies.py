"""The way back of films that failed within a piece of steps to what they were before it.

By copies on the card, which are made before each piece; or, of large films, by a copy on this
machine that is made now and then, from which the film makes its steps again.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from sim.engines.card.memory import is_kept_on_host
from sim.kernels.card import layout

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from sim.engines.card.film import CardFilm
    from sim.film.reduced_system import ReducedSystem

    Counts = tuple[NDArray[np.int64], NDArray[np.int64] | None]

__all__ = ["CARRIED", "CopiesOnCard", "CopiesOnHost", "copies_of"]

AGAIN_S = 120.0
"""A copy on this machine is made anew after so long: of 5e7 particles it takes a second or two."""

CARRIED = ("directions", "identity", "image", "smooth", "earlier", "momentum")
"""What moves with the slots beside rows and references, twice on the card."""
CHANGED = ("magnetisation", "moments", "clock", "flags")
"""What else steps change."""


class Batch(Protocol):
    """The films of a batch, as far as a way back takes them; see `sim.engines.card.batch`."""

    systems: list[ReducedSystem]
    films: CardFilm
    queue: Any
    steps: NDArray[np.int64]

    def counts(self) -> Counts:
        """Return counts that go with the steps."""

    def stand_again(
        self, chosen: NDArray[np.intp], steps: NDArray[np.int64], counts: Counts
    ) -> None:
        """Take some films for those that they were."""

    def list_again(self, films: NDArray[np.bool_]) -> None:
        """List neighbours anew."""

    def advance_to(self, target: NDArray[np.int64]) -> object:
        """Step until each film has come to its target."""


def _halves(films: CardFilm, flags: NDArray[np.int64]) -> dict[str, tuple[Any, Any]]:
    """Return all that lies twice, on the card, with the index of the halves in use."""
    queue, content, count = films.queue, films.content, films.systems[0].count
    several = len(films.systems)
    rows = queue.view(content.rows).reshape(several, 2, count * layout.WORDS)
    reference = queue.view(content.reference)
    reference = reference.reshape(several, 2, count * layout.REFERENCE_WORDS)
    side = np.arange(several), flags[:, layout.SIDE]
    carried = {name: (queue.view(getattr(content, name)), side) for name in CARRIED}
    buffer = np.arange(several), flags[:, layout.BUFFER]
    return {"rows": (rows, buffer), "reference": (reference, side), **carried}


class CopiesOnCard:
    """Copies of what steps change, made on the card before each piece of steps.

    Parameters
    ----------
    batch : Batch
        Laid out.

    Attributes
    ----------
    steps : int64 (films,)
        Steps made before the piece.
    """

    def __init__(self, batch: Batch) -> None:
        self._batch = batch
        self.steps = batch.steps.copy()

    def forget(self) -> None:
        """Do nothing: copies are made before each piece."""

    def keep(self) -> None:
        """Copy what the steps of a piece will change."""
        self.steps, self._counts = self._batch.steps.copy(), self._batch.counts()
        films = self._batch.films
        queue, content = films.queue, films.content
        halves = _halves(films, films.flags())
        with queue.whole():
            kept = {name: queue.view(getattr(content, name)).copy() for name in CHANGED}
            self._kept = kept | {name: array[half] for name, (array, half) in halves.items()}

    def go_back(self, chosen: NDArray[np.bool_]) -> None:
        """Put films back to what they were before the piece, and to the list of their places."""
        batch, films, which = self._batch, self._batch.films, np.flatnonzero(chosen)
        if not which.size:
            return
        queue, content, arrays = films.queue, films.content, dict(self._kept)
        with queue.whole():
            for name in CHANGED:
                queue.view(getattr(content, name))[which] = arrays.pop(name)[which]
        halves = _halves(films, films.flags())
        with queue.whole():
            for name, values in arrays.items():
                array, (all_films, half) = halves[name]
                array[all_films[which], half[which]] = values[which]
        batch.stand_again(which, self.steps, self._counts)
        batch.list_again(chosen)


class CopiesOnHost:
    """Copies on this machine, made now and then; from there films make their steps again.

    Steps repeat their bits, so that this leads to what they were before a piece, as late as a
    copy is old: a film of which this is asked has failed.

    Parameters
    ----------
    batch : Batch
        Laid out.

    Attributes
    ----------
    steps : int64 (films,)
        Steps made before the piece.
    """

    def __init__(self, batch: Batch) -> None:
        self._batch = batch
        self.steps = batch.steps.copy()
        self._kept: list[dict[str, NDArray[Any]]] = []
        self._made = 0.0

    def forget(self) -> None:
        """Make a copy before the next piece, as films were put to other states."""
        self._kept = []

    def keep(self) -> None:
        """Note where a piece begins; copy films whose copy is old, or that have none."""
        batch = self._batch
        self.steps = batch.steps.copy()
        if self._kept and time.monotonic() - self._made < AGAIN_S:
            return
        self._begun, self._counts = self.steps, batch.counts()
        self.forget()  # this machine holds one copy at a time
        made = []
        for film in range(len(batch.systems)):
            parts = [*_changed(batch.films, film), *_in_use(batch.films, film)]
            made.append({name: batch.queue.get(array, at) for name, array, at in parts})
        self._kept, self._made = made, time.monotonic()

    def go_back(self, chosen: NDArray[np.bool_]) -> None:
        """Put films back to their copies, and have them make their steps up to the piece again."""
        batch, which = self._batch, np.flatnonzero(chosen)
        if not which.size:
            return
        for film in which.tolist():
            for parts in (_changed, _in_use):  # flags first, which tell the halves in use
                for name, array, at in parts(batch.films, film):
                    batch.queue.set(array, self._kept[film][name], at)
        target = np.where(chosen, self.steps, batch.steps)
        batch.stand_again(which, self._begun, self._counts)
        batch.list_again(chosen)
        batch.advance_to(target)


def copies_of(batch: Batch) -> CopiesOnCard | CopiesOnHost:
    """Return the way back of the films of a batch."""
    return CopiesOnHost(batch) if is_kept_on_host(batch.systems[0]) else CopiesOnCard(batch)


def _changed(films: CardFilm, film: int) -> Iterator[tuple[str, Any, Any]]:
    """Yield what else steps change in a film: name, array, index."""
    for name in CHANGED:
        yield name, getattr(films.content, name), film


def _in_use(films: CardFilm, film: int) -> Iterator[tuple[str, Any, Any]]:
    """Yield what lies twice of a film: name, array, and the index of the half in use."""
    content, count, flags = films.content, films.system.count, films.flags()[film]
    side, buffer = int(flags[layout.SIDE]), int(flags[layout.BUFFER])
    for name, half, words in (
        ("rows", buffer, layout.WORDS * count),
        ("reference", side, layout.REFERENCE_WORDS * count),
    ):
        yield name, getattr(content, name), (film, slice(half * words, (half + 1) * words))
    for name in CARRIED:
        yield name, getattr(content, name), (film, side)
