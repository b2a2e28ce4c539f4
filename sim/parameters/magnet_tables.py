"""The tables of a parameter file on magnets and coils; `[cell]` is in `sim.parameters.types`."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias, get_args

from analysis.common.arrays import Vector
from sim.magnets.shapes import MOST_MAGNETS
from sim.parameters.compound import Direction, Lengths
from sim.parameters.field_types import FREQUENCY, PHASE
from sim.parameters.keys import NEEDED, IfNeeded, Tables, key
from sim.parameters.types import COORDINATE
from sim.parameters.values import Choice, FileName, Number, Quantity, WholeNumber

Motion: TypeAlias = Literal["hold", "slide", "turn", "oscillate", "ramp"]

_PERMANENT = ("kind", "sphere", "block", "disc", "ring")
_SIZE = Quantity("length", 1e-5, 1.0, "10 mm")
_SMALL = Quantity("length", 1e-5, 1.0, "5 mm")
_LARGE = Quantity("length", 1e-5, 1.0, "30 mm")


@dataclass(frozen=True, kw_only=True)
class MagnetStepTable:
    """One step of the motion of a magnet or coil, or of the drive of a coil."""

    motion: Motion = key(
        Choice(get_args(Motion)),
        "slide goes to a position in a straight line (approach, retreat, pass by), turn turns "
        "about an axis, oscillate makes the current of a coil swing as cos(2 pi frequency t + "
        "phase), ramp takes it to a share of itself, hold waits.",
        "hold",
    )
    duration: float = key(Quantity("time", 1e-12, 1e6, "1 ms"), "Length of the step.")
    start: float | None = key(
        Quantity("time", 0.0, 1e6, "2 ms"),
        "When it begins; left out, at the end of the step before.",
        None,
    )
    position: Vector | None = key(
        Lengths(COORDINATE, ("0 mm", "0 mm", "-12 mm")),
        "Where it ends, for the position of the magnet.",
        NEEDED,
        only=("motion", "slide"),
    )
    axis: Vector | None = key(
        Direction((0, 1, 0)),
        "Axis of the turn, right-handed; left out, y.",
        None,
        only=("motion", "turn"),
    )
    pivot: Vector | None = key(
        Lengths(COORDINATE, ("0 mm", "0 mm", "0 mm")),
        "A point on that axis; left out, the position of the magnet.",
        None,
        only=("motion", "turn"),
    )
    rate: IfNeeded = key(
        replace(FREQUENCY, example="2 Hz"), "Turns per second.", None, only=("motion", "turn")
    )
    angle: IfNeeded = key(
        Quantity("angle", -1e6, 1e6, "90 deg"),
        "Angle of the whole step, instead of rate.",
        None,
        only=("motion", "turn"),
    )
    frequency: IfNeeded = key(
        replace(FREQUENCY, example="50 Hz"),
        "Periods per second.",
        NEEDED,
        only=("motion", "oscillate"),
    )
    phase: float | None = key(
        PHASE, "Angle at the start of the step.", None, only=("motion", "oscillate")
    )
    share: float | None = key(
        Number(-10.0, 10.0, 0.5),
        "Of the current or strength, at the end of the step.",
        NEEDED,
        only=("motion", "ramp"),
    )


@dataclass(frozen=True, kw_only=True)
class MagnetTable:
    """One magnet or coil, or an array of equal ones."""

    kind: str = key(
        Choice(("sphere", "block", "disc", "ring", "loop", "soft_iron_sphere", "uniform", "table")),
        "Shape of a magnet; loop is a thin round coil, soft_iron_sphere is magnetised by the "
        "others, uniform is a field without a place, as between two large coils, "
        "table is a measured field in a file.",
    )
    position: Vector = key(
        Lengths(COORDINATE, ("0 mm", "0 mm", "-8 mm")),
        "Centre of the magnet, from the centre of the cell; z = 0 is the middle of the film.",
        ["0 mm", "0 mm", "0 mm"],
    )
    direction: Vector = key(
        Direction(),
        "Direction of the magnetisation, or of a uniform field, before it is turned.",
        [0, 0, 1],
    )
    remanence: IfNeeded = key(
        Quantity("field", 1e-3, 3.0, "1.2 T"),
        "Remanence of a permanent magnet, as suppliers state it.",
        None,
        only=_PERMANENT,
    )
    energy_product: IfNeeded = key(
        Quantity("energy_product", 1e3, 8e5, "42 MGOe"),
        "Strength of its grade, (BH)max, in place of the remanence, which is then "
        "sqrt(4 mu0 1.05 (BH)max); good for neodymium, samarium-cobalt and ferrite, not for "
        "alnico.",
        None,
        only=_PERMANENT,
    )
    diameter: IfNeeded = key(
        _SIZE,
        "Diameter, of a ring its outer one.",
        NEEDED,
        only=("kind", "sphere", "disc", "ring", "loop", "soft_iron_sphere"),
    )
    inner_diameter: IfNeeded = key(_SMALL, "Diameter of the hole.", NEEDED, only=("kind", "ring"))
    height: IfNeeded = key(
        _SMALL,
        "Height along its axis, z, before turning.",
        NEEDED,
        only=("kind", "disc", "ring"),
    )
    sides: IfNeeded = key(
        Lengths(_SIZE, ("10 mm", "10 mm", "5 mm")),
        "Sides (x, y, z) before turning.",
        NEEDED,
        only=("kind", "block"),
    )
    current: IfNeeded = key(
        Quantity("current", -1e6, 1e6, "20 A"),
        "Current times turns.",
        NEEDED,
        only=("kind", "loop"),
    )
    strength: IfNeeded = key(
        Quantity("field", 0.0, 10.0, "30 mT"),
        "Strength of the field.",
        NEEDED,
        only=("kind", "uniform"),
    )
    permeability: float = key(
        Number(1.0, 1e6, 1000.0),
        "Relative permeability.",
        1000.0,
        only=("kind", "soft_iron_sphere"),
    )
    saturation: float = key(
        Quantity("field", 1e-3, 3.0, "2.1 T"),
        "Largest polarisation.",
        "2.1 T",
        only=("kind", "soft_iron_sphere"),
    )
    file: IfNeeded = key(
        FileName(4000, "field.csv"),
        "Table of a measured field beside this file: x (mm), y (mm), z (mm), Bx (mT), ... on a "
        "regular grid; position is where its origin lies.",
        NEEDED,
        only=("kind", "table"),
    )
    turn: float = key(
        Quantity("angle", -2.0 * math.pi, 2.0 * math.pi, "90 deg"),
        "Angle by which the magnet is turned, with its magnetisation, about turn_axis.",
        "0 deg",
    )
    turn_axis: Vector = key(
        Direction(), "Axis through the centre about which it is turned, right-handed.", [0, 1, 0]
    )
    repeat: str = key(
        Choice(("once", "line", "grid", "ring")),
        "Array of equal magnets with its middle at position: a line along step, a grid of "
        "copies along x and rows along y, step apart, or a ring about z whose magnets are "
        "turned with their place.",
        "once",
    )
    copies: IfNeeded = key(
        WholeNumber(2, MOST_MAGNETS, 4),
        "Number of magnets on the line, on the ring or in a row.",
        NEEDED,
        only=("repeat", "line", "grid", "ring"),
    )
    rows: IfNeeded = key(
        WholeNumber(1, MOST_MAGNETS, 3),
        "Number of rows, along y.",
        NEEDED,
        only=("repeat", "grid"),
    )
    step: IfNeeded = key(
        Lengths(COORDINATE, ("12 mm", "12 mm", "0 mm")),
        "From one magnet to the next on a line; distances along x and y in a grid.",
        NEEDED,
        only=("repeat", "line", "grid"),
    )
    ring_diameter: IfNeeded = key(
        _LARGE,
        "Diameter of the ring on which centres stand.",
        NEEDED,
        only=("repeat", "ring"),
    )
    moves_with: int | None = key(
        WholeNumber(1, 1000, 1),
        "Number of the magnet on whose holder it sits, to move with it.",
        None,
    )
    steps: tuple[MagnetStepTable, ...] = key(
        Tables(MagnetStepTable, "[[magnets.steps]]", 1000),
        "How it moves in time, in order; after the last step it stays.",
        (),
    )
