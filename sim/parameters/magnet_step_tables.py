"""The steps by which a magnet or coil of a parameter file moves in time."""

from __future__ import annotations

from typing import Annotated, TypeAlias

from sim.parameters.compound import Direction, Lengths
from sim.parameters.field_tables import step_frequency, step_phase
from sim.parameters.table import Table
from sim.parameters.table import default as _default
from sim.parameters.values import Choice, Number, Quantity

__all__ = ["COORDINATE", "MagnetStepTable"]

Vector: TypeAlias = tuple[float, float, float]

COORDINATE = Quantity("length", -1.0, 1.0, "5 mm", "")


class MagnetStepTable(Table):
    """One step of the motion of a magnet or coil, or of the drive of a coil."""

    motion: Annotated[
        str,
        Choice(
            ("hold", "slide", "turn", "oscillate", "ramp"),
            "slide goes to a position in a straight line (approach, retreat, pass by), turn turns "
            "about an axis, oscillate makes the current of a coil swing as cos(2 pi frequency t + "
            "phase), ramp takes it to a share of itself, hold waits.",
        ),
    ] = _default("hold")
    duration: Annotated[float, Quantity("time", 1e-12, 1e6, "1 ms", "Length of the step.")]
    start: Annotated[
        float | None,
        Quantity(
            "time", 0.0, 1e6, "2 ms", "When it begins; left out, at the end of the step before."
        ),
    ] = None
    position: Annotated[
        Vector | None,
        Lengths(
            COORDINATE,
            ("0 mm", "0 mm", "-12 mm"),
            "Where slide ends, for the position of the magnet.",
        ),
    ] = None
    axis: Annotated[
        Vector | None, Direction("Axis about which turn turns, right-handed; left out, y.")
    ] = None
    pivot: Annotated[
        Vector | None,
        Lengths(
            COORDINATE,
            ("0 mm", "0 mm", "0 mm"),
            "A point on that axis; left out, the position of the magnet.",
        ),
    ] = None
    rate: Annotated[float | None, step_frequency("2 Hz", "Turns", "turn")] = None
    angle: Annotated[
        float | None,
        Quantity(
            "angle", -1e6, 1e6, "90 deg", "Angle of the whole step, instead of rate; for turn."
        ),
    ] = None
    frequency: Annotated[float | None, step_frequency("50 Hz")] = None
    phase: Annotated[float | None, step_phase()] = None
    share: Annotated[
        float | None,
        Number(-10.0, 10.0, 0.5, "Of the current or strength, at the end of ramp."),
    ] = None
