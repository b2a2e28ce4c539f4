"""What compiled loops read: particles sorted into cells."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Cells(NamedTuple):
    """Particles of a film sorted into cells.

    Attributes
    ----------
    sides : (2,) array
        Periodic patch in x and y, in the unit of the centres.
    bottom, height : float
        The film from its lowest centre on, in z; it is open there.
    shape : (columns, rows, layers)
        Cells along x, y and z; cell (a, b, c) is number (a rows + b) layers + c.
    start : (cells + 1,) array
        Places ``start[c]`` to ``start[c + 1]`` hold the particles of cell c, in rising order.
    order : (N,) array
        The particle at each place.
    points : (N, 3) array
        Its centre: neighbours in space are neighbours in memory.
    """

    sides: NDArray[np.float64]
    bottom: float
    height: float
    shape: tuple[int, int, int]
    start: NDArray[np.int64]
    order: NDArray[np.int64]
    points: NDArray[np.float64]
