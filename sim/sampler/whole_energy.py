"""The energy of a whole film by the sum of its dipoles that the run asks for, mesh or exact."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numba
import numpy as np

from sim.engines.cpu_film import CpuFilm
from sim.engines.cpu_mesh import HeldMesh
from sim.film.state import FilmState
from sim.kernels.steps import energies, step

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.film.reduced_system import ReducedSystem
    from sim.kernels.sampler.layout import Film

__all__ = ["WholeEnergy"]


class WholeEnergy:
    """Sums the energy of any places and moments of one film, as the engine on cores does.

    Parameters
    ----------
    system : ReducedSystem
    threads : int
        They change no bit.
    """

    def __init__(self, system: ReducedSystem, threads: int) -> None:
        self._system = dataclasses.replace(system, inner_steps=1)
        self._threads = max(1, min(threads, numba.config.NUMBA_NUM_THREADS))  # type: ignore[attr-defined]
        self._mesh = None if system.mesh is None else HeldMesh(self._system, self._threads)
        vectors = np.zeros((system.count, 3))
        # spread out, so that the first list of neighbours is no longer than others
        vectors[:, 0] = np.linspace(0.0, system.sides[0], system.count, endpoint=False)
        vectors[:, 2] = 0.5 * system.thickness
        still = FilmState(
            vectors, np.zeros((system.count, 2), np.int32), np.eye(3)[np.zeros(system.count, int)],
            step=0, time=0.0, seed=0,
        )  # fmt: skip
        tables = None if self._mesh is None else self._mesh.tables
        self._film = CpuFilm(self._system, still, tables)
        self._film.prepare()
        slots = self._film.content.slots
        self._unsorted = slots.reals.copy(), slots.identity.copy()

    def parts(self, film: Film) -> NDArray[np.float64]:
        """Return the energies of the rows in kT, by `sim.kernels.steps.energies.NAMES`."""
        content, rows, count = self._film.content, film.rows, self._system.count
        slots = content.slots
        # from the same order each time: sums are then a function of the rows alone, to the bit
        slots.reals[:], slots.identity[:] = self._unsorted
        slots.x[:count], slots.y[:count], slots.z[:count] = rows[:, :3].T
        size = np.maximum(rows[:, 7], 1e-300)
        for axis, u in enumerate((slots.ux, slots.uy, slots.uz)):
            u[:count] = rows[:, 3 + axis] / size
        volume = self._system.sides[0] * self._system.sides[1] * self._system.thickness
        content.magnetisation[:] = rows[:, 3:6].sum(axis=0) / volume
        content.flags[step.STALE] = 1
        numba.set_num_threads(self._threads)
        self._film.fresh()
        self._film.sum_exact()
        if self._mesh is not None:
            self._mesh.sum(content.slots, content.long_range)
        return self._film.energies()

    def __call__(self, film: Film) -> float:
        """Return the energy of the rows in kT."""
        return float(self.parts(film)[: energies.COLUMNS].sum())
