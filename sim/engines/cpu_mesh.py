"""The mesh beside the compiled step: summed once in some steps, kept with the slots in between."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim.interactions.mesh.sum import SlabMesh
from sim.interactions.mesh.tables import screening_table

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem
    from sim.kernels.steps.layout import LongRange, Slots

__all__ = ["HeldMesh"]

NEVER = -1


class HeldMesh:
    """Sums the smooth part of the dipoles on the steps that are multiples of ``every``.

    The steps are counted from the start of the run, so that pieces, looks in between and restarts
    change no bit.

    Parameters
    ----------
    system : ReducedSystem
        With a mesh.
    threads : int
        Of the transforms; they change no bit.
    """

    def __init__(self, system: ReducedSystem, threads: int) -> None:
        if system.mesh is None:
            raise ValueError('dipole_sum must be "mesh" with a plan; received none.')
        self._count = system.count
        self._threads = threads
        self.every = system.mesh_every
        self.seconds = 0.0
        self.summed_at = NEVER
        self._mesh = SlabMesh(system.mesh, system.count)
        pair_table: NDArray[Any] = screening_table(system.mesh, system.precision)
        self.tables = pair_table, self._mesh.near_table

    def due(self, at: int) -> bool:
        """Say whether the mesh is to be summed before a step."""
        return self.summed_at == NEVER or (at % self.every == 0 and self.summed_at != at)

    def steps_until_due(self, at: int) -> int:
        """Return the steps from one step to the next sum, 1 or more."""
        return self.every - at % self.every

    def sum(self, slots: Slots, found: LongRange) -> None:
        """Sum all clouds where the slots are now; no checks.

        Parameters
        ----------
        slots : Slots
        found : LongRange
            Moments, field and force, overwritten.
        """
        started = time.perf_counter()
        count = self._count
        for out, u in ((found.mx, slots.ux), (found.my, slots.uy), (found.mz, slots.uz)):
            np.multiply(slots.moment[:count], u[:count], out=out[:count])
        self._mesh.smooth_field_force(
            slots.x, slots.y, slots.z, found.mx, found.my, found.mz, self._count,
            found.field, found.force, self._threads,
        )  # fmt: skip
        self.seconds += time.perf_counter() - started

    def keep(self, slots: Slots, found: LongRange, at: int) -> None:
        """Sum, and keep field and force with the slots for the steps from ``at`` on."""
        self.sum(slots, found)
        self.keep_found(slots, found)
        self.summed_at = at

    def keep_found(self, slots: Slots, found: LongRange) -> None:
        """Keep what was found with the slots, where sorting carries it along."""
        slots.smooth[:3, : self._count] = found.force[: self._count].T
        slots.smooth[3:, : self._count] = found.field[: self._count].T

    def checkpoint(self, slots: Slots) -> dict[str, Any]:
        """Return what is kept, in the order of the slots."""
        return {"smooth": slots.smooth[:, : self._count].copy(), "smooth_step": self.summed_at}

    def restore(self, slots: Slots, checkpoint: dict[str, Any]) -> None:
        """Take back what was kept."""
        slots.smooth[:, : self._count] = checkpoint["smooth"]
        self.summed_at = int(checkpoint["smooth_step"])
