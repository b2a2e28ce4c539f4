"""Bounds on a decay time that the frames do not tell: longer than, or shorter than, so much."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.averages.student import student_factor

LEVEL = 0.95
"""Share of cases in which a bound holds, at least."""

LEFT = math.exp(-1)
"""Share of the fall that is left after the decay time."""


@dataclass(frozen=True)
class Bounds:
    """A decay time in s is longer than one number and shorter than another; None without one."""

    longer_than: float | None = None
    shorter_than: float | None = None


NO_BOUNDS = Bounds()


def noise_of(times: Floats, tail: Floats) -> tuple[float, float]:
    """Return the standard deviation of the last frames about a line, and its degrees of freedom."""
    if len(tail) < 3:
        return math.inf, 1.0
    line = np.polyfit(times - times[0], tail, 1)
    left = tail - np.polyval(line, times - times[0])
    freedom = len(tail) - 2.0
    return math.sqrt(float(left @ left) / freedom), freedom


def bounds(
    times: Floats,
    values: Floats,
    floor: float | None,
    noise: tuple[float, float],
    unsure: float = 0.0,
) -> Bounds:
    """Return between which times a falling quantity comes down to 1/e of its fall.

    Parameters
    ----------
    times : (n,) array
        Times in s since the fall began.
    values : (n,) array
        The quantity; the first value is that before the fall.
    floor : float or None
        Final value; None where it lies beyond the last frames, whose mean then takes its place:
        the true fall is deeper, so that only ``longer_than`` follows.
    noise : (float, float)
        Standard deviation of a frame, and the degrees of freedom behind it.
    unsure : float
        Standard error in s of the time at which the fall began, somewhere in sqrt(12) of it.

    Returns
    -------
    Bounds
        The last frame that lies above 1/e, and the first that lies below, by more than its noise.
        Either holds in at least ``LEVEL`` of the cases for a quantity that falls without rising.

    Notes
    -----
    The noise is multiplied by Student's factor for ``LEVEL`` shared out over all frames, so that
    frames may deviate alike: C. E. Bonferroni (1936), from memory.
    """
    tail = values[-max(1, len(values) // 4) :]
    end = float(tail.mean()) if floor is None else floor
    drop = float(values[0]) - end
    sign = math.copysign(1.0, drop)
    # Both ends of the fall have noise; last frames that deviate alike count as one.
    spread = noise[0] * math.sqrt(1.0 + LEFT**2 + (1.0 - LEFT) ** 2)
    margin = spread * student_factor(1.0 - 2.0 * (1.0 - LEVEL) / max(2, len(values) - 1), noise[1])
    if not abs(drop) > margin:
        return NO_BOUNDS
    over = sign * (values - (end + LEFT * drop))
    above = np.flatnonzero(over[1:] > margin) + 1
    below = np.flatnonzero(over[1:] < -margin) + 1
    # Where no one knows when between two frames the field went off, the fall may have begun late.
    late = math.sqrt(12.0) * unsure
    longer = float(times[above[-1]]) - late if len(above) else 0.0
    shorter = float(times[below[0]]) if len(below) and floor is not None else None
    return Bounds(longer if longer > 0 else None, shorter)
