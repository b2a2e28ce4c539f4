"""The structure factor of a whole film from maps of its particles, where frames hold a cut-out.

A map counts the particles over each cell, which blurs waves by the window sin(x)/x of a cell along
both sides, and folds waves shorter than two cells onto longer ones. Particles at random have S = 1
at all waves, and counts of them too, whatever the cells: what is folded is as large as what the
window takes. With S - 1 small where waves are folded from, the counts have 1 + W^2 (S - 1)
(Y. P. Jing, Astrophys. J. 620, 559 (2005), from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.spacing.distances import NEAREST_SHELL, ORDERS
from analysis.spacing.structure_factor import ModeGrid

Floats = NDArray[np.float64]

CELLS_A_WAVE = 6.0
"""Shorter waves are blurred by more than a sixth, and speckle is mixed with folded speckle. Up to
there no more than 0.02 is added where the speckle of a mode falls below 0 and is cut off."""


def structure_factor_of_counts(counts: Floats, grid: ModeGrid) -> Floats:
    """Return the projected structure factor on the half grid, as ``structure_factor`` does.

    Parameters
    ----------
    counts : (columns, rows) array
        Particles over each cell of the patch.
    grid : ModeGrid
        Modes of it, of ``CELLS_A_WAVE`` cells a wave and more.
    """
    from scipy.fft import fft, rfft

    total = float(counts.sum())
    x = np.arange(len(grid.qx)) - len(grid.qx) // 2
    y = np.arange(len(grid.qy))
    if total == 0:
        return np.zeros((len(x), len(y)))
    waves = fft(rfft(counts, axis=1)[:, : len(y)], axis=0)[x]
    seen = (waves.real**2 + waves.imag**2) / total
    window = np.sinc(x / counts.shape[0])[:, None] * np.sinc(y / counts.shape[1])
    return np.asarray(np.maximum(1 + (seen - 1) / window**2, 0.0))


@dataclass
class MapFrames:
    """Sums over frames of the structure factor of a whole film; ``add`` takes one map.

    Parameters
    ----------
    sides : (2,) array
        Patch of the whole film in m.
    shape : tuple of int
        Cells of the maps along x and y.
    median, line : float
        Median diameter and line-density spacing of the film in m.
    axis : (3,) array or None
        Direction of the chains.
    """

    sides: Floats
    shape: tuple[int, int]
    median: float
    line: float
    axis: Floats | None
    grid: ModeGrid = field(init=False)
    map_sum: Floats = field(init=False)
    map_frames: int = 0

    def __post_init__(self) -> None:
        """Choose the modes."""
        finest = CELLS_A_WAVE * float(np.max(self.sides / self.shape))
        shortest = max(0.9 * self.median, finest)
        self.grid = ModeGrid.of(self.sides, shortest, max(finest, self.line / ORDERS))
        self.map_sum = np.zeros((len(self.grid.qx), len(self.grid.qy)))

    @property
    def shortest(self) -> float:
        """Return the smallest distance in m that counts as a spacing of chains, and is resolved."""
        return max(
            NEAREST_SHELL * self.median, CELLS_A_WAVE * float(np.max(self.sides / self.shape))
        )

    def add(self, counts: Floats) -> None:
        """Take in the map of one frame."""
        self.map_sum += structure_factor_of_counts(counts, self.grid)
        self.map_frames += 1
