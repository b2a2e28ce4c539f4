"""The table of a parameter file on the applied field, and the steps of its programme."""

from __future__ import annotations

from typing import Annotated, TypeAlias

from pydantic import Field

from sim.parameters.compound import Direction, Gradient
from sim.parameters.table import Table
from sim.parameters.table import default as _default
from sim.parameters.values import Choice, Quantity

__all__ = ["FieldTable", "StepTable", "step_frequency", "step_phase"]

Vector: TypeAlias = tuple[float, float, float]

_STRENGTH = Quantity("field", 0.0, 10.0, "30 mT", "Applied field outside the film.")
_DIRECTION = Direction("Direction of the field; z is across the film.")
_TILT = Quantity(
    "angle", -1.5707963267948966, 1.5707963267948966, "0 deg", "Tilt out of the film plane."
)
_SWINGING = "the kinds oscillate and rotate"
_TURN = 6.283185307179586
_AZIMUTH = Quantity("angle", -_TURN, _TURN, "0 deg", "Angle in the plane from x towards y.")


def step_frequency(example: str, of: str = "Periods", kinds: str = "oscillate") -> Quantity:
    """Describe a frequency of a step of these kinds."""
    return Quantity("frequency", 1e-6, 1e12, example, f"{of} a second; for {kinds}.")


def step_phase(kinds: str = "oscillate") -> Quantity:
    """Describe the phase with which a step of these kinds begins."""
    return Quantity(
        "angle", -_TURN, _TURN, "90 deg", f"Angle at the start of the step; for {kinds}."
    )


class StepTable(Table):
    """One step of a field programme."""

    kind: Annotated[
        str,
        Choice(
            ("hold", "ramp", "oscillate", "rotate"),
            "hold keeps the field, ramp goes to it from the step before (from zero at the start), "
            "oscillate makes it swing as cos(2 pi frequency t + phase), rotate turns it about the "
            "axis.",
        ),
    ] = _default("hold")
    duration: Annotated[float, Quantity("time", 1e-12, 1e6, "50 us", "Length of the step.")]
    strength: Annotated[float, _STRENGTH]
    direction: Annotated[Vector | None, _DIRECTION] = None
    tilt: Annotated[float | None, _TILT] = None
    azimuth: Annotated[float | None, _AZIMUTH] = None
    frequency: Annotated[float | None, step_frequency("2 kHz", kinds=_SWINGING)] = None
    phase: Annotated[float | None, step_phase(_SWINGING)] = None
    axis: Annotated[
        Vector | None,
        Direction("Normal of the plane in which the field turns, right-handed; for rotate."),
    ] = None


class FieldTable(Table):
    """The applied uniform field: steady, or a programme of steps."""

    strength: Annotated[float, _STRENGTH] = _default("0 mT")
    direction: Annotated[Vector | None, _DIRECTION] = None
    tilt: Annotated[float | None, _TILT] = None
    azimuth: Annotated[float | None, _AZIMUTH] = None
    gradient: Annotated[
        float | tuple[float, ...] | None,
        Gradient(
            Quantity("field_gradient", -1e6, 1e6, "10 T/m", ""),
            "Steady change of the field with the place: along gradient_direction, as on the axis "
            "of a round magnet, or all components dB_a/dx_b.",
        ),
    ] = None
    gradient_direction: Annotated[
        Vector, Direction("Axis of the gradient; z is across the film.")
    ] = _default([0, 0, 1])
    steps: list[StepTable] = Field(
        default=[],
        max_length=10_000,
        description="Field programme, in order; after the last step its field stays.",
    )
