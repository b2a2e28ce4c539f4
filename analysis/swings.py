"""The step of a field programme in force at the end of a run, where that field turns or swings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.trajectory import Run

Floats = NDArray[np.float64]

KINDS = ("rotate", "oscillate")


@dataclass(frozen=True)
class Swing:
    """A field that turns in a plane or oscillates along a line.

    Attributes
    ----------
    kind : str
        "rotate" or "oscillate".
    start_s : float
        When it began, in s.
    frequency_hz : float
        Periods a second.
    phase_rad : float
        Angle at the start.
    direction : (3,) array
        Unit vector of the field at the angle 0.
    axis : (3,) array
        Unit vector about which it turns, right-handed.
    amplitude_t : float
        Largest field in T.
    """

    kind: str
    start_s: float
    frequency_hz: float
    phase_rad: float
    direction: Floats
    axis: Floats
    amplitude_t: float = 0.0

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


def programme(run: Run) -> list[dict[str, Any]]:
    """Return the recorded steps of the field that are complete enough to use."""
    stored = run.derived.get("field_programme")
    needed = ("kind", "start_s", "vector_t", "frequency_hz", "phase_rad", "axis")
    if not isinstance(stored, list):
        return []
    return [s for s in stored if isinstance(s, dict) and all(key in s for key in needed)]
