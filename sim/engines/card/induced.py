"""Moments that beads induce in each other on a card: rounds of a search, before each step.

A round does nothing to a film whose moments are found, a step nothing to one that still searches:
both are asked for in turns, and each film takes as many rounds as it needs.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sim.engines.card.bead_arrays import threads_of
from sim.engines.card.kept import keep_kernels, kernels_of
from sim.engines.guards import unsettled
from sim.kernels.card import beads, layout
from sim.kernels.card.tools import BLOCK
from sim.kernels.dipoles.induced import MOST_SUMS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.engines.card.film import CardFilm
    from sim.engines.card.mesh import CardMesh
    from sim.engines.guards import StepError

__all__ = ["InducedRounds"]

keep_kernels(beads)


class InducedRounds:
    """Asks for rounds of the search in the films of a batch.

    Parameters
    ----------
    films : CardFilm
        Of beads.
    mesh : CardMesh or None
    """

    def __init__(self, films: CardFilm, mesh: CardMesh | None) -> None:
        self._films, self._mesh = films, mesh
        self._kernels = kernels_of(beads.bead_kernels, films.choice)

    def compile(self) -> None:
        """Compile the kernels of a round."""
        self._round(self._films.idle())

    def _round(self, content: layout.CardFilm) -> None:
        self._begin(content)
        self._search(content)

    def _begin(self, content: layout.CardFilm) -> None:
        self._films.run(self._kernels.begin, BLOCK, content)

    def _search(self, content: layout.CardFilm) -> None:
        """Ask for the kernels of a round after the mesh."""
        films, kernels = self._films, self._kernels
        threads = threads_of(content.count)  # none where it compiles
        films.hold_sums(content, content.held)
        films.run(kernels.respond, threads, content)
        films.run(beads.judge, BLOCK, content)
        films.run(kernels.mix, threads, content)

    def ask_for_round(self) -> None:
        """Ask for one round in all films that search."""
        films, content = self._films, self._films.content
        if self._mesh is None:
            films.ask("search", lambda: self._round(content))
            return
        films.ask("begin", lambda: self._begin(content))
        self._mesh.sum(content)
        films.ask("search", lambda: self._search(content))

    def ask_for_step(self, with_lists: bool) -> None:
        """Ask for lists where they are due, one round, and a step where moments are found."""
        if with_lists:
            self._films.ask_for_lists()
        self.ask_for_round()
        self._films.ask_for_step()

    def rounds(self, steps: int) -> int:
        """Return how many rounds so many steps are likely to take."""
        seen = self._films.seen[:, [layout.SUMS, layout.SEARCHES]].sum(axis=0)
        return math.ceil(steps * max(1.0, float(seen[0]) / max(1, int(seen[1]))))

    def settle(self, steps: NDArray[np.int64]) -> None:
        """Find the moments of all films after so many steps of each; their lists are built."""
        films = self._films
        films.set_flag(layout.TARGET, steps + 1)  # none is asked for
        while True:
            flags = films.flags()
            going = flags[:, layout.STATUS] == layout.GO
            if not (going & (flags[:, layout.SETTLED] == 0)).any():
                return
            for _ in range(self.rounds(1)):
                self.ask_for_round()

    def settle_anew(self, steps: NDArray[np.int64]) -> None:
        """Find the moments of all films again, whose slots were moved between steps."""
        self.forget(np.ones(len(steps), bool))
        self.settle(steps)

    def forget(self, chosen: NDArray[np.bool_]) -> None:
        """Have some films search again, as after a restart; settled moments stay as they are."""
        flags = self._films.flags()
        for flag in (layout.SETTLED, layout.ROUND):
            self._films.set_flag(flag, np.where(chosen, 0, flags[:, flag]))

    def unsettled(self, film: int, step: int) -> StepError:
        """Return the error of a film whose moments do not settle."""
        change = float(self._films.queue.get(self._films.content.beads.change, film)[0])
        return unsettled(change, MOST_SUMS, step)
