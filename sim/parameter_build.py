"""From the checked values of a file to the frozen `Parameters`, with notices for unused keys."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from sim.material import MATERIALS
from sim.parameter_checks import sizes
from sim.parameter_reading import Reading
from sim.parameters import (
    BondParameters,
    CarrierParameters,
    DipoleParameters,
    FieldParameters,
    FieldStep,
    FilmParameters,
    OutputParameters,
    Parameters,
    ParticleParameters,
    RepulsionParameters,
    RunParameters,
    StartParameters,
)
from sim.units import format_quantity, parse

__all__ = ["build"]

Vector = tuple[float, float, float]


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
    carrier = CarrierParameters(**_table(reading, "carrier"))
    return Parameters(
        title=reading.get("", "title"),
        particles=_particles(reading),
        carrier=carrier,
        film=FilmParameters(**_table(reading, "film")),
        repulsion=_repulsion(reading, carrier.temperature),
        field=_field(reading),
        dipoles=DipoleParameters(**_table(reading, "dipoles")),
        run=RunParameters(**_table(reading, "run")),
        output=OutputParameters(**_table(reading, "output")),
        start=StartParameters(**_table(reading, "start")),
        bonds=BondParameters(**_table(reading, "bonds")),
        sweep=dict(reading.raw.get("sweep", {})),
        text=text,
        name=name,
        notices=tuple(_notices(reading)),
    )


def _table(reading: Reading, name: str) -> dict[str, Any]:
    return {key: value for (table, key), value in reading.values.items() if table == name}


def _particles(reading: Reading) -> ParticleParameters:
    values = _table(reading, "particles")
    law = sizes(reading)
    if law is None:
        raise ValueError("the reading must be without mistakes; received one with mistaken sizes.")
    del values["size_basis"]
    values["core_diameter"] = law.core_diameter
    named = MATERIALS.get(values["material"])
    for key in ("magnetisation", "anisotropy", "attempt_time", "density"):
        if values[key] is None:
            # A custom material gives all but the attempt time, which differs little.
            values[key] = getattr(named or MATERIALS["magnetite"], key)
    return ParticleParameters(**values)


def _repulsion(reading: Reading, temperature: float) -> RepulsionParameters:
    values = _table(reading, "repulsion")
    values["strength"] = parse(values["strength"], "energy", temperature)
    return RepulsionParameters(**values)


def _direction(values: Mapping[str, Any], default: Vector) -> Vector:
    """Give the unit vector from direction or from tilt (from the plane) and azimuth (x to y)."""
    if values["direction"] is not None:
        x, y, z = values["direction"]
        return x, y, z
    if values["tilt"] is None and values["azimuth"] is None:
        return default
    tilt, azimuth = values["tilt"] or 0.0, values["azimuth"] or 0.0
    across = math.cos(tilt)
    x, y, z = across * math.cos(azimuth), across * math.sin(azimuth), math.sin(tilt)
    return _clean(x), _clean(y), _clean(z)


def _clean(component: float) -> float:
    """Drop the rounding of cos(90 degrees), so that a field across the film has none in it."""
    return component if abs(component) > 1e-15 else 0.0


def _field(reading: Reading) -> FieldParameters:
    table = _table(reading, "field")
    base = _direction(table, (1.0, 0.0, 0.0))
    if not reading.steps:
        steady = FieldStep("hold", math.inf, _scaled(table["strength"], base))
        return FieldParameters((steady,), base)
    steps = []
    largest, direction = -1.0, base
    for values in reading.steps:
        own = _direction(values, base)
        if values["strength"] > largest:
            largest, direction = values["strength"], own
        vector = _scaled(values["strength"], own)
        steps.append(FieldStep(values["kind"], values["duration"], vector))
    return FieldParameters(tuple(steps), direction)


def _scaled(strength: float, direction: Vector) -> Vector:
    x, y, z = direction
    return strength * x, strength * y, strength * z


def _unused(reading: Reading, table: str, choice: str, unused: dict[str, str]) -> Iterator[str]:
    """Name the keys that a table gives although its chosen kind does not use them."""
    chosen = reading.get(table, choice)
    for key in reading.given(table, *filter(None, [unused.get(chosen)])):
        yield f'[{table}] {key} is not used with {choice} = "{chosen}".'


def _notices(reading: Reading) -> Iterator[str]:
    """Say what the reader should know about a faultless file."""
    if "sweep" in reading.raw:
        yield "[sweep] is ignored by a single run; `chainfilm sweep` uses it."
    yield from _unused(reading, "repulsion", "kind", {"soft_core": "grafting_density"})
    if reading.given("repulsion", "strength") and reading.get("repulsion", "kind") == "surfactant":
        yield '[repulsion] strength acts only at the windows with kind = "surfactant".'
    sums = {"cutoff": "tolerance", "exact": "cutoff_diameters"}
    yield from _unused(reading, "dipoles", "sum", sums)
    if reading.given("particles", "density") and reading.get("particles", "material") != "custom":
        yield "[particles] density is not used yet: gravity and inertia are not computed."
    yield from _field_notices(reading)


def _field_notices(reading: Reading) -> Iterator[str]:
    if not reading.given("field", "strength", "steps"):
        yield "[field] gives no strength: the run has no applied field."
    directions = reading.given("field", "direction", "tilt", "azimuth")
    if directions and reading.steps and all(_is_directed(step) for step in reading.steps):
        yield f"[field] {directions[0]} is not used: every step gives its own direction."
    lasting = sum(step["duration"] for step in reading.steps)
    duration = reading.get("run", "duration")
    if lasting > duration * (1.0 + 1e-9):
        yield (
            f"[field] steps last {format_quantity(lasting, 'time')} and the run only "
            f"{format_quantity(duration, 'time')}: the rest of the programme is not used."
        )


def _is_directed(step: Mapping[str, Any]) -> bool:
    return any(step[key] is not None for key in ("direction", "tilt", "azimuth"))
