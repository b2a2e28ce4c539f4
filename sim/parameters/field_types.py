"""The applied field: its keys in the file, steady or a programme of steps, and its values in SI."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

from analysis.common.arrays import Vector
from sim.parameters.compound import Direction, Gradient
from sim.parameters.keys import NEEDED, IfNeeded, Tables, key
from sim.parameters.values import Choice, Quantity

Kind: TypeAlias = Literal["hold", "ramp", "oscillate", "rotate"]

FREQUENCY = Quantity("frequency", 1e-6, 1e12, "2 kHz")
PHASE = Quantity("angle", -2.0 * math.pi, 2.0 * math.pi, "90 deg")
_STRENGTH = Quantity("field", 0.0, 10.0, "30 mT")
_TILT = Quantity("angle", -0.5 * math.pi, 0.5 * math.pi, "0 deg")
_AZIMUTH = Quantity("angle", -2.0 * math.pi, 2.0 * math.pi, "0 deg")


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


@dataclass(frozen=True, kw_only=True)
class FieldStepTable:
    """One step of a field programme."""

    kind: Kind = key(
        Choice(get_args(Kind)),
        "hold keeps the field, ramp goes to it from the step before (from zero at the start), "
        "oscillate makes it swing as cos(2 pi frequency t + phase), rotate turns it about the "
        "axis.",
        "hold",
    )
    duration: float = key(Quantity("time", 1e-12, 1e6, "50 us"), "Length of the step.")
    strength: float = key(_STRENGTH, "Applied field outside the film.")
    direction: Vector | None = key(
        Direction(), "Direction of this step; left out, that of [field].", None
    )
    tilt: float | None = key(_TILT, "Tilt of this step out of the film plane.", None)
    azimuth: float | None = key(_AZIMUTH, "Angle of this step from x towards y.", None)
    frequency: IfNeeded = key(
        FREQUENCY, "Periods per second.", NEEDED, only=("kind", "oscillate", "rotate")
    )
    phase: float | None = key(
        PHASE, "Angle at the start of the step.", None, only=("kind", "oscillate", "rotate")
    )
    axis: Vector | None = key(
        Direction((0, 0, 1)),
        "Normal of the plane in which the field turns, right-handed.",
        None,
        only=("kind", "rotate"),
    )

    def along(self, direction: Vector) -> FieldStep:
        """Give its values; a field that turns starts from the part of a direction in its plane."""
        kind, duration = self.kind, self.duration
        if kind in ("hold", "ramp"):
            return FieldStep(kind, duration, scaled(self.strength, direction))
        axis = self.axis or (0.0, 0.0, 1.0)
        if kind == "rotate":
            direction = in_plane(direction, axis) or direction
        vector = scaled(self.strength, direction)
        return FieldStep(kind, duration, vector, self.frequency, self.phase or 0.0, axis)


@dataclass(frozen=True, kw_only=True)
class FieldTable:
    """The applied uniform field: steady, or a programme of steps."""

    strength: float = key(
        _STRENGTH,
        "Applied field outside the film; A/m and Oe are taken as B = mu0 H.",
        "0 mT",
    )
    direction: Vector | None = key(
        Direction(), "Direction of the field; x and y lie in the film, z is across it.", None
    )
    tilt: float | None = key(_TILT, "Tilt out of the film plane, instead of direction.", None)
    azimuth: float | None = key(_AZIMUTH, "Angle in the plane from x towards y, with tilt.", None)
    gradient: float | tuple[float, ...] | None = key(
        Gradient(Quantity("field_gradient", -1e6, 1e6, "10 T/m")),
        "Steady change of the field with the place: along gradient_direction, as on the axis "
        "of a round magnet, or all components dB_a/dx_b.",
        None,
    )
    gradient_direction: Vector = key(
        Direction(), "Axis of the gradient; z is across the film.", [0, 0, 1]
    )
    steps: tuple[FieldStepTable, ...] = key(
        Tables(FieldStepTable, "[[field.steps]]", 10_000),
        "Field programme, in order, instead of strength; after the last step its field stays.",
        (),
    )


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


def field_direction(values: FieldTable | FieldStepTable, default: Vector) -> Vector:
    """Give the unit vector from direction or from tilt (from the plane) and azimuth (x to y)."""
    if values.direction is not None:
        x, y, z = values.direction
        return x, y, z
    if values.tilt is None and values.azimuth is None:
        return default
    tilt, azimuth = values.tilt or 0.0, values.azimuth or 0.0
    across = math.cos(tilt)
    x, y, z = across * math.cos(azimuth), across * math.sin(azimuth), math.sin(tilt)
    return _clean(x), _clean(y), _clean(z)


def _clean(component: float) -> float:
    """Drop the rounding of cos(90 degrees), so that a field across the film has none in it."""
    return component if abs(component) > 1e-15 else 0.0


def scaled(strength: float, direction: Vector) -> Vector:
    """Give the vector of a length along a direction."""
    x, y, z = direction
    return strength * x, strength * y, strength * z


def in_plane(direction: Vector, normal: Vector) -> Vector | None:
    """Give the unit vector of the part of a direction in a plane; None where it is too small."""
    along = sum(a * b for a, b in zip(direction, normal, strict=True))
    x, y, z = (a - along * b for a, b in zip(direction, normal, strict=True))
    length = math.hypot(x, y, z)
    return (x / length, y / length, z / length) if length > 1e-3 else None
