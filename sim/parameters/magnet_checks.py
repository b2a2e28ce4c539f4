"""From the tables [[magnets]] and [cell] to sources of the field, and keys against each other."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.common.arrays import Vector
from sim.magnets.grade import RECOIL_PERMEABILITY, remanence_of
from sim.magnets.maxwell import measured_notices
from sim.magnets.measured import MeasuredField
from sim.magnets.moving_field import spans_of
from sim.magnets.overlap import overlapping
from sim.magnets.shapes import (
    MOST_MAGNETS,
    Block,
    CurrentLoop,
    Disc,
    Magnet,
    MagnetError,
    Ring,
    SoftIronSphere,
    Sphere,
    UniformField,
    field_and_gradient,
)
from sim.parameters.field_types import scaled
from sim.parameters.keys import keys_of
from sim.parameters.magnet_steps import check_motions, check_paths, motion_notices, motions
from sim.parameters.magnet_tables import MagnetTable
from sim.parameters.reading import Reading
from sim.parameters.types import CellParameters, FieldParameters, FieldStep
from sim.physics.field_gradients import six_slopes
from sim.physics.shown import show
from sim.physics.uniaxial_gradient import Gradient
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from scipy.spatial.transform import Rotation

_GRID = 41
"""Places a side of the cell at which the film must lie outside the magnets."""


def magnets(reading: Reading) -> tuple[Magnet, ...]:
    """Give the sources of a file without mistakes, arrays as their single magnets."""
    return tuple(magnet for _, magnet in numbered_magnets(reading))


def numbered_magnets(reading: Reading) -> list[tuple[int, Magnet]]:
    """Give the number of its table in the file, and each single magnet."""
    if reading.sources is None:
        reading.sources = [
            (number, dataclasses.replace(magnet, motion=motion))
            for number, (values, motion) in enumerate(
                zip(reading.magnets, motions(reading), strict=True), start=1
            )
            for magnet in _array(values)
        ]
    return reading.sources


def cell(reading: Reading) -> CellParameters:
    """Give what [cell] says of a file without mistakes."""
    return CellParameters(**reading.table("cell"))


@lru_cache(maxsize=8)
def field_of_magnets(sources: tuple[Magnet, ...], where: CellParameters) -> FieldParameters:
    """Give the field and gradient that magnets make in the middle of the patch.

    Parameters
    ----------
    sources : tuple of Magnet
        The magnets and coils.
    where : CellParameters
        The cell and the place of the patch on it.

    Returns
    -------
    FieldParameters
        In T and T/m: one endless step, or one for each span of the programme of moving magnets.
    """
    if any(magnet.motion is not None for magnet in sources):
        return _moving_field(sources, where)
    field, slopes = field_and_gradient(sources, np.array([[*where.place, 0.0]]))
    x, y, z = (float(part) for part in field[0])
    steady = FieldStep("hold", math.inf, (x, y, z))
    return FieldParameters((steady,), _direction((x, y, z)), _gradient(six_slopes(slopes)[0]))


def _moving_field(sources: tuple[Magnet, ...], where: CellParameters) -> FieldParameters:
    spans = spans_of(sources, where.place)
    steps = tuple(
        FieldStep(
            "follow", span.duration, span.largest, span.pace, axis=span.turning.axis,
            steepest=float(np.abs(span.samples[:, 3:]).max()),
        )
        for span in spans
    )  # fmt: skip
    largest = max(steps, key=lambda step: step.strength)
    return FieldParameters(steps, _direction(largest.vector), _gradient(spans[0].samples[0, 3:]))


def _direction(field: Vector) -> Vector:
    x, y, z = field
    strength = math.hypot(x, y, z)
    return (x / strength, y / strength, z / strength) if strength > 0.0 else (1.0, 0.0, 0.0)


def _gradient(slopes: np.ndarray[Any, Any]) -> Gradient:
    xx, yy, zz, xy, xz, yz = (float(part) for part in slopes)
    return xx, yy, zz, xy, xz, yz


def check_magnets(reading: Reading) -> Iterator[str]:
    """Find keys of [[magnets]] and [cell] that do not go together, with [field] and the film.

    Parameters
    ----------
    reading : Reading
        What could be read from the file.

    Yields
    ------
    str
        One sentence a contradiction.
    """
    if reading.has("cell", "width", "place"):
        yield from _check_place(cell(reading))
    if not reading.magnets:
        return
    given = reading.raw.get("field")
    if isinstance(given, Mapping) and given:
        yield (
            "[field] must be left out beside [[magnets]], which make the field; received "
            f"{', '.join(str(key) for key in given)}."
        )
    found = [
        sentence
        for number, values in enumerate(reading.magnets, start=1)
        for sentence in _check_keys(f"[[magnets]] number {number}", values)
    ]
    found += check_motions(reading)
    is_whole = not any(mistake.startswith("[[magnets]]") for mistake in reading.missing)
    if not found and is_whole:
        found += _check_number(reading)
    yield from found
    if found or not is_whole:
        return
    if reading.has("cell", "width", "place") and reading.has("film", "thickness"):
        yield from _check_film(reading)


def magnet_notices(reading: Reading) -> Iterator[str]:
    """Name keys of magnets that are not used, and magnets that overlap."""
    if reading.given("cell", "width", "place") and not reading.magnets:
        yield "[cell] is not used without [[magnets]]."
    for number, values in enumerate(reading.magnets, start=1):
        if _is_permanent(values) and values.energy_product is not None:
            yield _grade_notice(number, values.energy_product)
    yield from motion_notices(reading)
    for number, magnet in numbered_magnets(reading):
        if isinstance(magnet, MeasuredField):
            yield from measured_notices(f"[[magnets]] number {number}", magnet, cell(reading))
    for first, second in sorted(overlapping(numbered_magnets(reading))):
        pair = (
            f"number {first} and {second} overlap"
            if first != second
            else (f"number {first} overlaps its own copies")
        )
        yield (
            f"[[magnets]] {pair}: the fields of both are added all the same, which no real magnets "
            "make."
        )


def _grade_notice(number: int, energy_product: float) -> str:
    remanence = format_quantity(remanence_of(energy_product), "field")
    return (
        f"[[magnets]] number {number} energy_product is taken as a remanence of {remanence}, that "
        f"of a straight demagnetisation curve with a recoil permeability of {RECOIL_PERMEABILITY:g}"
        "."
    )


def _is_permanent(values: MagnetTable) -> bool:
    return values.kind in keys_of(MagnetTable)["remanence"].only


def _check_place(where: CellParameters) -> Iterator[str]:
    for name, side, place in zip("xy", where.width, where.place, strict=True):
        if abs(place) > 0.5 * side:
            half = format_quantity(0.5 * side, "length")
            yield (
                f"[cell] place must lie on the cell, with {name} from -{half} to {half}; received "
                f"{format_quantity(place, 'length')}."
            )


def _check_keys(label: str, values: MagnetTable) -> Iterator[str]:
    if _is_permanent(values):
        if values.remanence is None and values.energy_product is None:
            yield (
                f'{label} remanence or energy_product is missing; kind = "{values.kind}" needs it, '
                f"such as {show(keys_of(MagnetTable)['remanence'].example)}."
            )
        elif None not in (values.remanence, values.energy_product):
            received = format_quantity(values.energy_product, "energy_product")
            yield (
                f"{label} energy_product must be left out beside remanence, which follows from "
                f"it; received {received}."
            )
    if values.kind == "table":
        moved = [key for key in ("turn", "steps", "moves_with") if getattr(values, key)]
        moved += ["repeat"] if values.repeat != "once" else []
        for key in moved:
            yield f"{label} {key} must be left out for a measured field, which stays where it is."
    outer, inner = values.diameter, values.inner_diameter
    if values.kind == "ring" and None not in (outer, inner) and inner >= outer:
        yield (
            f"{label} inner_diameter must be below the diameter of "
            f"{format_quantity(outer, 'length')}; received {format_quantity(inner, 'length')}."
        )


def _check_number(reading: Reading) -> Iterator[str]:
    """Refuse more single magnets than can be summed in minutes."""
    single = [_copies(values) for values in reading.magnets]
    if sum(single) > MOST_MAGNETS:
        number = single.index(max(single)) + 1
        yield (
            f"[[magnets]] must be at most {MOST_MAGNETS} single magnets in all; copies and rows "
            f"make {sum(single)} of them, number {number} alone {max(single)}."
        )


def _copies(values: MagnetTable) -> int:
    """Count the single magnets of one table."""
    numbers = {"once": (), "line": ("copies",), "ring": ("copies",), "grid": ("copies", "rows")}
    return math.prod(getattr(values, key) for key in numbers[values.repeat])


def _check_film(reading: Reading) -> Iterator[str]:
    """Refuse a film that a magnet reaches into, and a field that cannot be computed."""
    where, half = cell(reading), 0.5 * reading.get("film", "thickness")
    grid = _film_grid(where, half)
    for number, magnet in numbered_magnets(reading):
        points = np.vstack([grid, _nearest_in_film(magnet, where, half)])
        if np.any(magnet.clearance(points) <= 0.0):
            x, y, z = (format_quantity(part, "length") for part in magnet.position)
            yield (
                f"[[magnets]] number {number} position must leave the film outside the magnet; "
                f"received ({x}, {y}, {z}), from where this {magnet.kind} reaches into it."
            )
            return
    paths = list(check_paths(numbered_magnets(reading), where, half))
    yield from paths
    if paths or any(True for _ in _check_place(where)):
        return
    try:
        field_of_magnets(magnets(reading), where)
        for magnet in magnets(reading):
            if isinstance(magnet, MeasuredField):
                magnet.field(np.array([[*where.place, -half], [*where.place, half]]))
    except MagnetError as error:
        yield f"[[magnets]]: {error}"


def _film_grid(where: CellParameters, half: float) -> np.ndarray[Any, Any]:
    """Places in the film: a grid over the cell on both windows, and the middle of the patch."""
    x, y = (np.linspace(-0.5 * side, 0.5 * side, _GRID) for side in where.width)
    grid = np.stack(np.meshgrid(x, y, [-half, 0.0, half]), axis=-1).reshape(-1, 3)
    return np.vstack([grid, [*where.place, 0.0]])


def _nearest_in_film(magnet: Magnet, where: CellParameters, half: float) -> np.ndarray[Any, Any]:
    """Give the place in the film that is nearest the centre of a magnet."""
    limit = np.array([0.5 * where.width[0], 0.5 * where.width[1], half])
    return np.clip(magnet.position, -limit, limit)


def _array(values: MagnetTable) -> Iterator[Magnet]:
    """Give the single magnets of one table."""
    from scipy.spatial.transform import Rotation

    turned = Rotation.from_rotvec(np.multiply(values.turn, values.turn_axis))
    for shift, about_z in _places(values):
        position = np.add(values.position, shift)
        yield _one(values, position, Rotation.from_rotvec([0.0, 0.0, about_z]) * turned)


def _places(values: MagnetTable) -> Iterator[tuple[Vector, float]]:
    """Give the shift (m) from the middle of the array and the turn about z (rad) of each."""
    kind, copies = values.repeat, values.copies
    if kind == "once":
        yield (0.0, 0.0, 0.0), 0.0
    elif kind == "ring":
        radius = 0.5 * values.ring_diameter
        for angle in 2.0 * math.pi * np.arange(copies) / copies:
            yield (radius * math.cos(angle), radius * math.sin(angle), 0.0), float(angle)
    else:
        dx, dy, dz = values.step
        rows = values.rows if kind == "grid" else 1
        for row in np.arange(rows) - 0.5 * (rows - 1):
            for at in np.arange(copies) - 0.5 * (copies - 1):
                across = row * dy if kind == "grid" else at * dy
                yield (float(at * dx), float(across), float(at * dz if kind == "line" else 0)), 0.0


def _one(values: MagnetTable, position: np.ndarray[Any, Any], turned: Rotation) -> Magnet:
    """Give one magnet."""
    x, y, z = (float(part) for part in position)
    a, b, c = (float(part) for part in turned.as_rotvec())
    place: dict[str, Any] = {"position": (x, y, z), "rotation": (a, b, c)}
    kind = values.kind
    if kind == "table":
        return MeasuredField.of((x, y, z), values.file)
    if kind == "loop":
        return CurrentLoop(**place, diameter=values.diameter, current=values.current)
    if kind == "soft_iron_sphere":
        given = {key: getattr(values, key) for key in ("diameter", "permeability", "saturation")}
        return SoftIronSphere(**place, **given)
    if kind == "uniform":
        return UniformField(**place, strength=scaled(values.strength, values.direction))
    shape: type[Any] = {"sphere": Sphere, "block": Block, "disc": Disc, "ring": Ring}[kind]
    sizes = {
        name: getattr(values, name)
        for name, key in keys_of(MagnetTable).items()
        if key.is_needed and key.only[0] == "kind" and kind in key.only
    }
    remanence = values.remanence or remanence_of(values.energy_product)
    polarisation = scaled(remanence, values.direction)
    magnet: Magnet = shape(**place, polarisation=polarisation, **sizes)
    return magnet
