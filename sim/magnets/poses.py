"""Where magnets and coils that move stand at a time, and how much current then flows."""

from __future__ import annotations

import dataclasses

import numpy as np

from analysis.common.arrays import Floats
from sim.magnets.motion import Poses
from sim.magnets.shapes import CurrentLoop, Magnet, UniformField

MOST_POSES = 8
"""Most poses of a programme that cautions look at."""


def poses_of(magnet: Magnet, times: Floats) -> Poses:
    """Give the centre, the turn and the drive of a magnet at times."""
    from scipy.spatial.transform import Rotation

    own = Rotation.from_rotvec(magnet.rotation)
    centre = np.asarray(magnet.position)
    if magnet.motion is None:
        same = Rotation.concatenate([own] * len(times))
        return Poses(np.tile(centre, (len(times), 1)), same, np.ones(len(times)))
    point, turned, drive = magnet.motion.poses(times)
    away = turned.apply(centre - np.asarray(magnet.motion.point))
    return Poses(point + away, turned * own, drive)


def at_time(magnets: tuple[Magnet, ...], time: float) -> tuple[Magnet, ...]:
    """Give magnets at rest as they stand at a time in s, coils with the current they then have."""
    return tuple(_at_rest(magnet, time) for magnet in magnets)


def end_of_steps(magnets: tuple[Magnet, ...]) -> float | None:
    """Give the time in s at which the last step of any magnet ends; None where all stand still."""
    ends = [magnet.motion.steps[-1].end for magnet in magnets if magnet.motion is not None]
    return max(ends, default=None)


def poses_to_mind(magnets: tuple[Magnet, ...]) -> list[tuple[Magnet, ...]]:
    """Give the poses that cautions look at.

    Magnets at rest as they stand at the start and at the ends of steps, `MOST_POSES` at most,
    evenly chosen; coils with the largest current that their steps let flow.
    """
    moving = [magnet.motion for magnet in magnets if magnet.motion is not None]
    ends = sorted({0.0, *(step.end for motion in moving for step in motion.steps)})
    count = min(len(ends), MOST_POSES)
    times = [ends[int(k)] for k in np.linspace(0, len(ends) - 1, count).round()]
    driven = tuple(_driven(magnet) for magnet in magnets)
    return [at_time(driven, time) for time in times]


def _driven(magnet: Magnet) -> Magnet:
    """Give a coil the steady current that is the largest of its steps."""
    if magnet.motion is None:
        return magnet
    steps = magnet.motion.steps
    share = max([1.0, *(abs(step.share) for step in steps if step.motion == "ramp")])
    still = tuple(
        dataclasses.replace(step, motion="hold") if step.motion in ("ramp", "oscillate") else step
        for step in steps
    )
    posed = dataclasses.replace(magnet, motion=dataclasses.replace(magnet.motion, steps=still))
    if isinstance(posed, CurrentLoop):
        return dataclasses.replace(posed, current=share * posed.current)
    return posed


def _at_rest(magnet: Magnet, time: float) -> Magnet:
    if magnet.motion is None:
        return magnet
    point, turned, drive = poses_of(magnet, np.array([time]))
    if isinstance(magnet, CurrentLoop):
        magnet = dataclasses.replace(magnet, current=magnet.current * float(drive[0]))
    elif isinstance(magnet, UniformField):
        x, y, z = (float(drive[0]) * part for part in magnet.strength)
        magnet = dataclasses.replace(magnet, strength=(x, y, z))
    x, y, z = point[0].tolist()
    a, b, c = turned.as_rotvec()[0].tolist()
    return dataclasses.replace(magnet, position=(x, y, z), rotation=(a, b, c), motion=None)
