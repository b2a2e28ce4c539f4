"""What a run will cost: wall time from a short piece of the real run, memory and file size."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.engine_protocol import Engine, EngineFactory
    from sim.parameters import Parameters
    from sim.reduced_system import ReducedSystem

__all__ = ["Cost", "calibrate", "duration_in_words"]

PIECE_SECONDS = 0.5
"""Wall time of the piece that is timed."""
NEIGHBOUR_BYTES = 4
"""One entry of a neighbour list, each pair listed from both sides."""
PARTICLE_BYTES = 600
"""State, forces, sorted copies and their like: about 75 numbers of 8 bytes a particle."""
BASE_BYTES = 300_000_000
"""Interpreter, libraries and compiled kernels."""
GRID_COPIES = 5
"""The mesh's grid, its two transforms in complex numbers of half as many waves, and room."""


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
        Wall time of all steps, s, without compiling and measuring.
    compile_s : float
        What compiling took just now, s; next to nothing once kernels are stored.
    memory_bytes : int
        Estimated peak memory.
    file_bytes : int
        Size of run.h5.
    """

    steps: int
    threads: int
    seconds_per_step: float
    wall_s: float
    compile_s: float
    memory_bytes: int
    file_bytes: int

    def table(self) -> list[tuple[str, str]]:
        """Return the cost as rows of name and text."""
        return [
            ("stepping", f"about {duration_in_words(self.wall_s)} on {self.threads} thread(s)"),
            ("memory", f"about {self.memory_bytes / 1e6:.0f} MB"),
            ("run.h5", f"about {self.file_bytes / 1e6:.1f} MB"),
        ]


def duration_in_words(seconds: float) -> str:
    """Return a time in the unit that suits it, such as "7 min"."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"


def calibrate(
    parameters: Parameters,
    *,
    threads: int | None = None,
    seconds: float = PIECE_SECONDS,
    engine_factory: EngineFactory | None = None,
) -> Cost:
    """Time a piece of the real run at its real size and scale it up.

    Parameters
    ----------
    parameters : Parameters
        The run.
    threads : int or None
        Threads to step on; None means all cores.
    seconds : float
        Wall time to spend on stepping.
    engine_factory : callable or None
        Makes the engine; None means the CPU engine.

    Returns
    -------
    Cost
        The estimate.

    Raises
    ------
    ValueError
        If the start state cannot be made.
    """
    from sim.one_run import make_cpu_engine
    from sim.run_file_layout import file_bytes
    from sim.run_setup import prepare

    setup = prepare(parameters, threads, derived={})
    engine = (engine_factory or make_cpu_engine)(setup.system, setup.state, setup.threads)
    per_step = _time_steps(engine, setup.system.steps, seconds)
    count = len(setup.particles.diameter)
    frames = parameters.output.frames + 1
    return Cost(
        steps=setup.system.steps,
        threads=setup.threads,
        seconds_per_step=per_step,
        wall_s=per_step * setup.system.steps,
        compile_s=float(engine.timing["compile_s"]),
        memory_bytes=_memory(setup.system),
        file_bytes=file_bytes(count, frames),
    )


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


def _memory(system: ReducedSystem) -> int:
    """Return the estimated peak memory in bytes, from the neighbour lists and the mesh."""
    bytes_needed = BASE_BYTES + system.count * PARTICLE_BYTES
    if system.dipole_sum == "exact":
        return int(bytes_needed)
    reach = system.list_margin + (system.cutoff if system.mesh is None else system.mesh.cutoff)
    volume = system.sides[0] * system.sides[1] * system.thickness
    sphere = 4.0 / 3.0 * math.pi * reach**3
    disc = math.pi * reach**2 * system.thickness
    neighbours = system.count / volume * min(sphere, disc)
    if system.mesh is not None:
        real = 4 if system.mesh.precision == "float32" else 8
        bytes_needed += GRID_COPIES * real * math.prod(system.mesh.points)
    return int(bytes_needed + system.count * NEIGHBOUR_BYTES * neighbours)
