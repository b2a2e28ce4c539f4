"""From [[magnets.steps]] to motions of magnets, and what such a programme may not do."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.magnets.motion import MagnetStep, Motion
from sim.magnets.overlap import overlapping, reach
from sim.magnets.poses import at_time
from sim.magnets.shapes import Magnet
from sim.parameters.magnet_tables import MagnetStepTable, MagnetTable
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.parameters.reading import Reading
    from sim.parameters.types import CellParameters

_MAY = {"loop": ("hold", "slide", "turn", "oscillate", "ramp"),
        "uniform": ("hold", "turn", "oscillate", "ramp")}  # fmt: skip
_BODIES_MAY = ("hold", "slide", "turn")

_LOOKS = 65
"""Times a step, or a turn, at which magnets must be clear of the film and of one another."""


def _leader(reading: Reading, values: MagnetTable) -> MagnetTable:
    """Give the table whose steps a magnet follows: its own, or that which it moves with."""
    number = values.moves_with
    return values if number is None else reading.magnets[number - 1]


def motions(reading: Reading) -> list[Motion | None]:
    """Give the motion of each table of a file without mistakes, None for magnets at rest."""
    found = []
    for values in reading.magnets:
        lead = _leader(reading, values)
        steps = tuple(_steps(lead.steps))
        found.append(Motion(lead.position, steps) if steps else None)
    return found


def _steps(tables: tuple[MagnetStepTable, ...]) -> Iterator[MagnetStep]:
    end = 0.0
    for values in tables:
        start, duration = values.start, values.duration
        start = end if start is None else start
        motion, rate = values.motion, 0.0
        if motion == "turn" and values.rate is not None:
            rate = values.rate
        elif motion == "turn":
            rate = values.angle / (2.0 * math.pi * duration)
        elif motion == "oscillate":
            rate = values.frequency
        yield MagnetStep(
            motion, start, duration, values.position or (0.0, 0.0, 0.0),
            values.axis or (0.0, 1.0, 0.0), values.pivot, rate, values.phase or 0.0,
            1.0 if values.share is None else values.share,
        )  # fmt: skip
        end = start + duration


def check_motions(reading: Reading) -> Iterator[str]:
    """Find steps of magnets that contradict themselves, one sentence each."""
    for number, values in enumerate(reading.magnets, start=1):
        label = f"[[magnets]] number {number}"
        yield from _check_lead(reading, number, values, label)
        end = 0.0
        for index, step in enumerate(values.steps, start=1):
            here = f"{label} [[magnets.steps]] number {index}"
            yield from _check_step(step, values.kind, here)
            start = step.start
            if start is not None and start < end * (1.0 - 1e-9):
                yield (
                    f"{here} start must be at least {format_quantity(end, 'time')}, where the step "
                    f"before it ends; received {format_quantity(start, 'time')}."
                )
            end = (end if start is None else start) + step.duration


def _check_lead(reading: Reading, number: int, values: MagnetTable, label: str) -> Iterator[str]:
    lead = values.moves_with
    if lead is None:
        return
    count = len(reading.magnets)
    leads = [k for k, other in enumerate(reading.magnets, 1) if other.steps and k != number]
    if not leads:
        yield (
            f"{label} moves_with must be left out, as no other of the [[magnets]] has steps; "
            f"received {lead}."
        )
    elif lead == number or lead > count or not reading.magnets[lead - 1].steps:
        yield (
            f"{label} moves_with must be the number, from 1 to {count}, of another of the "
            f"[[magnets]] that has steps, such as {leads[0]}; received {lead}."
        )
    if values.steps:
        yield f"{label} must give either steps or moves_with; received both."


def _check_step(step: MagnetStepTable, kind: str, label: str) -> Iterator[str]:
    motion = step.motion
    allowed = _MAY.get(kind, _BODIES_MAY)
    if motion not in allowed:
        yield (
            f"{label} motion must be {', '.join(allowed[:-1])} or {allowed[-1]} for a magnet of "
            f'the kind "{kind}"; received "{motion}".'
        )
    given = [key for key in ("rate", "angle") if getattr(step, key) is not None]
    if motion == "turn" and len(given) != 1:
        yield (
            f'{label} must give either rate or angle for motion = "turn", such as rate = "2 Hz"; '
            f"received {' and '.join(given) or 'none'}."
        )


def motion_notices(reading: Reading) -> Iterator[str]:
    """Say that a programme outlasts the run."""
    longest = 0.0
    for values in reading.magnets:
        longest = max(longest, *(step.end for step in _steps(values.steps)), 0.0)
    duration = reading.get("run", "duration")
    if duration is not None and longest > duration * (1.0 + 1e-9):
        yield (
            f"The magnets move for {format_quantity(longest, 'time')} and the run lasts only "
            f"{format_quantity(duration, 'time')}: the rest of their steps is not used."
        )


def check_paths(
    numbered: list[tuple[int, Magnet]], where: CellParameters, half: float
) -> Iterator[str]:
    """Refuse magnets that are driven into the film or into one another.

    Parameters
    ----------
    numbered : list of tuple
        Number of the table in the file, and a magnet of it.
    where : CellParameters
        The cell and the place of the patch.
    half : float
        Half of the film's thickness in m.

    Yields
    ------
    str
        At most one sentence on the film and one on a pair: what `_LOOKS` looks a step find.
    """
    numbers = [number for number, _ in numbered]
    magnets = tuple(magnet for _, magnet in numbered)
    limit = np.array([0.5 * where.width[0], 0.5 * where.width[1], half])
    moved = {number for number, magnet in numbered if magnet.motion is not None}
    # What moves as one keeps its distances.
    into_film, into_other = False, len({magnet.motion for magnet in magnets}) == 1
    at_rest = set() if into_other else overlapping(numbered)
    for time in _looks(numbered):
        posed = list(zip(numbers, at_time(magnets, time), strict=True))
        when = f"{format_quantity(time, 'time')} after the start"
        for number, magnet in posed:
            if not into_film and number in moved and _in_film(magnet, limit):
                into_film = True
                yield (
                    f"[[magnets]] number {number} steps must keep the magnet out of the film; it "
                    f"reaches into it {when}."
                )
        hit = [] if into_other else sorted(overlapping(posed) - at_rest)
        if hit:
            into_other = True
            yield (
                f"[[magnets]] number {hit[0][0]} and {hit[0][1]} must not meet on their way; by "
                f"their steps they overlap {when}."
            )
        if into_film and into_other:
            return


def _looks(numbered: list[tuple[int, Magnet]]) -> list[float]:
    """Give times in s that see each step, and one turn of those that repeat, at even intervals."""
    steps = {
        step
        for _, magnet in numbered
        if magnet.motion is not None
        for step in magnet.motion.steps
        if step.motion in ("slide", "turn")
    }
    found: set[float] = set()
    for step in steps:
        seen = step.duration
        if step.motion == "turn":
            seen = min(seen, 1.0 / abs(step.rate)) if step.rate else 0.0
        found |= {step.start + float(part) for part in np.linspace(0.0, seen, _LOOKS)}
        found.add(step.end)
    return sorted(found)


def _in_film(magnet: Magnet, limit: np.ndarray[Any, Any]) -> bool:
    """Say whether a magnet reaches into the film of half sides ``limit``."""
    nearest = np.clip(magnet.position, -limit, limit)
    if math.dist(nearest, magnet.position) >= reach(magnet):
        return False
    axes = [np.linspace(-side, side, count) for side, count in zip(limit, (41, 41, 2), strict=True)]
    grid = np.array(list(itertools.product(*axes)))
    return bool(np.any(magnet.clearance(np.vstack([grid, nearest])) <= 0.0))
