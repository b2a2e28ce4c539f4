"""The step of a field programme in force at the end of a run, where that field turns or swings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.trajectory.run import Run

Floats = NDArray[np.float64]

KINDS = ("rotate", "oscillate", "turn")
BY_MAGNETS = ("turn", "move")
"""Kinds of steps in which only the stored field tells how the field of moving magnets changes."""


@dataclass(frozen=True)
class Swing:
    """A field that turns in a plane or oscillates along a line.

    Attributes
    ----------
    kind : str
        "rotate", "oscillate" or "turn": by magnets, about an axis but not evenly.
    start_s : float
        When it began, in s.
    frequency_hz : float
        Periods a second.
    phase_rad : float
        Angle at the start.
    direction : (3,) array
        Unit vector of the field at the angle 0; of "turn" at the start.
    axis : (3,) array
        Unit vector about which it turns, right-handed.
    amplitude_t : float
        Largest field in T; of "turn" that at the start.
    """

    kind: str
    start_s: float
    frequency_hz: float
    phase_rad: float
    direction: Floats
    axis: Floats
    amplitude_t: float = 0.0

    @property
    def turns(self) -> bool:
        """Whether the field turns, rather than oscillates."""
        return self.kind != "oscillate"

    def angles(self, times: Floats) -> Floats:
        """Return the angle of the field in rad at times in s."""
        pace = 2.0 * math.pi * self.frequency_hz
        return np.asarray(self.phase_rad + pace * (times - self.start_s))

    def directions(self, times: Floats) -> Floats:
        """Return unit vectors of a field that turns, (n, 3); the line's of one that oscillates."""
        if self.kind == "oscillate":
            return np.tile(self.direction, (len(times), 1))
        angle = self.angles(times)[:, None]
        ahead = np.cross(self.axis, self.direction)
        return np.asarray(np.cos(angle) * self.direction + np.sin(angle) * ahead)


def last_swing(run: Run) -> Swing | None:
    """Return the swinging or turning field at the last frame, None where there is none.

    The programme comes with the derived numbers of a run; a file without it has no swing.
    """
    end = float(run.times[-1])
    # Whole steps carry a run a little beyond the time asked for.
    slack = 0.5 * (end - float(run.times[-2])) if run.frames > 1 else 0.0
    for step in programme(run):
        until = math.inf if step.get("end_s") is None else float(step["end_s"])
        # The last step stays as it ended: after that, nothing swings any more.
        if float(step["start_s"]) < end <= until + slack and step["kind"] in KINDS:
            vector = np.asarray(step["vector_t"], dtype=np.float64)
            size = float(np.linalg.norm(vector))
            if size == 0.0:
                return None
            return Swing(
                kind=str(step["kind"]),
                start_s=float(step["start_s"]),
                frequency_hz=float(step["frequency_hz"]),
                phase_rad=float(step["phase_rad"]),
                direction=vector / size,
                axis=np.asarray(step["axis"], dtype=np.float64),
                amplitude_t=size,
            )
    return None


def turning_frames(
    run: Run, swing: Swing | None, vectors: Floats
) -> tuple[Floats, Floats | None] | None:
    """Return unit vectors of a field that turns at every frame, and about which axis.

    Parameters
    ----------
    run : Run
        The trajectory.
    swing : Swing or None
        How the field turns or oscillates at the end.
    vectors : (frames, 3) array
        Field at every frame in T.

    Returns
    -------
    tuple or None
        (frames, 3) array, and (3,) array or None without an axis; None where the field does not
        turn at the end and no moving magnets make it, or where it oscillates at the end.
    """
    if swing is not None and not swing.turns:
        return None
    size = np.linalg.norm(vectors, axis=1)
    steps = programme(run)
    if any(step["kind"] in BY_MAGNETS for step in steps) and size.max(initial=0.0) > 0.0:
        # Where the field is zero, its direction is that of the nearest frame that has one.
        good = np.flatnonzero(size > 0.0)
        nearest = good[np.abs(good[:, None] - np.arange(len(size))).argmin(axis=0)]
        about = [step["axis"] for step in steps if step["kind"] in ("turn", "rotate")]
        axis = np.asarray(about[-1], dtype=np.float64) if about else None
        return vectors[nearest] / size[nearest, None], axis
    if swing is None:
        return None
    # Before the field turns, it is what it is; a field of zero has the direction to come.
    turning = swing.directions(run.times)
    before = (run.times <= swing.start_s) & (size > 0)
    turning[before] = vectors[before] / size[before, None]
    return turning, swing.axis


def programme(run: Run) -> list[dict[str, Any]]:
    """Return the recorded steps of the field that are complete enough to use.

    Of a film that comes from another run, the field there is a step that ends as the run begins.
    """
    stored = run.derived.get("field_programme")
    needed = ("kind", "start_s", "vector_t", "frequency_hz", "phase_rad", "axis")
    if not isinstance(stored, list):
        return []
    before = [] if run.field_before is None else [_held(run.field_before, float(run.times[0]))]
    return before + [s for s in stored if isinstance(s, dict) and all(key in s for key in needed)]


def _held(field: Floats, until: float) -> dict[str, Any]:
    """Return a step that has held a field up to a time in s."""
    return {
        "kind": "hold",
        "start_s": until,
        "end_s": until,
        "vector_t": field.tolist(),
        "frequency_hz": 0.0,
        "phase_rad": 0.0,
        "axis": [0.0, 0.0, 1.0],
    }
