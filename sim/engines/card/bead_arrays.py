"""What the search for the moments of beads remembers, in the memory of a card."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from sim.engines.cpu_induced import MOMENT_SHARE
from sim.kernels.card import beads, layout
from sim.kernels.card.tools import BLOCK
from sim.kernels.dipoles.induced import DEPTH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sim.film.reduced_system import ReducedSystem

__all__ = ["beads_of", "threads_of"]


def threads_of(count: int) -> int:
    """Return the threads that go through so many slots."""
    return max(1, min(count, beads.THREADS))


def beads_of(systems: Sequence[ReducedSystem], queue: Any) -> layout.CardBeads:
    """Return what the search in films of beads remembers, on the card."""
    films, count = len(systems), systems[0].count

    def zeros(*shape: int) -> Any:
        return queue.zeros((films, *shape), np.float64)

    def each(values: list[float]) -> Any:
        return queue.put(np.array(values))

    return layout.CardBeads(
        last_moments=zeros(3, count),
        last_residual=zeros(3, count),
        moment_changes=zeros(DEPTH, 3, count),
        residual_changes=zeros(DEPTH, 3, count),
        partials=zeros(-(-threads_of(count) // BLOCK), beads.COLUMNS),
        totals=zeros(beads.COLUMNS),
        matrix=zeros(DEPTH, DEPTH),
        weights=zeros(DEPTH),
        change=zeros(1),
        core_langevin=each([one.core_langevin for one in systems]),
        tolerance=each([MOMENT_SHARE * one.tolerance for one in systems]),
    )
