"""The engine of a film whose kernels are compiled while its particles are still being placed."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from typing import TYPE_CHECKING

from sim.engines.card.batch import CardBatch
from sim.engines.card.engine import CardEngine
from sim.engines.card.mesh import compile_transforms
from sim.engines.card.part import compile_part
from sim.kernels.card.tools import Queue

if TYPE_CHECKING:
    from sim.files.selection import Selection
    from sim.film.reduced_system import ReducedSystem
    from sim.film.state import FilmState

__all__ = ["Ahead"]

TURN_S = 1e-4
"""How long threads wait for each other's turn: a compiler and short work on arrays go side by side,
and what Python takes by itself, 5 ms, is longer than such a piece of work."""


class Ahead:
    """Makes the arrays of a film and compiles its kernels at once, beside what else there is to do.

    Called, it waits for that and makes the engine; it is an `EngineFactory`.

    Parameters
    ----------
    system : ReducedSystem
        The card's memory has room for it.
    selection : Selection or None
        What frames will keep; None for none.
    """

    def __init__(self, system: ReducedSystem, selection: Selection | None = None) -> None:
        self._system, self._batch = system, CardBatch()
        self._error: BaseException | None = None
        # no run waits for it once it is interrupted
        self._thread = threading.Thread(target=self._prepare, daemon=True)
        self._turn_s = sys.getswitchinterval()
        sys.setswitchinterval(TURN_S)
        self._thread.start()
        threading.Thread(target=self._compile_arrays, args=(selection,), daemon=True).start()

    def _prepare(self) -> None:
        try:
            self._batch.prepare(self._system)
        except BaseException as error:  # raised where the engine is made
            self._error = error
        finally:
            sys.setswitchinterval(self._turn_s)

    def _compile_arrays(self, selection: Selection | None) -> None:
        """Have libraries compile what is asked of them later; what fails will fail again there."""
        with contextlib.suppress(Exception):
            queue = Queue()
            if selection is not None:
                compile_part(queue, self._system, selection)
            if self._system.mesh is not None:
                compile_transforms(queue, self._system.mesh.precision)

    def __call__(self, system: ReducedSystem, state: FilmState, threads: int) -> CardEngine:
        """Return the engine; of another system one that compiles for itself."""
        if system is not self._system:
            return CardEngine(system, state, threads)
        engine = CardEngine(system, state, threads, self._batch)
        began = time.perf_counter()
        self._thread.join()
        if self._error is not None:
            raise self._error
        self._batch.compile_s = time.perf_counter() - began  # the run has waited so long for it
        return engine
