"""The flow that particles stir up, beside the compiled step: two parts, each in its own time.

The near part moves the particles in each step, by forces of that step and noise averaged over two.
Its mobility is that of the places at the last list, which is made anew at least every `LANES`
steps, after a move by the smooth part, so that the noise of all steps in between is found at once;
the drift kT div M is added. The smooth part hardly moves touching particles against each other, so
it is done at once for several steps: a move by t (M F + kT div M) and noise of covariance 2 kT M t,
before the steps whose number is a multiple of ``flow_every``. Its div M is the slope of a
particle's own mobility across the film alone: what stirs others does so without divergence.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

import numpy as np

from sim.interactions.flow.near import FLOW_TOLERANCE, NearFlowSum, steps_held
from sim.interactions.flow.smooth import SmoothFlow
from sim.kernels.steps import step

if TYPE_CHECKING:
    from sim.engines.cpu_film import CpuFilm
    from sim.film.reduced_system import ReducedSystem


NEVER = -1


class StirredFlow:
    """Moves the particles of a film by the flow of all.

    Parameters
    ----------
    system : ReducedSystem
        With a plan of the flow.
    threads : int
        Of the transforms; they change no bit.

    Attributes
    ----------
    seconds : float
        Spent here so far.
    """

    def __init__(self, system: ReducedSystem, threads: int) -> None:
        if system.flow is None:
            raise ValueError("the system must have a plan of the flow; received none.")
        self._count = system.count
        self._threads = threads
        self._noise = system.noise
        self._span = system.flow_every * system.dt
        self.every = system.flow_every
        self._hold = steps_held(self.every)
        self.seconds = 0.0
        self._moved_at = NEVER
        self._steps = 0
        self._smooth = SmoothFlow(system.flow, system.count)
        drift_time = self._noise**2 * system.dt
        self._near = NearFlowSum(system.flow, self._smooth.own, drift_time, FLOW_TOLERANCE)
        self._seen = NEVER
        self._velocity = np.zeros((3, system.count))

    def compile(self, film: CpuFilm) -> None:
        """Compile what a step needs, or load it from the cache, without making one."""
        film.compile_flow()
        slots = film.content.slots
        self._smooth.move((slots.x, slots.y, slots.z), film.content.flow, self._velocity)
        self._list(film, 0)
        self._near.products = 0
        self._seen = NEVER

    def due(self, at: int) -> bool:
        """Say whether the smooth part is to move the particles before a step."""
        return at % self.every == 0 and self._moved_at != at

    def forget(self) -> None:
        """Move the particles again where the step asks for it, as after a restart."""
        self._moved_at = self._seen = NEVER

    def carry(self, film: CpuFilm, at: int) -> None:
        """Move all particles by the smooth part, for the steps from ``at`` on."""
        film.fresh()
        film.keep_forces()
        started = time.perf_counter()
        content, count, span = film.content, self._count, self._span
        slots = content.slots
        self._smooth.move(
            (slots.x, slots.y, slots.z), content.flow, self._velocity,
            pace=span,
            amplitude=self._noise * math.sqrt(2.0 * span),
            step=at,
            seed=int(content.clock[step.SEED]),
            workers=self._threads,
        )  # fmt: skip
        own = self._smooth.own
        drift = span * np.interp(slots.z[:count], own.height, own.slope)
        slots.x[:count] += self._velocity[0]
        slots.y[:count] += self._velocity[1]
        slots.z[:count] += self._velocity[2] + self._noise**2 * drift
        film.moved()
        if at % self._hold == 0:
            film.content.flags[step.STALE] = 1  # the near part is to be that of the places now
        self._moved_at = at
        self.seconds += time.perf_counter() - started

    def _list(self, film: CpuFilm, at: int) -> None:
        """Find the near part where particles were listed, and its noise up to the next list."""
        content = film.content
        self._near.see(content.slots, content.neighbours, content.flow, self._count)
        lanes = self._hold - at % self._hold
        self._near.draw(at, int(content.clock[step.SEED]), lanes, self._noise)
        self._seen = int(content.flags[step.BUILT])

    def stir(self, film: CpuFilm, at: int) -> None:
        """Move all particles by the near part: the end of the step ``at``.

        Raises
        ------
        UnsettledFlowError
            If its noise cannot be found.
        """
        started = time.perf_counter()
        if self._seen != film.content.flags[step.BUILT]:
            self._list(film, at)
        self._near.move(at)
        film.moved()
        self._steps += 1
        self.seconds += time.perf_counter() - started

    @property
    def timing(self) -> dict[str, float]:
        """Seconds spent here, and products with the near part a step."""
        return {
            "flow_s": self.seconds,
            "flow_products": self._near.products / max(1, self._steps),
        }
