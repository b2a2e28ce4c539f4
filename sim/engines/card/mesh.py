"""The mesh of a film on a card: whole charges, transforms plane by plane, and what slots keep."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim.interactions.mesh.tables import make_tables, screening_table
from sim.kernels.card import mesh as kernels

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.film.reduced_system import ReducedSystem
    from sim.kernels.card.layout import CardFilm

__all__ = ["CardMesh"]

NEVER = -1


class CardMesh:
    """Sums the smooth part of the dipoles on the steps that are multiples of ``every``.

    Parameters
    ----------
    system : ReducedSystem
        With a mesh.
    queue : sim.kernels.card.tools.Queue

    Attributes
    ----------
    tables : pair of arrays
        What it leaves to the pairs, in their precision and in float64.
    summed_at : int
        Step of the sum that slots keep.
    """

    def __init__(self, system: ReducedSystem, queue: Any) -> None:
        plan = system.mesh
        if plan is None:
            raise ValueError('dipole_sum must be "mesh" with a plan; received none.')
        self.every = system.mesh_every
        self.summed_at = NEVER
        self.tables: tuple[NDArray[Any], NDArray[Any]] = (
            screening_table(plan, system.precision),
            screening_table(plan),
        )
        self._queue = queue
        self._film: CardFilm | None = None
        self._recorded: dict[str, Callable[[], None]] = {}
        made = make_tables(plan)
        nx, ny, self._points_z = plan.points
        real = np.dtype(plan.precision)
        wave = np.complex64 if real == np.float32 else np.complex128
        self._kernels = kernels.mesh_kernels(
            system.precision, made.shape.width, made.shape.span, made.window
        )
        window = np.abs(made.window.astype(np.float64).reshape(-1, made.shape.span)).sum(axis=0)
        steepest = float(window.max()) ** 3 * max(
            made.shape.inverse_x, made.shape.inverse_y, made.shape.inverse_z
        )
        largest = steepest * made.window.size / made.shape.span * float(system.moment.max())
        self._arrays: dict[str, Any] = {
            "shape": made.shape,
            "whole": queue.zeros((plan.layers, nx, ny), np.int64),
            "grid": queue.zeros((plan.layers, nx, ny), real),
            "charges": queue.zeros((plan.layers, nx, ny // 2 + 1), wave),
            "spectrum": queue.zeros((self._points_z, nx, ny // 2 + 1), wave),
            "influence": queue.put(made.influence),
            "decay": queue.put(made.decay),
            "layer": queue.put(made.layer),
            "unit": float(largest / kernels.CHARGE_UNIT),
        }

    def due(self, at: int) -> bool:
        """Say whether the mesh is to be summed before a step."""
        return self.summed_at == NEVER or (at % self.every == 0 and self.summed_at != at)

    def steps_until_due(self, at: int) -> int:
        """Return the steps from one step to the next sum, 1 or more."""
        return self.every - at % self.every

    def sum(self, film: CardFilm) -> None:
        """Sum all clouds where the slots are now, and keep field and force with the slots."""
        queue = self._queue
        if film is not self._film:
            self._film, self._recorded = film, {}
        mesh = kernels.CardMeshFilm(film=film, **self._arrays)
        fft = queue.numbers.fft
        self._ask("spread", partial(self._spread, mesh))
        with queue.whole():
            charges, spectrum = queue.view(mesh.charges), queue.view(mesh.spectrum)
            charges[...] = fft.rfft2(queue.view(mesh.grid), axes=(1, 2))
            spectrum[...] = fft.fft(charges, self._points_z, axis=0)
        waves = math.prod(mesh.spectrum.shape)
        self._ask("waves", partial(queue.run, kernels.influence_waves, waves, mesh))
        with queue.whole():
            spectrum[...] = fft.ifft(spectrum, axis=0)
        waves //= mesh.spectrum.shape[0]
        self._ask("copies", partial(queue.run, kernels.copies_waves, waves, mesh))
        layers, nx, ny = mesh.grid.shape
        with queue.whole():
            queue.view(mesh.grid)[...] = fft.irfft2(spectrum[:layers], (nx, ny), axes=(1, 2))
        gather = partial(queue.run, self._kernels.gather, film.count or 1, mesh)
        self._ask("gather", gather)

    def _spread(self, mesh: kernels.CardMeshFilm) -> None:
        """Ask for the charges on the grid."""
        queue, points = self._queue, math.prod(mesh.grid.shape)
        queue.run(kernels.clear_charges, points, mesh)
        queue.run(self._kernels.spread, mesh.film.count or 1, mesh)
        queue.run(kernels.charges_of, points, mesh)

    def _ask(self, name: str, work: Callable[[], None]) -> None:
        """Do work the first time, then repeat what was recorded of it."""
        if name in self._recorded:
            self._recorded[name]()
            return
        work()  # compiles
        self._recorded[name] = self._queue.record(work)

    def keep(self, film: CardFilm, at: int) -> None:
        """Sum for the steps from ``at`` on."""
        self.sum(film)
        self.summed_at = at
