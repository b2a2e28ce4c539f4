"""Whether layers of surfactant keep cores apart against the pull of their dipoles.

The law of the layers ends at a finite energy where cores touch, the energy of two point dipoles has
no end: layers that are too weak let particles fall into each other, and no time step follows that.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np

from sim.interactions import dipolar, steric
from sim.pair_theory import size_quantile
from sim.units import format_quantity

if TYPE_CHECKING:
    from sim.parameters import Parameters

__all__ = ["LEAST_BARRIER", "weak_brush"]

LEAST_BARRIER = 10.0
"""Climb in kT, on the way into each other, that thermal motion does not make within a run."""
DEEPEST = 0.3
"""Nearest distance looked at, in contact distances; nearer ones hold a fortieth of the volume."""
DENSEST = 1e20
"""Grafting densities a m2 beyond this one are not looked for."""
POINTS = 800


def weak_brush(parameters: Parameters) -> str:
    """Say which grafting density would keep the cores apart, where the given one does not.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.

    Returns
    -------
    str
        One sentence, empty where the layers hold or none are meant.
    """
    if parameters.repulsion.kind != "surfactant" or _holds(parameters):
        return ""
    given = parameters.repulsion.grafting_density
    low, high = given, DENSEST
    if not _holds(_with_density(parameters, high)):
        low = high
    for _ in range(40):
        middle = (low * high) ** 0.5
        low, high = (low, middle) if _holds(_with_density(parameters, middle)) else (middle, high)
    return (
        "[repulsion] grafting_density must be at least "
        f"{format_quantity(1.005 * high, 'area_density')} for the dipoles of these particles; "
        f"received {format_quantity(given, 'area_density')}: they would press their layers through "
        "and fall into each other."
    )


def _with_density(parameters: Parameters, density: float) -> Parameters:
    repulsion = dataclasses.replace(parameters.repulsion, grafting_density=density)
    return dataclasses.replace(parameters, repulsion=repulsion)


def _holds(parameters: Parameters) -> bool:
    """Whether two median and two of the largest particles stay apart, head to tail."""
    sizes = (parameters.particles.core_diameter, size_quantile(parameters, 1.0))
    return all(_is_kept_apart(parameters, float(core)) for core in sizes)


def _is_kept_apart(parameters: Parameters, core: float) -> bool:
    """Whether a climb keeps two equal particles from a lower energy where cores overlap."""
    contact = core + 2.0 * parameters.particles.shell_thickness
    r = np.linspace(DEEPEST, 1.0, POINTS) * contact
    energy = steric.pair_energy(parameters, core, core, r)
    energy = energy - 2.0 * dipolar.pair_coupling(parameters, core, core, r)
    outside = r >= core
    lowest = float(energy[outside].min())
    if float(energy[~outside].min(initial=np.inf)) >= min(lowest, 0.0):
        return True
    start = int(np.flatnonzero(outside)[np.argmin(energy[outside])])
    return float(energy[: start + 1].max()) - lowest >= LEAST_BARRIER
