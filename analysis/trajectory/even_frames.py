"""Which frames follow each other evenly, for what is told by lags in time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["UNEVEN", "even_frames", "left_out"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

EVEN = 0.1
"""Frames may lie off even times by this share of their interval.

Times rounded to whole steps of the integrator do. What that does to a correlation over a lag is of
second order: under half a per cent where it falls to 1/e within one interval.
"""
MOST_LEFT_OUT = 2
"""So many frames may lie between the even ones: a run that is stopped, or made longer, ends on one.
"""
UNEVEN = (
    "the averaged frames are not evenly spaced in time; [run] time_step and [output] frames that "
    "leave five whole steps or more between frames avoid that"
)


def even_frames(times: Floats, frames: Integers) -> Integers:
    """Return those of some frames that follow each other evenly.

    Parameters
    ----------
    times : (n,) array
        Time of every frame in s.
    frames : (k,) array
        The frames that are asked about, rising.

    Returns
    -------
    (m,) array
        All of them, or all but up to ``MOST_LEFT_OUT`` that lie between the even times; empty where
        that does not make them even.
    """
    kept = frames
    for _ in range(MOST_LEFT_OUT):
        if _unevenness(times[kept]) <= EVEN:
            return kept
        steps = np.diff(times[kept])
        worst = int(np.argmax(np.abs(steps - np.median(steps))))
        without = [np.delete(kept, place) for place in (worst, worst + 1)]
        kept = min(without, key=lambda rows: _unevenness(times[rows]))
    return kept if _unevenness(times[kept]) <= EVEN else frames[:0]


def left_out(frames: Integers, even: Integers) -> str:
    """Say how many of the averaged frames an estimate over lags leaves out; "" where none."""
    count = len(frames) - len(even)
    if count == 0:
        return ""
    verb = "lies" if count == 1 else "lie"
    return f"{count} of {len(frames)} averaged frames {verb} between the even times of the others"


def _unevenness(times: Floats) -> float:
    """Return how far times lie off even ones at most, in intervals."""
    if len(times) < 3:
        return 0.0
    place = np.arange(len(times)) - 0.5 * (len(times) - 1)
    interval = float((place * times).sum() / (place**2).sum())
    return float(np.abs(times - times.mean() - interval * place).max()) / interval
