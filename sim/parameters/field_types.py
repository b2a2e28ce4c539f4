"""The applied field of a run, as read from a parameter file; part of `sim.parameters`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

__all__ = ["FieldParameters", "FieldStep"]


@dataclass(frozen=True)
class FieldStep:
    """One step of the field programme.

    Attributes
    ----------
    kind : str
        "hold" keeps the vector; "ramp" goes there in a straight line from the value before (from
        zero at the start); "oscillate" is the vector times cos(2 pi f t + phase), t from the start
        of the step; "rotate" is the vector turned about the axis by 2 pi f t + phase; "follow" is
        what moving magnets make, see `sim.magnets.moving_field`.
    duration : float
        Length of the step in s; a steady field is one endless hold.
    vector : tuple of float
        Applied flux density (B_x, B_y, B_z) in T, held, reached at the end, or at the angle 0; of
        "follow" the largest one.
    frequency : float
        In Hz, of the last three kinds; of "follow" that of a turning field of this size which
        changes as fast as this one does at its fastest.
    phase : float
        In rad, of "oscillate" and "rotate".
    axis : tuple of float
        Unit vector at right angles to the vector, about which "rotate" turns it (right-handed).
    steepest : float
        Largest component of the gradient in T/m, of "follow".
    """

    kind: Literal["hold", "ramp", "oscillate", "rotate", "follow"]
    duration: float
    vector: tuple[float, float, float]
    frequency: float = 0.0
    phase: float = 0.0
    axis: tuple[float, float, float] = (0.0, 0.0, 1.0)
    steepest: float = 0.0

    @property
    def strength(self) -> float:
        """Magnitude of the vector in T."""
        return math.hypot(*self.vector)

    def turning_parts(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Return the parts (a, b) in T of a cos(2 pi f t) + b sin(2 pi f t) of the last kinds."""
        (x, y, z), (i, j, k) = self.vector, self.axis
        ahead = (j * z - k * y, k * x - i * z, i * y - j * x)
        if self.kind == "oscillate":
            ahead = (0.0, 0.0, 0.0)
        c, s = math.cos(self.phase), math.sin(self.phase)
        first = tuple(c * a + s * b for a, b in zip(self.vector, ahead, strict=True))
        then = tuple(c * b - s * a for a, b in zip(self.vector, ahead, strict=True))
        return (first[0], first[1], first[2]), (then[0], then[1], then[2])


@dataclass(frozen=True)
class FieldParameters:
    """The applied field outside the film.

    Attributes
    ----------
    steps : tuple of FieldStep
        The programme, at least one step; after the last one its value stays.
    direction : tuple of float
        Unit vector of the largest field; a zero field keeps the direction it was given.
    gradient : tuple of float
        dB_a/dx_b as (xx, yy, zz, xy, xz, yz) in T/m, steady, or that of moving magnets at the
        start; the steps hold in the mid-plane.
    """

    steps: tuple[FieldStep, ...]
    direction: tuple[float, float, float]
    gradient: tuple[float, float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

    @property
    def is_followed(self) -> bool:
        """Whether it is the field of magnets that move."""
        return self.steps[0].kind == "follow"

    @property
    def steepest(self) -> float:
        """Largest component of the gradient in T/m, at any time."""
        return max(*map(abs, self.gradient), *(step.steepest for step in self.steps))

    @property
    def largest(self) -> float:
        """Largest strength of the programme in T."""
        return max(step.strength for step in self.steps)

    @property
    def shortest_period(self) -> float:
        """Shortest period in s of a field that oscillates, turns or follows; infinite else."""
        frequency = max(step.frequency for step in self.steps)
        return 1.0 / frequency if frequency > 0.0 else math.inf
