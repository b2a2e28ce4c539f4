"""What the particles of a film over magnets do in days, in the words of `check`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sim.outlook.cell.drift import diffusion_coefficient, drift_cost
from sim.outlook.cell.drift_model import WEEK
from sim.outlook.cell.map import drift_velocity, magnetised, strength_gradient
from sim.physics.units import duration_text, format_quantity

if TYPE_CHECKING:
    from sim.parameters.types import Parameters


def cell_sentences(parameters: Parameters) -> list[str]:
    """Say how far magnets draw particles in a week, and which command follows that; or nothing."""
    if not parameters.magnets:
        return []
    xx, yy, zz, xy, xz, yz = parameters.field.gradient
    field = np.array(parameters.field.steps[0].vector)
    slope = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
    moment = magnetised(parameters, np.array([np.linalg.norm(field)]))[1]
    force = float(moment[0]) * strength_gradient(field, slope)[:2]
    speed = drift_velocity(force, parameters.carrier.viscosity, parameters.particles.diameter)
    pulled = float(np.hypot(*speed)) * WEEK
    spread = math.sqrt(2.0 * diffusion_coefficient(parameters) * WEEK)
    pulled_text, spread_text = (format_quantity(way, "length", 2) for way in (pulled, spread))
    return [
        f"In a week the magnets pull a single particle at the patch {pulled_text} along the film, "
        f'and diffusion spreads it over {spread_text}: chainfilm map FILE --drift "1 week" '
        f"follows where the film of this cell thins out and loses its chains, in about "
        f"{duration_text(drift_cost(parameters))}."
    ]
