"""What a run will cost: wall time from a short piece of the real run, memory and file size."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.common import file_names
from sim.physics.units import cost_text

if TYPE_CHECKING:
    from sim.engines.protocol import Engine, EngineFactory
    from sim.parameters.types import Parameters
    from sim.run.setup import RunSetup

PIECE_SECONDS = 0.5
"""Wall time of the piece that is timed."""


@dataclass(frozen=True)
class Cost:
    """Estimated cost of a run.

    Attributes
    ----------
    steps : int
        Steps of the run.
    threads : int
        Threads that were timed.
    seconds_per_step : float
        Wall time of a step in the start state, s; a film of chains takes somewhat more.
    wall_s : float
        Wall time of all steps, s, without compiling and measuring; no more than the limit of time
        that a sampled run has.
    compile_s : float
        What compiling took just now, s; next to nothing once kernels are stored.
    memory_bytes : int
        Estimated peak memory, of a card that on it.
    file_bytes : int
        Size of run.h5.
    device : str
        What was timed: "cpu", or "gpu" for a graphics card.
    """

    steps: int
    threads: int
    seconds_per_step: float
    wall_s: float
    compile_s: float
    memory_bytes: int
    file_bytes: int
    device: str = "cpu"

    def table(self) -> list[tuple[str, str]]:
        """Return the cost as rows of name and text."""
        on_card = self.device == "gpu"
        where = "a graphics card" if on_card else f"{self.threads} thread(s)"
        return [
            ("stepping", f"{cost_text(self.wall_s)} on {where}"),
            (
                "memory of the card" if on_card else "memory",
                f"about {self.memory_bytes / 1e6:.0f} MB",
            ),
            (file_names.RUN, f"about {self.file_bytes / 1e6:.1f} MB"),
        ]


def calibrate(
    setup: RunSetup,
    *,
    seconds: float = PIECE_SECONDS,
    engine_factory: EngineFactory | None = None,
) -> Cost:
    """Time a piece of the real run at its real size and scale it up.

    Parameters
    ----------
    setup : RunSetup
        The run.
    seconds : float
        Wall time to spend on stepping.
    engine_factory : callable or None
        Makes the engine; None means that of the device.

    Returns
    -------
    Cost
        The estimate.

    Raises
    ------
    ValueError
        If the start state cannot be made.
    """
    from sim.engines.protocol import ENERGIES
    from sim.files.layout import file_bytes
    from sim.film.memory import memory_bytes
    from sim.run.schedule import Doubling
    from sim.run.simulate import engine_maker

    if setup.device == "gpu":
        from sim.engines.card.memory import card_bytes as memory_bytes
    make = engine_factory or engine_maker(setup.device)
    engine = make(setup.system, setup.state, setup.threads)
    per_step = _time_steps(engine, setup.system.steps, seconds)
    frames = setup.parameters.output.frames
    if setup.parameters.run.is_sampled:
        frames = Doubling(frames).until(setup.system.steps)
    return Cost(
        steps=setup.system.steps,
        threads=setup.threads,
        seconds_per_step=per_step,
        wall_s=min(per_step * setup.system.steps, wall_limit(setup.parameters)),
        compile_s=float(engine.timing["compile_s"]),
        memory_bytes=memory_bytes(setup.system),
        file_bytes=file_bytes(
            setup.system.count,
            frames + 1,
            len(ENERGIES),
            setup.selection,
            setup.parameters.output.states,
        ),
        device=setup.device,
    )


def wall_limit(parameters: Parameters) -> float:
    """Return the wall time in s after which a run ends in any case."""
    limit = parameters.run.wall_time
    return limit if parameters.run.is_sampled and limit is not None else math.inf


def _time_steps(engine: Engine, steps: int, seconds: float) -> float:
    """Return the wall time of a step in s: the least disturbed of the last, longest pieces."""
    engine.compile()
    engine.advance(1)  # wakes the threads
    piece, spent, done = 1, 0.0, 0
    rates: list[float] = []
    while spent < seconds and done < steps:
        began = time.perf_counter()
        engine.advance(piece)
        latest = time.perf_counter() - began
        rates.append(latest / piece)
        spent, done = spent + latest, done + piece
        if latest < seconds / 8:
            piece *= 2
    return min(rates[-4:])
