"""How magnets and coils move in time: steps one after the other, and the pose that they make.

A motion carries a holder: a point and a turn about it. Magnets on it keep their places relative to
it. Coils also have a drive, the share of their current that flows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from analysis.common.arrays import Floats, Vector

if TYPE_CHECKING:
    from scipy.spatial.transform import Rotation


@dataclass(frozen=True)
class MagnetStep:
    """One step of a motion; what it does not name stays as it is.

    Attributes
    ----------
    motion : str
        "hold"; "slide" goes to a place in a straight line at a steady speed; "turn" turns about an
        axis through a point at a steady rate; "oscillate" drives a coil by cos(2 pi rate t +
        phase), t from the start of the step; "ramp" changes its drive steadily to a share.
    start, duration : float
        In s from the start of the run.
    place : tuple of float
        Where "slide" ends, in m.
    axis : tuple of float
        Unit vector about which "turn" turns, right-handed.
    pivot : tuple of float or None
        A point in m on that axis; None is the point of the holder.
    rate : float
        Turns or periods per second.
    phase : float
        In rad, of "oscillate".
    share : float
        Of the current at the end of "ramp".
    """

    motion: Literal["hold", "slide", "turn", "oscillate", "ramp"]
    start: float
    duration: float
    place: Vector = (0.0, 0.0, 0.0)
    axis: Vector = (0.0, 0.0, 1.0)
    pivot: Vector | None = None
    rate: float = 0.0
    phase: float = 0.0
    share: float = 1.0

    @property
    def end(self) -> float:
        """Time in s at which the step ends."""
        return self.start + self.duration


class Poses(NamedTuple):
    """A holder at n times: its point (n, 3) in m, its turns since the start, its drive (n,)."""

    point: Floats
    turned: Rotation
    drive: Floats


@dataclass(frozen=True)
class Motion:
    """A holder that moves.

    Attributes
    ----------
    point : tuple of float
        Its point at the start, in m.
    steps : tuple of MagnetStep
        In order of time, without overlap; between and after them all stays as it is.
    """

    point: Vector
    steps: tuple[MagnetStep, ...]

    def poses(self, times: Sequence[float] | Floats) -> Poses:
        """Give the poses at times in s."""
        from scipy.spatial.transform import Rotation

        at = np.asarray(times, dtype=np.float64)
        point = np.tile(self.point, (len(at), 1))
        turns = np.tile([0.0, 0.0, 0.0, 1.0], (len(at), 1))
        drive = np.ones(len(at))
        for step in self.steps:
            begun = at >= step.start
            if not begun.any():
                break
            # Where the step finds the holder: the same for all times after its start.
            first = int(np.argmax(begun))
            since = np.clip(at[begun] - step.start, 0.0, step.duration)
            before = Poses(point[first], Rotation.from_quat(turns[first]), drive[first : first + 1])
            after = _moved(step, before, since)
            point[begun], turns[begun] = after.point, after.turned.as_quat()
            drive[begun] = after.drive
        return Poses(point, Rotation.from_quat(turns), drive)

    def paces(self, start: float, end: float) -> tuple[set[float], bool]:
        """Give the rates in Hz at which it turns or swings in a span, and whether it also travels.

        A span must lie within one step or between two.
        """
        middle = 0.5 * (start + end)
        for step in self.steps:
            if step.start <= middle < step.end:
                return {step.rate} - {0.0}, step.motion in ("slide", "ramp")
        return set(), False


def _moved(step: MagnetStep, before: Poses, since: Floats) -> Poses:
    """Give the poses (n,) after so long in a step that began with one pose."""
    from scipy.spatial.transform import Rotation

    point = np.tile(before.point, (len(since), 1))
    drive = np.repeat(before.drive, len(since))
    turned = Rotation.concatenate([before.turned] * len(since))
    share = (since / step.duration)[:, None]
    if step.motion == "slide":
        point = (1.0 - share) * point + share * np.asarray(step.place)
    elif step.motion == "turn":
        angle = 2.0 * math.pi * np.remainder(step.rate * since, 1.0)
        more = Rotation.from_rotvec(angle[:, None] * np.asarray(step.axis))
        turned = more * turned
        if step.pivot is not None:
            point = step.pivot + more.apply(before.point - np.asarray(step.pivot))
    elif step.motion == "oscillate":
        drive = np.cos(2.0 * math.pi * step.rate * since + step.phase)
    elif step.motion == "ramp":
        drive = drive + share[:, 0] * (step.share - drive)
    return Poses(point, turned, drive)
