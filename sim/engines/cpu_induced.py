"""Moments that beads induce in each other, settled before each compiled step."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim.interactions.induced import MOST_ITERATIONS, make_mixing_work
from sim.kernels import induced, induced_fields, layout, step

if TYPE_CHECKING:
    from sim.engines.cpu_mesh import HeldMesh
    from sim.interactions.ewald_plan import EwaldPlan, EwaldWork
    from sim.reduced_system import ReducedSystem

__all__ = ["MOMENT_SHARE", "InducedMoments", "UnsettledError"]

MOMENT_SHARE = 0.1
"""Moments settle to this share of the tolerance of the dipole sum."""
NEVER = -1


class UnsettledError(RuntimeError):
    """The moments of a step do not become self-consistent."""


class InducedMoments:
    """Finds the self-consistent moments of all beads, from those of the step before.

    Whoever asks first, the next step or a look at the state, gets the same bits: moments that
    are settled pass the test at once and are left as they are.

    Parameters
    ----------
    system : ReducedSystem
        With induced moments.
    """

    def __init__(self, system: ReducedSystem) -> None:
        self.tolerance = MOMENT_SHARE * system.tolerance
        self.settled_at = NEVER
        self.sums = 0
        self.searches = 0
        self._count = system.count
        self._core_langevin = system.core_langevin
        rows = (system.count, 3)
        self._moments, self._response = np.zeros(rows), np.zeros(rows)
        self._field = np.zeros(rows)
        self._work = make_mixing_work(system.count)

    def settle(
        self,
        slots: layout.Slots,
        rows: NDArray[Any],
        words: NDArray[Any],
        tables: tuple[layout.Neighbours, layout.Patch, layout.Laws, layout.LongRange],
        applied: NDArray[np.float64],
        mesh: HeldMesh | None,
        exact: tuple[EwaldPlan, EwaldWork] | None,
        at: int,
    ) -> None:
        """Give the slots, their rows and the kept mesh the moments of the step ``at``.

        Raises
        ------
        UnsettledError
            If they do not settle.
        """
        neighbours, patch, laws, long_range = tables
        screening = mesh and mesh.pair_table
        magnetisation = np.zeros(3)
        induced_fields.read_moments(slots, self._count, self._moments)
        self.searches += 1
        for iteration in range(MOST_ITERATIONS):
            self._sum_far(slots, mesh, exact, long_range)
            if laws.long_range == layout.CUTOFF:
                induced_fields.mean_moment(slots, self._count, patch, magnetisation)
            induced_fields.local_fields(
                slots, self._count, rows, words, neighbours, patch, laws, long_range, screening,
                applied, magnetisation, self._field,
            )  # fmt: skip
            self.sums += 1
            change = induced.respond(
                self._field, slots.saturation[: self._count], self._core_langevin, self._moments,
                self._response, self._work.partials,
            )  # fmt: skip
            if change < self.tolerance:
                if mesh is not None:
                    step.keep_smooth(slots, self._count, long_range)
                self.settled_at = at
                return
            induced.mix(iteration, self._moments, self._response, self._work)
            induced_fields.write_moments(slots, self._count, self._moments, patch, rows, words)
        raise UnsettledError(
            f"the moments that beads induce in each other did not settle in {MOST_ITERATIONS} sums "
            f"of step {at}: they still change by {change:.2g} of themselves"
        )

    def _sum_far(
        self,
        slots: layout.Slots,
        mesh: HeldMesh | None,
        exact: tuple[EwaldPlan, EwaldWork] | None,
        long_range: layout.LongRange,
    ) -> None:
        """Sum what the pair loop leaves of the present moments' field."""
        if mesh is not None:
            mesh.sum(slots, long_range)
        elif exact is not None:
            step.sum_long_range(slots, self._count, *exact, long_range)

    @property
    def mean_sums(self) -> float:
        """Sums of the dipoles a search, the mean so far."""
        return self.sums / max(1, self.searches)

    def holding_energy(self, slots: layout.Slots) -> float:
        """Return the energy at which all beads hold their moments, in kT."""
        held = np.empty(self._count)
        induced_fields.read_moments(slots, self._count, self._moments)
        induced.holding_energies(
            self._moments, slots.saturation[: self._count], self._core_langevin, held
        )
        return float(held.sum())

    def forget(self) -> None:
        """Settle again before the next step, as after a restart."""
        self.settled_at = NEVER
