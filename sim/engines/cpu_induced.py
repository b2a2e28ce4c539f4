"""Moments that beads induce in each other, settled before each compiled step."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.engines.guards import unsettled
from sim.kernels.dipoles import induced
from sim.kernels.steps import induced_fields, layout, step

if TYPE_CHECKING:
    from sim.engines.cpu_film import CpuFilm
    from sim.engines.cpu_mesh import HeldMesh
    from sim.film.reduced_system import ReducedSystem

__all__ = ["MOMENT_SHARE", "InducedMoments", "MixingWork", "make_mixing_work"]

Floats = NDArray[np.float64]

MOMENT_SHARE = 0.1
"""Moments settle to this share of the tolerance of the dipole sum."""
NEVER = -1


class MixingWork(NamedTuple):
    """What `sim.kernels.dipoles.induced.mix` remembers, and its scratch.

    Attributes
    ----------
    last_moments, last_residual : float64 (N, 3)
        The iterate before, and its response less itself.
    moment_changes, residual_changes : float64 (induced.DEPTH, N, 3)
        How both changed in the last steps.
    partials : float64 (BLOCKS, SUMS)
        Partial sums.
    """

    last_moments: Floats
    last_residual: Floats
    moment_changes: Floats
    residual_changes: Floats
    partials: Floats


def make_mixing_work(count: int) -> MixingWork:
    """Return the memory of the mixing for ``count`` rows."""
    return MixingWork(
        last_moments=np.zeros((count, 3)),
        last_residual=np.zeros((count, 3)),
        moment_changes=np.zeros((induced.DEPTH, count, 3)),
        residual_changes=np.zeros((induced.DEPTH, count, 3)),
        partials=np.zeros((induced.BLOCKS, induced.SUMS)),
    )


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
        self.beads = layout.Beads(np.zeros(rows), np.zeros(rows))
        self._response = np.zeros(rows)
        self._work = make_mixing_work(system.count)

    def settle(self, film: CpuFilm, mesh: HeldMesh | None, at: int) -> None:
        """Give the slots, their rows and the kept mesh the moments of the step ``at``.

        Raises
        ------
        StepError
            If they do not settle.
        """
        slots, long_range = film.content.slots, film.content.long_range
        moments, saturation = self.beads.moments, slots.saturation[: self._count]
        film.call(step.apply_field)
        film.call(induced_fields.read_moments)
        self.searches += 1
        for iteration in range(induced.MOST_SUMS):
            film.sum_exact()
            if mesh is not None:
                mesh.sum(slots, long_range)
            if film.content.laws.long_range == layout.CUTOFF:
                film.call(induced_fields.mean_moment)
            film.run(film.pair_part, induced_fields.local_field)
            self.sums += 1
            change = induced.respond(
                self.beads.field, saturation, self._core_langevin, moments, self._response,
                self._work.partials,
            )  # fmt: skip
            if change < self.tolerance:
                if mesh is not None:
                    mesh.keep_found(slots, long_range)
                self.settled_at = at
                return
            induced.mix(iteration, moments, self._response, self._work)
            film.call(induced_fields.write_moments)
        raise unsettled(change, induced.MOST_SUMS, at)

    @property
    def mean_sums(self) -> float:
        """Sums of the dipoles per search, the mean so far."""
        return self.sums / max(1, self.searches)

    def holding_energy(self, film: CpuFilm) -> float:
        """Return the energy at which all beads hold their moments, in kT."""
        held = np.empty(self._count)
        film.call(induced_fields.read_moments)
        saturation = film.content.slots.saturation[: self._count]
        induced.holding_energies(self.beads.moments, saturation, self._core_langevin, held)
        return float(held.sum())

    def forget(self) -> None:
        """Settle again before the next step, as after a restart."""
        self.settled_at = NEVER
