"""Copies of what steps change, on the card, and the way back to them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from sim.kernels.card import layout

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.engines.card.film import CardFilm

__all__ = ["CARRIED", "copied", "put_back"]

CARRIED = ("directions", "identity", "image", "smooth", "earlier", "momentum")
"""What moves with the slots beside rows and references, twice on the card."""
CHANGED = ("magnetisation", "moments", "clock", "flags")
"""What else steps change."""


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


def copied(films: CardFilm) -> dict[str, Any]:
    """Return copies, on the card, of what steps change in all films of a batch, by name."""
    queue, content = films.queue, films.content
    halves = _halves(films, films.flags())
    with queue.whole():
        kept = {name: queue.view(getattr(content, name)).copy() for name in CHANGED}
        return kept | {name: array[half] for name, (array, half) in halves.items()}


def put_back(films: CardFilm, copies: dict[str, Any], chosen: NDArray[np.intp]) -> None:
    """Put the chosen films of a batch back to copies of `copied`; lists are not among them."""
    queue, content, arrays = films.queue, films.content, dict(copies)
    with queue.whole():
        for name in CHANGED:
            queue.view(getattr(content, name))[chosen] = arrays.pop(name)[chosen]
    halves = _halves(films, films.flags())
    with queue.whole():
        for name, values in arrays.items():
            array, (all_films, half) = halves[name]
            array[all_films[chosen], half[chosen]] = values[chosen]
