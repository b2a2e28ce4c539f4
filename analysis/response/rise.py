"""Response time of a number to a step of the field: from 10 to 90 % of its change.

The change is that from its value before the step to its level at the end of the stage. Noise is
taken out by the rising (or falling) course that fits best; the band comes from the same measurement
of courses with other noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.averages.memory import memory

Floats = NDArray[np.float64]

FEWEST_FRAMES = 8
LEVEL_SHARE = 0.25
"""The last part of a stage, in time, whose mean is the level that the number comes to."""
STANDS_OUT = 4.0
"""A change below so many standard errors is none."""
STILL_MOVING = 0.1
"""Where the last half of a stage still makes more than this share of the change, and it is no
noise, the level is not reached and the time is a lower bound."""
DRAWS = 100
_LOW, _HIGH = 0.1, 0.9


@dataclass(frozen=True)
class Rise:
    """A response time in s.

    Attributes
    ----------
    time : float or None
        From 10 to 90 % of the change; None where it could not be measured.
    interval_68 : (float, float) or None
        Its band, which holds the true one in about 68 of 100 cases.
    longer_than, shorter_than : float or None
        What is known of it where there is no time.
    reason : str
        Why there is no time; empty where there is one.
    frames : int
        Frames from the step on.
    """

    time: float | None = None
    interval_68: tuple[float, float] | None = None
    longer_than: float | None = None
    shorter_than: float | None = None
    reason: str = ""
    frames: int = 0

    def as_dict(self) -> dict[str, Any]:
        """Return its entry of the hand-off; the error is half the band."""
        ends = self.interval_68
        return {
            "value": self.time,
            "error": None if ends is None else 0.5 * (ends[1] - ends[0]),
            "samples": self.frames,
            "interval_68": None if ends is None else list(ends),
            "longer_than_s": self.longer_than,
            "shorter_than_s": self.shorter_than,
            "reason": self.reason or None,
        }


def rise(times: Floats, values: Floats, start: float, before: float | None = None) -> Rise:
    """Measure a response time.

    Parameters
    ----------
    times : (n,) array
        Times of the frames in s from the step on.
    values : (n,) array
        The number at these frames; NaN where it could not be measured.
    start : float
        Time of the step in s.
    before : float, optional
        Its value before the step; by default that of the first frame.

    Returns
    -------
    Rise
        The time, or why there is none and what is known of it.

    Notes
    -----
    A single relaxation exp(-t/tau) has the response time tau ln 9 = 2.197 tau; textbook. The course
    is the best monotone fit (pool adjacent violators, scipy); noise is that of the second half of
    the frames, drawn again in pieces longer than its memory.
    """
    known = np.isfinite(values)
    t, y = times[known] - start, values[known]
    if len(t) < FEWEST_FRAMES:
        return Rise(reason=f"{len(t)} frames after the step, and {FEWEST_FRAMES} are wanted")
    first = float(y[0]) if before is None else before
    end = t >= t[-1] - LEVEL_SHARE * (t[-1] - t[0])
    level = float(y[end].mean())
    change = level - first
    if change == 0.0:
        return Rise(reason="it does not change", frames=len(t))
    share = (y - first) / change
    course = _monotone(share)
    noise, block = _noise(share[t >= 0.5 * (t[0] + t[-1])])
    unsure = float(noise.std()) * np.sqrt(min(1.0, block / end.sum()) + 1.0)
    if not STANDS_OUT * unsure < 1.0:
        return Rise(reason="no change stands out of the noise", frames=len(t))
    if reason := _unsettled(t, course, unsure):
        passed = _width(t, course)
        return Rise(longer_than=passed, reason=reason, frames=len(t))
    found = _width(t, course)
    gap = float(np.median(np.diff(t)))
    if found is None or found < gap:
        return Rise(
            shorter_than=gap, reason="faster than the frames follow each other", frames=len(t)
        )
    return Rise(found, _band(t, course, noise, block, found, gap), frames=len(t))


def _noise(late: Floats) -> tuple[Floats, int]:
    """Return the noise of the frames in which the number has settled, and how long pieces are.

    That about the monotone course would be too small: the course follows slow noise. A drift is no
    noise.
    """
    place = np.arange(len(late))
    away = late - np.polyval(np.polyfit(place, late, 1), place)
    tau = memory(away).time
    block = max(1, min(len(away) // 3, round(4 * tau)))
    return away / np.sqrt(max(0.25, 1 - 2 * tau / len(away))), block


def _monotone(share: Floats) -> Floats:
    """Return the rising course that fits best."""
    from scipy.optimize import isotonic_regression

    return np.asarray(isotonic_regression(share).x, dtype=np.float64)


def _width(t: Floats, course: Floats) -> float | None:
    """Return the time from 10 to 90 % of a rising course, None where it never gets there."""
    if course[-1] < _HIGH:
        return None
    times = np.concatenate([[0.0], t]) if t[0] > 0 else t
    shares = np.concatenate([[0.0], course]) if t[0] > 0 else course
    return _crossing(times, shares, _HIGH) - _crossing(times, shares, _LOW)


def _crossing(t: Floats, course: Floats, level: float) -> float:
    """Return when a rising course first reaches a level, between frames by a straight line."""
    at = int(np.argmax(course >= level))
    if at == 0:
        return float(t[0])
    low, high = course[at - 1], course[at]
    return float(t[at - 1] + (level - low) / (high - low) * (t[at] - t[at - 1]))


def _unsettled(t: Floats, course: Floats, unsure: float) -> str:
    """Say that the level is not reached; empty where it is."""
    middle = int(np.searchsorted(t, 0.5 * (t[0] + t[-1])))
    third = int(np.searchsorted(t, t[0] + 0.75 * (t[-1] - t[0])))
    late = float(course[third:].mean() - course[middle:third].mean())
    if late > max(STILL_MOVING, 2 * unsure):
        return f"{100 * late:.0f} % of the change fell into the last half of what was seen"
    return ""


def _band(
    t: Floats, course: Floats, noise: Floats, block: int, found: float, gap: float
) -> tuple[float, float]:
    """Return the band of a time by drawing the noise again in pieces; frames blur it further."""
    draws = np.random.default_rng(len(t))
    widths = []
    for _ in range(DRAWS):
        starts = draws.integers(0, len(noise) - block + 1, -(-len(t) // block))
        pieces = np.concatenate([noise[s : s + block] for s in starts])[: len(t)]
        again = course + pieces
        end = t >= t[-1] - LEVEL_SHARE * (t[-1] - t[0])
        width = _width(t, _monotone(again / again[end].mean()))
        if width is not None:
            widths.append(width)
    blur = gap / np.sqrt(6.0)  # both crossings lie anywhere between two frames
    low, high = np.percentile(widths, [16.0, 84.0])
    return (
        float(max(0.0, found - np.hypot(max(found - low, 0.0), blur))),
        float(found + np.hypot(max(high - found, 0.0), blur)),
    )
