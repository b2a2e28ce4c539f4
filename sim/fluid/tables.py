"""Fluids as tables of a film file: the likeliest kind of one, and an ensemble of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import tomli_w

from analysis.common.arrays import Floats
from sim.fluid.ensemble import Fluid
from sim.fluid.findings import Findings
from sim.fluid.model import nanometres
from sim.parameters.types import ParticleParameters
from sim.physics.material import MATERIALS
from sim.physics.units import format_quantity

MEMBERS = 12
"""Fluids of an ensemble: its spread is then known to a fifth of itself."""
LAYERS = ("core_diameter", "dead_layer", "shell_thickness")


def fluid_tables(findings: Findings, place: Floats) -> Fluid:
    """Give one fluid as tables of a film.

    Parameters
    ----------
    findings : Findings
        What its sheet tells.
    place : float64 (unknowns,)
        Its coordinates.

    Returns
    -------
    dict
        "particles" and "carrier" as a film file writes them, with the fraction of the cores.
    """
    model, sheet = findings.model, findings.model.sheet
    fluids = model.fluids(place[None, :])
    cores = model.cores(fluids).fraction(np.zeros(1))
    particles: dict[str, Any] = {"material": sheet.material}
    standard, own = MATERIALS.get(sheet.material), sheet.core
    values = {"magnetisation": float(fluids["core_magnetisation"][0]),
              "density": float(fluids["core_density"][0])}  # fmt: skip
    for key, value in values.items():
        if standard is None or abs(value / getattr(standard, key) - 1.0) > 1e-6:
            particles[key] = format_quantity(value, key)
    if standard is None or own.anisotropy != standard.anisotropy:
        particles["anisotropy"] = format_quantity(own.anisotropy, "energy_density")
    if standard is None or own.attempt_time != standard.attempt_time:
        particles["attempt_time"] = format_quantity(own.attempt_time, "time")
    particles |= {key: nanometres(float(fluids[key][0])) for key in LAYERS}
    particles["size_spread"] = _rounded(float(fluids["size_spread"][0]))
    if sheet.shell_density != ParticleParameters.shell_density:
        particles["shell_density"] = format_quantity(sheet.shell_density, "density")
    particles["core_volume_fraction"] = _rounded(float(cores[0]))
    carrier = {
        "viscosity": format_quantity(float(fluids["carrier_viscosity"][0]), "viscosity"),
        "density": format_quantity(float(fluids["carrier_density"][0]), "density"),
    }
    return {"particles": particles, "carrier": carrier}


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")


def middle(findings: Findings) -> Floats:
    """Give the coordinates of the fluid whose unknowns are nearest to all their means."""
    centre, spread = findings.places.mean(axis=0), findings.places.std(axis=0)
    away = np.square((findings.places - centre) / np.maximum(spread, 1e-300)).sum(axis=1)
    found: Floats = findings.places[np.argmin(away)]
    return found


def members(findings: Findings, count: int, rng: np.random.Generator) -> Floats:
    """Choose equally likely fluids that stand for all that fit.

    Parameters
    ----------
    findings : Findings
        What the sheet tells.
    count : int
        How many.
    rng : numpy.random.Generator
        Source of the random numbers.

    Returns
    -------
    float64 (count, unknowns)
        Coordinates: the fluids are laid in order of their coupling, on which chains depend most,
        cut into equal shares, and one is drawn from each.
    """
    order = np.argsort(findings.numbers["coupling_by_volume"].values)
    shares = np.array_split(order, count)
    return np.array([findings.places[rng.choice(share)] for share in shares])


def film_text(findings: Findings) -> str:
    """Give `middle` as text that can be pasted into a film file."""
    tables = fluid_tables(findings, middle(findings))
    tables["carrier"]["temperature"] = f"{findings.model.sheet.temperature:.6g} K"
    title = findings.model.sheet.title or "a bottle"
    head = f"# The middle one of the fluids that fit the sheet of {_one_line(title)}.\n"
    return head + "# What the sheet leaves open is in ensemble.toml.\n\n" + tomli_w.dumps(tables)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def ensemble_text(findings: Findings, places: Floats, sheet: str) -> str:
    """Give fluids as the text of an ensemble file; see `sim.fluid.ensemble`."""
    fluids = [fluid_tables(findings, place) for place in places]
    head = "# Fluids that fit the sheet, all equally likely, for chainfilm check --ensemble.\n"
    title = findings.model.sheet.title
    return head + tomli_w.dumps({"title": title, "sheet": sheet, "fluids": fluids})
