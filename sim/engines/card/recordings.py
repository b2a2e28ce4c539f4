"""Work on whole arrays of a card that is recorded when it is first asked for, then repeated."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.kernels.card.layout import CardFilm

__all__ = ["Recordings"]


class Recordings:
    """Recorded work on the arrays of some films, by name; passing arrays keep their memory.

    Parameters
    ----------
    queue : sim.kernels.card.tools.Queue

    Attributes
    ----------
    made : dict of str to callable
        What repeats each.
    """

    def __init__(self, queue: Any) -> None:
        self._queue, self._own_memory = queue, queue.own_memory()
        self._film: CardFilm | None = None
        self.made: dict[str, Callable[[], None]] = {}

    def let_go(self) -> None:
        """Hold the arrays of films no more, whose lists are about to be replaced."""
        self._film = None
        self.made.clear()

    def ask(self, name: str, film: CardFilm, work: Callable[[], None]) -> None:
        """Do some work on films; with other arrays than those of before all is recorded anew."""
        if film is not self._film:
            self._film = film
            self.made.clear()
        if name in self.made:
            self.made[name]()
            return
        with self._own_memory():  # what is recorded stays where it is
            work()  # compiles
            self.made[name] = self._queue.record(work)
