"""The tables of a parameter file on magnets, coils and the cell above them."""

from __future__ import annotations

from typing import Annotated, TypeAlias

from pydantic import Field

from sim.magnets.shapes import MOST_MAGNETS
from sim.parameters.compound import Direction, Lengths, Sides
from sim.parameters.field_tables import step_frequency, step_phase
from sim.parameters.table import Table
from sim.parameters.table import default as _default
from sim.parameters.values import Choice, Number, Quantity, WholeNumber, Words

__all__ = ["COORDINATE", "MOST_STEPS", "CellTable", "MagnetStepTable", "MagnetTable"]


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


MOST_STEPS = 1000

_SIZE = Quantity("length", 1e-5, 1.0, "10 mm", "")


def _size(about: str, example: str = "10 mm") -> Quantity:
    return Quantity("length", _SIZE.low, _SIZE.high, example, about)


class MagnetTable(Table):
    """One magnet or coil, or an array of equal ones."""

    kind: Annotated[
        str,
        Choice(
            (
                "sphere",
                "block",
                "disc",
                "ring",
                "loop",
                "soft_iron_sphere",
                "uniform",
                "table",
            ),
            "Shape of a magnet; loop is a thin round coil, soft_iron_sphere is magnetised by the "
            "others, uniform is a field without a place, as between two large coils, "
            "table is a measured field in a file.",
        ),
    ]
    position: Annotated[
        Vector,
        Lengths(
            COORDINATE,
            ("0 mm", "0 mm", "-8 mm"),
            "Centre of the magnet, from the centre of the cell; z = 0 is the middle of the film.",
        ),
    ] = _default(["0 mm", "0 mm", "0 mm"])
    direction: Annotated[
        Vector,
        Direction("Direction of the magnetisation, or of a uniform field, before it is turned."),
    ] = _default([0, 0, 1])
    remanence: Annotated[
        float | None,
        Quantity("field", 1e-3, 3.0, "1.2 T", "Remanence of a permanent magnet."),
    ] = None
    energy_product: Annotated[
        float | None,
        Quantity(
            "energy_product",
            1e3,
            8e5,
            "42 MGOe",
            "Strength of its grade, (BH)max, in place of the remanence, which is then "
            "sqrt(4 mu0 1.05 (BH)max); good for neodymium, samarium-cobalt and ferrite, not for "
            "alnico.",
        ),
    ] = None
    diameter: Annotated[
        float | None, _size("Diameter of a sphere, disc, ring (its outer one) or loop.")
    ] = None
    inner_diameter: Annotated[float | None, _size("Diameter of the hole of a ring.", "5 mm")] = None
    height: Annotated[
        float | None, _size("Height of a disc or ring along its axis, z.", "5 mm")
    ] = None
    sides: Annotated[
        Vector | None,
        Lengths(_SIZE, ("10 mm", "10 mm", "5 mm"), "Sides (x, y, z) of a block before turning."),
    ] = None
    current: Annotated[
        float | None,
        Quantity("current", -1e6, 1e6, "20 A", "Current of a loop, times its turns."),
    ] = None
    strength: Annotated[
        float | None, Quantity("field", 0.0, 10.0, "30 mT", "Strength of a uniform field.")
    ] = None
    permeability: Annotated[
        float, Number(1.0, 1e6, 1000.0, "Relative permeability of a soft-iron sphere.")
    ] = _default(1000.0)
    saturation: Annotated[
        float, Quantity("field", 1e-3, 3.0, "2.1 T", "Largest polarisation of soft iron.")
    ] = _default("2.1 T")
    file: Annotated[
        str | None,
        Words(
            4000,
            "field.csv",
            "Table of a measured field beside this file: x (mm), y (mm), z (mm), Bx (mT), ... on a "
            "regular grid; position is where its origin lies.",
        ),
    ] = None
    turn: Annotated[
        float,
        Quantity(
            "angle",
            -6.283185307179586,
            6.283185307179586,
            "90 deg",
            "Angle by which the magnet is turned, with its magnetisation, about turn_axis.",
        ),
    ] = _default("0 deg")
    turn_axis: Annotated[
        Vector, Direction("Axis through the centre about which it is turned, right-handed.")
    ] = _default([0, 1, 0])
    repeat: Annotated[
        str,
        Choice(
            ("once", "line", "grid", "ring"),
            "Array of equal magnets with its middle at position: a line along step, a grid of "
            "copies along x and rows along y, step apart, or a ring about z whose magnets are "
            "turned with their place.",
        ),
    ] = _default("once")
    copies: Annotated[
        int | None,
        WholeNumber(2, MOST_MAGNETS, 4, "Number of magnets on the line, on the ring or in a row."),
    ] = None
    rows: Annotated[
        int | None, WholeNumber(1, MOST_MAGNETS, 3, "Number of rows of a grid, along y.")
    ] = None
    step: Annotated[
        Vector | None,
        Lengths(
            COORDINATE,
            ("12 mm", "12 mm", "0 mm"),
            "From one magnet to the next on a line; distances along x and y in a grid.",
        ),
    ] = None
    ring_diameter: Annotated[
        float | None, _size("Diameter of the ring on which centres stand.", "30 mm")
    ] = None
    moves_with: Annotated[
        int | None,
        WholeNumber(1, 1000, 1, "Number of the magnet on whose holder it sits, to move with it."),
    ] = None
    steps: list[MagnetStepTable] = Field(
        default=[],
        max_length=MOST_STEPS,
        description="How it moves in time, in order; after the last step it stays.",
    )


class CellTable(Table):
    """The cell over the magnets, of which the film's patch is a small part."""

    width: Annotated[
        tuple[float, float],
        Sides(
            Quantity("length", 1e-5, 1.0, "20 mm", ""),
            "Sides (x, y) of the cell; one length means a square. Its centre is at x = y = 0.",
            ("20 mm", "20 mm"),
        ),
    ] = _default(["20 mm", "20 mm"])
    place: Annotated[
        tuple[float, float],
        Lengths(
            COORDINATE,
            ("5 mm", "0 mm"),
            "Where on the cell the patch lies, from the centre (x, y).",
        ),
    ] = _default(["0 mm", "0 mm"])
