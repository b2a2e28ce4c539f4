"""The flow that particles stir up, on a card: when each part is due, and what it takes.

Parts and their times are those of `sim.engines.cpu_flow`. A film with flow steps alone.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.engines.card.kept import keep_kernels, kernels_of
from sim.engines.guards import StepError, remedy
from sim.interactions.flow.krylov import UnsettledFlowError, apply_function
from sim.interactions.flow.near import FLOW_TOLERANCE, LEAST_SHARE, near_tables, steps_held
from sim.interactions.flow.smooth import STEEPNESS, SmoothTables
from sim.kernels.card import near_flow, smooth_flow
from sim.kernels.card.layout import LISTS, Shared
from sim.kernels.card.tools import Transforms
from sim.kernels.flow.layout import LANES, FlowModes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.engines.card.film import CardFilm
    from sim.film.reduced_system import ReducedSystem
    from sim.kernels.card import layout

__all__ = ["CardFlow"]

NEVER = -1
TINY = 1e-300
keep_kernels(near_flow, smooth_flow)


class CardFlow:
    """Moves the slots of a film on a card by the flow of all.

    Parameters
    ----------
    films : CardFilm
        One film, with a plan of the flow; its steps are then those of the near part.

    Attributes
    ----------
    every : int
        Steps from one move by the smooth part to the next.
    steps : int
        Steps made with it.
    """

    def __init__(self, films: CardFilm) -> None:
        system = films.system
        if system.flow is None:
            raise ValueError("the system must have a plan of the flow; received none.")
        self.every = system.flow_every
        self.seconds = 0.0
        self._films, self._queue, self._system = films, films.queue, system
        self._hold = steps_held(self.every)
        self._products = self.steps = 0
        self._transforms = Transforms()
        self.forget()
        made = SmoothTables(system.flow)
        self._make_smooth(system, made)
        self._make_near(system, made)
        films.stir = self.ask_for_step

    def _make_smooth(self, system: ReducedSystem, made: SmoothTables) -> None:
        """Lay out what the smooth part works on."""
        queue, plan, count = self._queue, made.plan, system.count
        points_x, points_y = plan.points
        columns, waves = 2 * made.profiles.shape[2], points_y // 2 + 1
        choice = self._films.choice
        self._smooth_kernels = kernels_of(smooth_flow.smooth_kernels, choice, plan.window, columns)
        span = system.flow_every * system.dt
        shared = {
            name: Shared(queue.put(part))
            for name, part in (
                ("table", made.table), ("begin", made.begin), ("counts", made.counts),
                ("wave_x", made.wave[0]), ("wave_y", made.wave[1]),
                ("scale_x", made.scale[0]), ("scale_y", made.scale[1]),
            )
        }  # fmt: skip
        modes = FlowModes(
            **shared, spectrum=0, step=0, seed=0,  # the clock tells step and seed
            pace=span, amplitude=system.noise * math.sqrt(2.0 * span),
        )  # fmt: skip
        # the functions across the film are largest at the windows or where they are steepest
        degree = 2 * made.profiles.shape[1]
        heights = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, 8 * degree), degree - 1)
        highest = [np.abs(heights[:, k::2] @ made.profiles[k]).max() for k in (0, 1)]
        self._largest = float(max(highest)) / smooth_flow.FORCE_UNIT
        self._held = queue.zeros((1, 7, count), np.dtype(system.precision))
        self._smooth: dict[str, Any] = {
            "held": self._held,
            "force": queue.zeros((1, 3, count), np.float64),
            "velocity": queue.zeros((1, 3, count), np.float64),
            "first": queue.zeros((1, count, 2), np.int64),
            "weights": queue.zeros((1, count, 2, plan.window), np.float32),
            "across": queue.zeros((1, count, columns), np.float32),
            "whole": queue.zeros((1, 3 * columns, points_x, points_y), np.int64),
            "grid": queue.zeros((1, 3 * columns, points_x, points_y), np.float64),
            "spectrum": queue.zeros((1, 3, columns, points_x, waves, 2), np.float64),
            "modes": modes,
            "profiles": Shared(queue.put(made.profiles)),
            "slope": Shared(queue.put(made.own.slope[:, None])),
            "heights_per_length": (len(made.own.slope) - 1) / plan.thickness,
            "unit": queue.zeros((1,), np.float64),
            "side_x": plan.sides[0],
            "side_y": plan.sides[1],
            "thickness": plan.thickness,
            "shape": STEEPNESS * plan.window,
            "back": float(points_x * points_y),
            "drift_time": system.noise**2 * span,
            "farthest": 0.25 * min(self._films.periods),
            "hold": self._hold,
        }

    def _make_near(self, system: ReducedSystem, made: SmoothTables) -> None:
        """Lay out what the near part works on."""
        queue, plan, count = self._queue, made.plan, system.count
        self._near_kernels = kernels_of(near_flow.near_kernels, self._films.choice)
        tables = near_tables(plan, made.own)

        def zeros(*shape: int) -> Any:
            return queue.zeros((1, *shape), np.float64)

        self._begun = queue.zeros((1,), np.uint64)
        self._near: dict[str, Any] = {
            "held": self._held,
            "z": zeros(count),
            "radius": zeros(count),
            "mobility": zeros(count),
            "radii": queue.put(system.radius[None]),
            "mobilities": queue.put(system.mobility[None]),
            "share": zeros(2, count),
            "tilt": zeros(2, count),
            "drift": zeros(3, count),
            "pushed": zeros(3, count),
            "vector": zeros(count, 3, LANES),
            "product": zeros(count, 3, LANES),
            "noise": zeros(LANES, count, 3),
            "begun": self._begun,
            "table": Shared(queue.put(tables.pair)),
            "smooth": Shared(queue.put(tables.smooth)),
            "points_per_length": tables.points_per_length,
            "heights_per_length": tables.heights_per_length,
            "thickness": plan.thickness,
            "reach2": plan.reach**2,
            "own": tables.own,
            "least": LEAST_SHARE,
            "drift_time": system.noise**2 * system.dt,
        }

    def forget(self) -> None:
        """Move the slots again where the step asks for it, as after a restart."""
        self._moved_at = self._seen = NEVER

    def due(self, at: int) -> bool:
        """Say whether the smooth part is to move the slots before a step."""
        return at % self.every == 0 and self._moved_at != at

    def steps_until_due(self, at: int) -> int:
        """Return the steps from the present one to the next move by the smooth part."""
        return self.every - at % self.every

    def compile(self) -> None:
        """Compile what a step needs, on films without a slot."""
        idle = self._films.idle()
        self._move(idle)
        self._find(idle)
        self._run(near_flow.multiply, 1, self._near_of(idle))

    def carry(self, at: int) -> None:
        """Move all slots by the smooth part for the steps from ``at`` on; their list may be due."""
        began = time.perf_counter()
        self._move(self._films.content)
        self._moved_at = at
        self.seconds += time.perf_counter() - began

    def see(self, at: int) -> None:
        """Find the near part of a new list, and its noise up to the next one.

        Raises
        ------
        StepError
            If the noise cannot be found.
        """
        made = int(self._films.seen[0, LISTS])
        if made == self._seen:
            return
        began = time.perf_counter()
        self._find(self._films.content)
        try:
            self._draw(at)
        except UnsettledFlowError as error:
            raise StepError(str(error), -1, at, remedy(self._system)) from error
        self._seen = made
        self.seconds += time.perf_counter() - began

    def ask_for_step(self, content: layout.CardFilm) -> None:
        """Ask for the kernels of a step, all but its end."""
        near, slots = self._near_of(content), content.count or 1
        self._sum_forces(content)
        self._run(self._near_kernels.turn, slots, near)
        self._run(self._near_kernels.travel, slots, near)

    def _run(self, kernel: Any, threads: int, content: Any) -> None:
        self._queue.run(kernel, threads, content)

    def _near_of(self, content: layout.CardFilm) -> Any:
        return near_flow.CardNearFlow(film=content, **self._near)

    def _sum_forces(self, content: layout.CardFilm) -> None:
        """Sum the pairs of all slots, with what the mesh has found for them."""
        self._films.hold_sums(content, self._held)

    def _move(self, content: layout.CardFilm) -> None:
        """Ask for a move by the smooth part."""
        queue, slots, arrays = self._queue, content.count or 1, self._smooth
        smooth = smooth_flow.CardSmoothFlow(film=content, **arrays)
        kernels, view = self._smooth_kernels, queue.view
        self._sum_forces(content)
        self._run(kernels.gather_forces, slots, smooth)
        self._run(kernels.place, slots, smooth)
        whole, grid, force = view(arrays["whole"]), view(arrays["grid"]), view(arrays["force"])
        unit, spectrum = view(arrays["unit"]), view(arrays["spectrum"])
        waves = spectrum.view(np.complex128).reshape(*grid.shape[:3], spectrum.shape[4])
        with queue.whole():
            unit[...] = self._largest * queue.numbers.maximum(abs(force).max(), TINY)
            whole[...] = 0
        self._run(kernels.spread, slots * arrays["weights"].shape[3], smooth)
        with queue.whole():
            grid[...] = whole * unit[0]
            waves[...] = self._transforms.planes(grid)
        self._run(kernels.answer, spectrum.shape[3] * spectrum.shape[4], smooth)
        with queue.whole():
            grid[...] = self._transforms.back_in_planes(waves, grid.shape)
        self._run(smooth_flow.take_flow, 3 * slots, smooth)
        self._run(kernels.carry, slots, smooth)
        self._run(smooth_flow.end_carry, 1, smooth)

    def _find(self, content: layout.CardFilm) -> None:
        """Ask for factors, drift and normals of the slots as they are listed."""
        near, slots = self._near_of(content), content.count or 1
        self._run(near_flow.factors, slots, near)
        self._run(near_flow.drifts, slots, near)
        self._run(near_flow.draw, slots * LANES, near)

    def _draw(self, at: int) -> None:
        """Find the noise of the steps from one on, up to the next list."""
        queue, near, count = self._queue, self._near, self._system.count
        noise, vector = queue.view(near["noise"])[0], queue.view(near["vector"])[0]
        product, share = queue.view(near["product"])[0], queue.view(near["share"])[0]
        whole = self._near_of(self._films.content)

        def multiply(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
            vector[...] = vectors.reshape(LANES, count, 3).transpose(1, 2, 0) * factors
            self._run(near_flow.multiply, count * LANES, whole)
            self._products += 1
            found: NDArray[np.float64] = product.transpose(2, 0, 1).reshape(vectors.shape)
            return found

        steps = self._hold - at % self._hold
        with queue.whole():
            factors = queue.numbers.stack((share[0], share[0], share[1]), axis=1)[:, :, None]
            queue.view(self._begun)[...] = at
            noise[steps:] = 0.0
            found, _ = apply_function(
                multiply, noise.reshape(LANES, 3 * count), np.sqrt, FLOW_TOLERANCE, queue.numbers
            )
            noise[...] = self._system.noise * found.reshape(noise.shape)

    @property
    def timing(self) -> dict[str, float]:
        """Seconds spent here, and products with the near part a step."""
        return {
            "flow_s": self.seconds,
            "flow_products": self._products / max(1, self.steps),
        }
