"""The flow that particles stir up, on a card: when each part of it is due.

Parts and their times are those of `sim.engines.cpu_flow`. A film with flow steps alone.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from sim.engines.card.near_part import NearPart
from sim.engines.card.smooth_part import SmoothPart
from sim.engines.guards import StepError, remedy
from sim.interactions.flow.krylov import UnsettledFlowError
from sim.interactions.flow.smooth import SmoothTables
from sim.kernels.card.layout import GO, LISTS, STATUS

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.engines.card.film import CardFilm
    from sim.kernels.card import layout

__all__ = ["CardFlow"]

NEVER = -1


class CardFlow:
    """Moves the slots of a film on a card by the flow of all.

    Parameters
    ----------
    films : CardFilm
        One film, with a plan of the flow; its steps are then those of the near part.

    Attributes
    ----------
    smooth, near : SmoothPart, NearPart
    every : int
        Steps from one move by the smooth part to the next.
    steps : int
        Steps made with it.
    seconds : float
        Spent here so far.
    """

    def __init__(self, films: CardFilm) -> None:
        system = films.system
        if system.flow is None:
            raise ValueError("the system must have a plan of the flow; received none.")
        self.every = system.flow_every
        self.steps, self.seconds = 0, 0.0
        self._films = films
        self.forget()
        tables = SmoothTables(system.flow)
        held = films.content.held  # of beads, from the search for their moments
        if not system.induced:
            held = films.queue.zeros((1, 7, system.count), np.dtype(system.precision))

        def sum_pairs(content: layout.CardFilm) -> None:
            if not system.induced:
                films.hold_sums(content, held)

        self.smooth = SmoothPart(films, tables, held, sum_pairs)
        self.near = NearPart(films, tables, held, sum_pairs)
        films.stir = self.near.ask_for_step

    def forget(self) -> None:
        """Move the slots again where the step asks for it, as after a restart."""
        self._moved_at = self._seen = NEVER

    def compile(self) -> None:
        """Compile what a step needs, on films without a slot."""
        idle = self._films.idle()
        self.smooth.compile(idle)
        self.near.compile(idle)

    def before_step(
        self, at: int, list_where_due: Callable[[], None], sum_dipoles: Callable[[], None]
    ) -> int:
        """Move the slots by the smooth part and find the near one, where either is due.

        Parameters
        ----------
        at : int
            The step that is to come.
        list_where_due, sum_dipoles : callable
            Do so on the card, the latter where slots are now: a mesh, moments of beads.

        Returns
        -------
        int
            For how many steps this is good.

        Raises
        ------
        StepError
            If the noise of the near part cannot be found.
        """
        list_where_due()
        began = time.perf_counter()
        if at % self.every == 0 and self._moved_at != at:
            sum_dipoles()
            self.smooth.move()
            self._moved_at = at
            self._films.ask_for_lists()  # which are due by now
            list_where_due()
            sum_dipoles()
        flags = self._films.seen[0]
        if flags[STATUS] == GO and flags[LISTS] != self._seen:
            try:
                self.near.find(at)
            except UnsettledFlowError as error:
                raise StepError(str(error), -1, at, remedy(self._films.system)) from error
            self._seen = int(flags[LISTS])
        self.seconds += time.perf_counter() - began
        return self.every - at % self.every

    @property
    def timing(self) -> dict[str, float]:
        """Seconds spent here, and products with the near part a step."""
        return {
            "flow_s": self.seconds,
            "flow_products": self.near.products / max(1, self.steps),
        }
