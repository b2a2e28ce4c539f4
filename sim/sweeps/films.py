"""The films of a sweep: the file with the settings of a point and, of an ensemble, each fluid."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import tomli_w

from sim.fluid.ensemble import Fluid, with_fluid, without_amount
from sim.parameters.checks import FRACTIONS, SAMPLED
from sim.parameters.load import from_text
from sim.parameters.named_files import with_whole_paths
from sim.parameters.types import Parameters
from sim.physics.shown import show
from sim.sweeps.keys import RAMP_RATE, ramp_rate, set_ramp_rate
from sim.sweeps.reading import Settings, SweepReading


def with_fluids(
    base: dict[str, Any], fluids: Sequence[Fluid], settings: list[Settings]
) -> list[dict[str, Any]]:
    """Give the tables of the file with each fluid, or its own alone.

    Parameters
    ----------
    base : dict
        Tables of the file without [sweep].
    fluids : sequence of dict
        Those of the ensemble, none without one.
    settings : list of dict
        Those of all points: where they give the amount of particles, it is not that of the fluids.
    """
    if not fluids:
        return [base]
    found = [with_fluid(base, fluid) for fluid in fluids]
    if any(f"particles.{key}" in settings[0] for key in FRACTIONS):
        found = [{**one, "particles": without_amount(one["particles"])} for one in found]
    return found


def film_of(
    parameters: Parameters, base: dict[str, Any], reading: SweepReading, setting: Settings
) -> Parameters:
    """Make the film of a point.

    Parameters
    ----------
    parameters : Parameters
        What was read from the file.
    base : dict
        Its tables without [sweep], with one fluid.
    reading : SweepReading
        Its [sweep] table.
    setting : dict
        Values of the swept keys.

    Raises
    ------
    sim.parameters.toml.ParameterError
        If the film has mistakes.
    """
    tables = base
    for path, value in setting.items():
        if path != RAMP_RATE:
            tables = reading.keys[path].set(tables, value)
    if setting.get("run.dynamics") == SAMPLED:
        tables = _without_times(tables, setting)
    tables = {**tables, "title": _title(parameters.title, setting)}
    tables = with_whole_paths(tables, Path(parameters.folder))  # swept keys may name files too
    name = str(Path(parameters.folder) / parameters.name)
    point = from_text(tomli_w.dumps(tables), name)
    if RAMP_RATE not in setting:
        return point
    vectors = [step.vector for step in point.field.steps]
    rate = ramp_rate(setting[RAMP_RATE])
    tables = set_ramp_rate(tables, vectors, rate, "run.duration" not in setting)
    return from_text(tomli_w.dumps(tables), name)


def _without_times(tables: dict[str, Any], setting: Settings) -> dict[str, Any]:
    """Leave out the times of [run], which are those of the points of the sweep that know times."""
    times = {key for key in ("duration", "time_step") if f"run.{key}" not in setting}
    kept = {key: value for key, value in tables["run"].items() if key not in times}
    return {**tables, "run": kept}


def _title(title: str, setting: Settings) -> str:
    words = ": ".join(part for part in (title, settings_text(setting)) if part)
    return words if len(words) <= 200 else words[:197] + "..."


def settings_text(setting: Settings) -> str:
    """Give the settings of a point in words."""
    parts = (f"{path} = {v if isinstance(v, str) else show(v)}" for path, v in setting.items())
    return ", ".join(parts)
