"""The state of a film: where the particles are and how their moments point. Data, nothing else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class FilmState:
    """One moment of a film, in reduced units; row i is always the same particle.

    Attributes
    ----------
    positions : float64 (N, 3)
        Centres in units of d0; x and y within the patch.
    image : int32 (N, 2)
        Whole periods that each particle has left behind in x and y.
    directions : float64 (N, 3)
        Unit vectors of the moments; of induced ones the moments as shares of saturation.
    step : int
        Steps made since the start.
    time : float
        Time since the start in d0^2/D0.
    seed : int
        Seed of the noise.
    velocities, spins : float64 (N, 3) or None
        Velocities in d0, and rotation vectors, per unit of time, of inertial dynamics; None
        where the dynamics has none (a spin is None too for moments that turn without inertia).
    """

    positions: NDArray[np.float64]
    image: NDArray[np.int32]
    directions: NDArray[np.float64]
    step: int
    time: float
    seed: int
    velocities: NDArray[np.float64] | None = None
    spins: NDArray[np.float64] | None = None

    @property
    def is_placed(self) -> bool:
        """Whether there are places; an engine that has none waits for a checkpoint."""
        return len(self.positions) > 0


def unplaced(seed: int) -> FilmState:
    """Return the state of a film whose particles a checkpoint will place."""
    nothing = np.zeros((0, 3))
    return FilmState(nothing, np.zeros((0, 2), np.int32), nothing, step=0, time=0.0, seed=seed)
