"""The smooth part of the flow on a card: the arrays that it works on, and one move of all slots."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.engines.card.kept import keep_kernels, kernels_of
from sim.engines.card.recordings import Recordings
from sim.interactions.flow.near import steps_held
from sim.interactions.flow.smooth import STEEPNESS, SmoothTables
from sim.kernels.card import smooth_flow
from sim.kernels.card.layout import Shared
from sim.kernels.card.tools import Transforms
from sim.kernels.flow.layout import FlowModes

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.engines.card.film import CardFilm
    from sim.kernels.card import layout

__all__ = ["SmoothPart"]

TINY = 1e-300
keep_kernels(smooth_flow)


class SmoothPart:
    """Moves the slots of a film by the smooth part of the flow.

    Parameters
    ----------
    films : sim.engines.card.film.CardFilm
        One film, with a plan of the flow.
    tables : SmoothTables
    held : array of the card, (1, 7, N)
        Where force and field of pairs and mesh are summed.
    sum_pairs : callable
        Sums them there, if that is not done before a step.

    Attributes
    ----------
    recordings : Recordings
        Of a move.
    """

    def __init__(
        self,
        films: CardFilm,
        tables: SmoothTables,
        held: Any,
        sum_pairs: Callable[[layout.CardFilm], None],
    ) -> None:
        self._films, self._queue, self._held = films, films.queue, held
        self._sum_pairs = sum_pairs
        self.recordings, self._transforms = Recordings(films.queue), Transforms()
        columns = 2 * tables.profiles.shape[2]
        self._kernels = kernels_of(
            smooth_flow.smooth_kernels, films.choice, tables.plan.window, columns
        )
        # the functions across the film are largest at the windows or where they are steepest
        degree = 2 * tables.profiles.shape[1]
        heights = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, 8 * degree), degree - 1)
        highest = [np.abs(heights[:, k::2] @ tables.profiles[k]).max() for k in (0, 1)]
        self._largest = float(max(highest)) / smooth_flow.FORCE_UNIT
        self._arrays = self._on_grid(tables) | self._constants(tables)

    def _on_grid(self, tables: SmoothTables) -> dict[str, Any]:
        """Lay out slots, grid and waves."""
        queue, plan, count = self._queue, tables.plan, self._films.system.count
        points_x, points_y = plan.points
        columns = 2 * tables.profiles.shape[2]
        return {
            "held": self._held,
            "force": queue.zeros((1, 3, count), np.float64),
            "velocity": queue.zeros((1, 3, count), np.float64),
            "first": queue.zeros((1, count, 2), np.int64),
            "weights": queue.zeros((1, count, 2, plan.window), np.float32),
            "across": queue.zeros((1, count, columns), np.float32),
            "whole": queue.zeros((1, 3 * columns, points_x, points_y), np.int64),
            "grid": queue.zeros((1, 3 * columns, points_x, points_y), np.float64),
            "spectrum": queue.zeros((1, 3, columns, points_x, points_y // 2 + 1, 2), np.float64),
            "unit": queue.zeros((1,), np.float64),
        }

    def _constants(self, tables: SmoothTables) -> dict[str, Any]:
        """Return modes, functions across the film, and numbers."""
        system, queue, plan = self._films.system, self._queue, tables.plan
        span = system.flow_every * system.dt
        shared = {
            name: Shared(queue.put(part))
            for name, part in (
                ("table", tables.table), ("begin", tables.begin), ("counts", tables.counts),
                ("wave_x", tables.wave[0]), ("wave_y", tables.wave[1]),
                ("scale_x", tables.scale[0]), ("scale_y", tables.scale[1]),
            )
        }  # fmt: skip
        modes = FlowModes(
            **shared, spectrum=0, step=0, seed=0,  # the clock tells step and seed
            pace=span, amplitude=system.noise * math.sqrt(2.0 * span),
        )  # fmt: skip
        return {
            "modes": modes,
            "profiles": Shared(queue.put(tables.profiles)),
            "slope": Shared(queue.put(tables.own.slope[:, None])),
            "heights_per_length": (len(tables.own.slope) - 1) / plan.thickness,
            "side_x": plan.sides[0],
            "side_y": plan.sides[1],
            "thickness": plan.thickness,
            "shape": STEEPNESS * plan.window,
            "back": float(math.prod(plan.points)),
            "drift_time": system.noise**2 * span,
            "farthest": 0.25 * min(self._films.periods),
            "hold": steps_held(system.flow_every),
        }

    def compile(self, idle: layout.CardFilm) -> None:
        """Compile what a move needs, on films without a slot."""
        self._move(idle)

    def move(self) -> None:
        """Ask for a move of all slots."""
        content = self._films.content
        self.recordings.ask("move", content, partial(self._move, content))

    def _move(self, content: layout.CardFilm) -> None:
        queue, slots, kernels = self._queue, content.count or 1, self._kernels
        smooth = smooth_flow.CardSmoothFlow(film=content, **self._arrays)
        whole, grid, force = (queue.view(one) for one in (smooth.whole, smooth.grid, smooth.force))
        unit, spectrum = queue.view(smooth.unit), queue.view(smooth.spectrum)
        waves = spectrum.view(np.complex128).reshape(*grid.shape[:3], spectrum.shape[4])
        self._sum_pairs(content)
        queue.run(kernels.gather_forces, slots, smooth)
        queue.run(kernels.place, slots, smooth)
        with queue.whole():
            unit[...] = self._largest * queue.numbers.maximum(abs(force).max(), TINY)
            whole[...] = 0
        queue.run(kernels.spread, slots * smooth.weights.shape[3], smooth)
        with queue.whole():
            grid[...] = whole * unit[0]
            waves[...] = self._transforms.planes(grid)
        queue.run(kernels.answer, spectrum.shape[3] * spectrum.shape[4], smooth)
        with queue.whole():
            grid[...] = self._transforms.back_in_planes(waves, grid.shape)
        queue.run(smooth_flow.take_flow, 3 * slots, smooth)
        queue.run(kernels.carry, slots, smooth)
        queue.run(smooth_flow.end_carry, 1, smooth)
