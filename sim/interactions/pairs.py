"""What all pair interactions share: radii from cores, arrays of floats, and the range of a law."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

__all__ = ["LEAST_ENERGY", "Values", "bisect_range", "floats", "steric_radii"]

Values: TypeAlias = NDArray[np.float64]

LEAST_ENERGY = 1e-3
"""Pairs further apart than where this energy in kT is left do not act on each other."""


def floats(*values: ArrayLike) -> tuple[Values, ...]:
    """Return each of the values as a float64 array."""
    return tuple(np.asarray(value, dtype=np.float64) for value in values)


def steric_radii(
    parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike
) -> tuple[Values, Values]:
    """Return the steric radii in m, core and shell, of two core diameters in m."""
    shell = parameters.particles.shell_thickness
    first, second = floats(core_i, core_j)
    return 0.5 * first + shell, 0.5 * second + shell


def bisect_range(is_inside: Callable[[float], bool], low: float, high: float) -> float:
    """Return where a condition that holds at ``low`` stops to hold, by bisection.

    Parameters
    ----------
    is_inside : callable
        From a distance to a truth value; true up to one distance and false beyond.
    low, high : float
        Distances that bracket it.

    Returns
    -------
    float
        The distance; ``low`` where the condition holds nowhere, ``high`` where it holds throughout.
    """
    if not is_inside(low):
        return low
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if is_inside(middle) else (low, middle)
    return high
