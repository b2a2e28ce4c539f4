"""Who advances the engines of runs: each alone, or those of many films in the same pieces.

A run (`sim.run.simulate.simulation`) asks for steps, and does what is due between two asks. Where
runs go together they are advanced to the nearest step at which one of them wants to look; each gets
exactly the steps that it asked for, whoever goes beside it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from sim.engines.protocol import Engine
    from sim.run.loop import Run, Simulation

    Advance = Callable[[Mapping[str, tuple[Engine, int]]], Mapping[str, Exception]]

__all__ = ["alone", "together"]


def alone(run: Simulation) -> Run:
    """Advance the engine of one run as it asks; raise what the run raises."""
    try:
        engine, steps = next(run)
        while True:
            began = time.perf_counter()
            try:
                if steps:
                    engine.advance(steps)
            except BaseException as error:  # the run records how it ended
                engine, steps = run.throw(error)
            else:
                engine, steps = run.send(time.perf_counter() - began)
    except StopIteration as end:
        done: Run = end.value
        return done
    finally:
        run.close()


@dataclass
class _Ask:
    """What a run waits for, and the seconds that steps have taken since it asked."""

    engine: Engine
    left: int
    seconds: float = 0.0


class _Runs:
    """Runs that go together, by name; those that wait for steps, and how others have ended."""

    def __init__(self, runs: Mapping[str, Simulation]) -> None:
        self.runs = runs
        self.asks: dict[str, _Ask] = {}
        self.ended: list[tuple[str, Run | Exception]] = []
        for name in runs:
            self.go_on(name)

    def go_on(self, name: str, error: Exception | None = None) -> None:
        """Let a run look, or tell it what has failed, until it asks for steps or ends."""
        run, ask = self.runs[name], self.asks.pop(name, None)
        try:
            if error is not None:
                engine, steps = run.throw(error)
            else:
                engine, steps = next(run) if ask is None else run.send(ask.seconds)
        except StopIteration as end:
            self.ended.append((name, end.value))
        except Exception as problem:
            self.ended.append((name, problem))
        else:
            self.asks[name] = _Ask(engine, steps)

    def all_fail(self, error: Exception) -> None:
        """Tell all runs what has failed for all of them."""
        for name in tuple(self.asks):
            self.go_on(name, error)

    def advance(self, advance: Advance) -> None:
        """Advance all runs to the nearest step that one of them asks for."""
        piece = min(ask.left for ask in self.asks.values())
        began = time.perf_counter()
        try:
            failed = advance({name: (ask.engine, piece) for name, ask in self.asks.items()})
        except Exception as error:
            self.all_fail(error)
            return
        seconds = time.perf_counter() - began
        for ask in self.asks.values():
            ask.left -= piece
            ask.seconds += seconds
        for name, problem in failed.items():
            self.go_on(name, problem)


def together(
    runs: Mapping[str, Simulation], advance: Advance
) -> Iterator[tuple[str, Run | Exception]]:
    """Advance the engines of many runs in the same pieces.

    Parameters
    ----------
    runs : mapping of str to generator
        Of `sim.run.simulate.simulation`, by a name.
    advance : callable
        Takes engines and one number of steps by the names of their runs, advances them, and returns
        the errors of those that failed by themselves; what it raises has failed for all.

    Yields
    ------
    str, Run or Exception
        Name and end of each run as it ends; one that fails leaves the others untouched.
    """
    try:
        going = _Runs(runs)  # up to where all have their engines
        try:
            for ask in tuple(going.asks.values()):
                ask.engine.compile()
        except Exception as error:
            going.all_fail(error)
        while True:
            yield from going.ended
            going.ended.clear()
            ready = [name for name, ask in going.asks.items() if ask.left == 0]
            for name in ready:
                going.go_on(name)
            if not going.asks and not going.ended:
                return
            if not ready and going.asks:
                going.advance(advance)
    finally:
        for run in runs.values():
            run.close()
