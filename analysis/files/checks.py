"""Limits of the numbers of a run, far beyond every film: what is computed then stays finite."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import InputError
from analysis.common.large_numbers import LARGEST_NUMBER

SHORTEST, LONGEST = 1e-30, 1e30
"""Lengths and sizes of particles in SI: their squares and cubes are numbers still."""
NUMBER = LARGEST_NUMBER
"""Other numbers are at most so large."""
WIDEST = 100_000
"""Diameters along a side of the patch: tables of distances grow with it."""


class TrajectoryError(InputError):
    """A file that cannot be read as a run: one sentence that names the file and what is missing."""


def largest(values: NDArray[np.float64]) -> float:
    """Return the largest magnitude of an array, NaN if it holds one, 0 of an empty one."""
    return float(np.max(np.abs(values), initial=0.0))
