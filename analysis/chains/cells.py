"""A frame sorted into cells, as loops over near particles want it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.common.arrays import Floats

if TYPE_CHECKING:
    from analysis.kernels.layout import Cells


def cells_of(points: Floats, sides: Floats, smallest: float) -> Cells:
    """Return the particles in cells no smaller than ``smallest``, no more than a few a particle.

    Parameters
    ----------
    points : (N, 3) array
        Centres of one particle and more, x and y inside the patch.
    sides : (2,) array
        Patch, in the unit of the centres.
    smallest : float
        A length in that unit.

    Notes
    -----
    Narrow columns through a thin film hold few particles. In a thick one they are cut into layers
    that hold one particle each, or its cost would grow with the thickness.
    """
    from analysis.kernels.cells import sort_into_cells

    limit = max(1, int(np.sqrt(4 * len(points))) + 1)
    columns, rows = (min(max(1, int(side / smallest)), 8 * limit) for side in sides)
    bottom = float(points[:, 2].min())
    height = float(np.ptp(points[:, 2]))
    layers = max(1, min(len(points) // (columns * rows), int(height / smallest)))
    cells: Cells = sort_into_cells(points, sides, bottom, height, (columns, rows, layers))
    return cells
