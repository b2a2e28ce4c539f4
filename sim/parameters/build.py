"""From the checked values of a file to the frozen `Parameters`, with notices for unused keys."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping
from typing import Any

from sim.parameters.beads import bead_notices
from sim.parameters.checks import field_direction, in_plane, is_sampled, sizes
from sim.parameters.forces import electrostatics, force_notices, gravity, van_der_waals
from sim.parameters.magnet_checks import cell, field_of_magnets, magnet_notices, magnets
from sim.parameters.optics_table import optics
from sim.parameters.particle_types import ParticleParameters
from sim.parameters.table import Reading
from sim.parameters.types import (
    BondParameters,
    CarrierParameters,
    DipoleParameters,
    ElectrostaticParameters,
    FieldParameters,
    FieldStep,
    FilmParameters,
    OutputParameters,
    Parameters,
    RepulsionParameters,
    RunParameters,
    StartParameters,
    VanDerWaalsParameters,
    WindowParameters,
)
from sim.physics.material import MATERIALS
from sim.physics.uniaxial_gradient import uniaxial_gradient
from sim.physics.units import format_quantity, parse

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
        field=_with_gradient(reading, _field(reading)),
        magnets=magnets(reading),
        cell=cell(reading),
        dipoles=DipoleParameters(**_table(reading, "dipoles")),
        run=RunParameters(**_table(reading, "run")),
        output=OutputParameters(**_table(reading, "output")),
        start=StartParameters(**_table(reading, "start")),
        bonds=_bonds(reading, carrier.temperature),
        sweep=dict(reading.raw.get("sweep", {})),
        text=text,
        name=name,
        notices=tuple(_notices(reading)),
        windows=WindowParameters(**_table(reading, "windows")),
        van_der_waals=van_der_waals(reading) or VanDerWaalsParameters(),
        electrostatics=electrostatics(reading) or ElectrostaticParameters(),
        gravity=gravity(reading),
        optics=optics(reading),
    )


def _table(reading: Reading, name: str) -> dict[str, Any]:
    return {key: value for (table, key), value in reading.values.items() if table == name}


def _particles(reading: Reading) -> ParticleParameters:
    values = _table(reading, "particles")
    law = sizes(reading)
    if law is None:
        raise ValueError("the reading must be without mistakes; received one with mistaken sizes.")
    del values["size_basis"]
    values["core_diameter"], values["size_spread"] = law.core_diameter, law.size_spread
    values["size_table"] = law.table
    del values["bead_diameter"]
    values["small_core_diameter"], values["magnetic_share"] = law.small_core, law.share
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


def _bonds(reading: Reading, temperature: float) -> BondParameters:
    values = _table(reading, "bonds")
    limit = values.pop("energy")
    values["energy_kt"] = None if limit in (None, "auto") else parse(limit, "energy", temperature)
    return BondParameters(**values)


def _field(reading: Reading) -> FieldParameters:
    if reading.magnets:
        return field_of_magnets(magnets(reading), cell(reading))
    table = _table(reading, "field")
    base = field_direction(table, (1.0, 0.0, 0.0))
    if not reading.steps:
        steady = FieldStep("hold", math.inf, _scaled(table["strength"], base))
        return FieldParameters((steady,), base)
    steps = []
    largest, direction = -1.0, base
    for values in reading.steps:
        own = field_direction(values, base)
        if values["strength"] > largest:
            largest, direction = values["strength"], own
        steps.append(_step(values, own))
    return FieldParameters(tuple(steps), direction)


def _with_gradient(reading: Reading, field: FieldParameters) -> FieldParameters:
    """Give the field its gradient."""
    given = reading.get("field", "gradient")
    if given is None:
        return field
    if isinstance(given, float):
        given = uniaxial_gradient(given, reading.get("field", "gradient_direction"))
    return dataclasses.replace(field, gradient=given)


def _step(values: Mapping[str, Any], direction: Vector) -> FieldStep:
    """Give one step; a field that turns starts from the part of its direction in its plane."""
    kind, duration, strength = values["kind"], values["duration"], values["strength"]
    if kind in ("hold", "ramp"):
        return FieldStep(kind, duration, _scaled(strength, direction))
    axis = values["axis"] or (0.0, 0.0, 1.0)
    if kind == "rotate":
        direction = in_plane(direction, axis) or direction
    return FieldStep(
        kind, duration, _scaled(strength, direction), values["frequency"],
        values["phase"] or 0.0, axis,
    )  # fmt: skip


def _scaled(strength: float, direction: Vector) -> Vector:
    x, y, z = direction
    return strength * x, strength * y, strength * z


def _unused(reading: Reading, table: str, choice: str, unused: dict[str, str]) -> Iterator[str]:
    """Name the keys that a table gives although its chosen kind does not use them."""
    chosen = reading.get(table, choice)
    for key in reading.given(table, *filter(None, [unused.get(chosen)])):
        yield f'[{table}] {key} is not used with {choice} = "{chosen}".'


def _unused_of_run(reading: Reading) -> Iterator[str]:
    """Name the keys of the run that its dynamics does not use."""
    limits = ("structures", "sweeps", "wall_time")
    unused = {
        "brownian": ("mass_factor", *limits),
        "langevin": limits,
        "monte_carlo": ("mass_factor",),
    }
    for key in unused[reading.get("run", "dynamics")]:
        yield from _unused(reading, "run", "dynamics", {reading.get("run", "dynamics"): key})


def _notices(reading: Reading) -> Iterator[str]:
    """Say what the reader should know about a faultless file."""
    if "sweep" in reading.raw:
        yield "[sweep] is ignored by a single run; `chainfilm sweep` uses it."
    yield from _unused(reading, "repulsion", "kind", {"soft_core": "grafting_density"})
    if reading.given("repulsion", "strength") and reading.get("repulsion", "kind") == "surfactant":
        yield '[repulsion] strength acts only at the windows with kind = "surfactant".'
    sums = {"cutoff": "tolerance", "exact": "cutoff_diameters", "mesh": "cutoff_diameters"}
    yield from _unused(reading, "dipoles", "sum", sums)
    yield from _unused_of_run(reading)
    yield from _unused(reading, "start", "kind", {"random": "path", "lattice": "path"})
    yield from bead_notices(reading)
    yield from _unused(reading, "bonds", "kind", {"distance": "energy", "energy": "alignment"})
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
    for index, step in enumerate(reading.steps):
        turning = {"oscillate": ("axis",), "rotate": ()}
        for key in turning.get(step["kind"], ("frequency", "phase", "axis")):
            if step[key] is not None:
                yield (
                    f"[[field.steps]] number {index + 1} {key} is not used with "
                    f'kind = "{step["kind"]}".'
                )
    lasting = sum(step["duration"] for step in reading.steps)
    duration = reading.get("run", "duration")
    if lasting > duration * (1.0 + 1e-9) and not is_sampled(reading):
        yield (
            f"[field] steps last {format_quantity(lasting, 'time')} and the run only "
            f"{format_quantity(duration, 'time')}: the rest of the programme is not used."
        )


def _is_directed(step: Mapping[str, Any]) -> bool:
    return any(step[key] is not None for key in ("direction", "tilt", "azimuth"))
