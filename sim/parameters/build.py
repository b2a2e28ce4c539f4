"""From the checked values of a file to the frozen `Parameters`, with notices for unused keys."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import Any

from sim.parameters.checks import sizes
from sim.parameters.field_types import FieldStepTable, FieldTable, field_direction, scaled
from sim.parameters.forces import electrostatics, force_notices
from sim.parameters.keys import filled
from sim.parameters.magnet_checks import cell, field_of_magnets, magnet_notices, magnets
from sim.parameters.reading import Reading
from sim.parameters.tables import TABLES
from sim.parameters.types import (
    ElectrostaticParameters,
    FieldParameters,
    FieldStep,
    Parameters,
    ParticleParameters,
)
from sim.physics.material import MATERIALS
from sim.physics.uniaxial_gradient import uniaxial_gradient
from sim.physics.units import format_quantity

_COMPUTED = ("particles", "field", "electrostatics")
"""Tables whose values do not stand in the file as they are."""


def build(reading: Reading, text: str, name: str) -> Parameters:
    """Put the values of a faultless file together.

    Parameters
    ----------
    reading : Reading
        What was read; without mistakes and contradictions.
    text : str
        The file as read.
    name : str
        Name of the file.

    Returns
    -------
    parameters : Parameters
        Everything in SI.
    """
    plain: dict[str, Any] = {
        name: filled(table, reading.table(name))
        for name, table in TABLES.items()
        if name not in _COMPUTED
    }
    return Parameters(
        title=reading.get("", "title"),
        particles=_particles(reading),
        field=_with_gradient(reading, _field(reading)),
        magnets=magnets(reading),
        electrostatics=electrostatics(reading) or ElectrostaticParameters(),
        sweep=dict(reading.raw.get("sweep", {})),
        text=text,
        name=name,
        notices=tuple(_notices(reading)),
        **plain,
    )


def _particles(reading: Reading) -> ParticleParameters:
    values = reading.table("particles")
    law = sizes(reading)
    if law is None:
        raise ValueError("the reading must be without mistakes; received one with mistaken sizes.")
    values["core_diameter"], values["size_spread"] = law.core_diameter, law.size_spread
    values["magnetic_share"] = law.share
    named = MATERIALS.get(values["material"])
    for key in ("magnetisation", "anisotropy", "attempt_time", "density"):
        if values[key] is None:
            # A custom material gives all but the attempt time, which differs little.
            values[key] = getattr(named or MATERIALS["magnetite"], key)
    found = filled(ParticleParameters, values)
    return dataclasses.replace(found, size_table=law.table, small_core_diameter=law.small_core)


def _field(reading: Reading) -> FieldParameters:
    if reading.magnets:
        return field_of_magnets(magnets(reading), cell(reading))
    table = FieldTable(**reading.table("field"))
    base = field_direction(table, (1.0, 0.0, 0.0))
    if not reading.steps:
        steady = FieldStep("hold", math.inf, scaled(table.strength, base))
        return FieldParameters((steady,), base)
    steps = []
    largest, direction = -1.0, base
    for values in reading.steps:
        own = field_direction(values, base)
        if values.strength > largest:
            largest, direction = values.strength, own
        steps.append(values.along(own))
    return FieldParameters(tuple(steps), direction)


def _with_gradient(reading: Reading, field: FieldParameters) -> FieldParameters:
    """Give the field its gradient."""
    given = reading.get("field", "gradient")
    if given is None:
        return field
    if isinstance(given, float):
        given = uniaxial_gradient(given, reading.get("field", "gradient_direction"))
    return dataclasses.replace(field, gradient=given)


def _notices(reading: Reading) -> Iterator[str]:
    """Say what the reader should know about a faultless file."""
    if "sweep" in reading.raw:
        yield "[sweep] is ignored by a single run; `chainfilm sweep` uses it."
    yield from reading.unused
    if reading.given("repulsion", "strength") and reading.get("repulsion", "kind") == "surfactant":
        yield '[repulsion] strength acts only at the windows with kind = "surfactant".'
    yield from force_notices(reading)
    yield from magnet_notices(reading)
    if (
        reading.get("run", "dynamics") != "langevin"
        and reading.get("gravity", "acceleration") == 0.0
    ):
        for key in reading.given("particles", "density", "shell_density"):
            if key != "density" or reading.get("particles", "material") != "custom":
                yield f"[particles] {key} is not used: neither gravity nor inertia is computed."
    yield from _field_notices(reading)


def _field_notices(reading: Reading) -> Iterator[str]:
    if not reading.given("field", "strength", "steps") and not reading.magnets:
        yield "[field] gives no strength: the run has no applied field."
    directions = reading.given("field", "direction", "tilt", "azimuth")
    if directions and reading.steps and all(_is_directed(step) for step in reading.steps):
        yield f"[field] {directions[0]} is not used: every step gives its own direction."
    if reading.steps and reading.steps[0].kind == "ramp" and reading.get("start", "kind") == "file":
        yield (
            "[[field.steps]] number 1 ramps from no field, whatever the film of [start] was in: "
            "let a hold of that field come first."
        )
    lasting = sum(step.duration for step in reading.steps)
    duration = reading.get("run", "duration")
    if duration is not None and lasting > duration * (1.0 + 1e-9):
        yield (
            f"[field] steps last {format_quantity(lasting, 'time')} and the run only "
            f"{format_quantity(duration, 'time')}: the rest of the programme is not used."
        )


def _is_directed(step: FieldStepTable) -> bool:
    return any(getattr(step, key) is not None for key in ("direction", "tilt", "azimuth"))
