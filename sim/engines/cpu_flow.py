"""The flow that particles stir up, beside the compiled step: two parts, each in its own time.

The near part is the friction of each step (``sim.kernels.flow.motion``). The smooth part hardly
moves touching particles against each other, so it is done at once for several steps: a move by
t (M F + kT div M) and noise of covariance 2 kT M t, before the steps whose number is a multiple of
``flow_every``. Both leave the Boltzmann law as it is, so that one after the other does. Of div M
there is the slope of a particle's own mobility across the film alone: what stirs others does so
without divergence.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

import numpy as np

from sim.interactions.flow.near import NearFlowSum
from sim.interactions.flow.smooth import SmoothFlow
from sim.kernels.flow import motion
from sim.kernels.steps import step

if TYPE_CHECKING:
    from sim.engines.cpu_film import CpuFilm
    from sim.film.reduced_system import ReducedSystem


FLOW_TOLERANCE = 3e-3
"""Of friction and noise of the near part, relative."""
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
        self.seconds = 0.0
        self._moved_at = NEVER
        self._steps = 0
        self._smooth = SmoothFlow(system.flow, system.count)
        self._near = NearFlowSum(system.flow, self._smooth.own, FLOW_TOLERANCE)
        self._velocity = np.zeros((3, system.count))

    def compile(self, film: CpuFilm) -> None:
        """Compile what a step needs, or load it from the cache, without making one."""
        film.compile_flow()
        slots = film.content.slots
        self._smooth.move((slots.x, slots.y, slots.z), film.content.flow, self._velocity)
        self._near.see(slots, film.content.neighbours, self._count)
        self._near.multiply(np.stack([self._velocity, self._velocity]))
        self._near.products = 0

    def due(self, at: int) -> bool:
        """Say whether the smooth part is to move the particles before a step."""
        return at % self.every == 0 and self._moved_at != at

    def forget(self) -> None:
        """Move the particles again where the step asks for it, as after a restart."""
        self._moved_at = NEVER

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
        self._moved_at = at
        self.seconds += time.perf_counter() - started

    def rub(self, film: CpuFilm) -> None:
        """End a step: friction and noise of the near part, and the second half of the move.

        Raises
        ------
        UnsettledFlowError
            If these cannot be found.
        """
        started = time.perf_counter()
        slots, count = film.content.slots, self._count
        self._near.see(slots, film.content.neighbours, count)
        momentum = slots.momentum[:3, :count]
        noise = self._noise * slots.last_noise[:3, :count].astype(np.float64)
        momentum[:] = self._near.friction(momentum.copy(), noise)
        film.run(motion.second_half_part)
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
