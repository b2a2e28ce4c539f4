"""What the magnets do at the patch, in rows and sentences of `check`."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sim.magnets.poses import at_time
from sim.magnets.shapes import Magnet, field_and_gradient
from sim.outlook.programme import (
    field_at_start,
    programme_rows,
    programme_sentences,
    strongest_time,
)
from sim.physics.units import format_quantity

if TYPE_CHECKING:
    from sim.outlook.look_ahead import Outlook
    from sim.parameters.types import Parameters

LARGEST_VARIATION = 0.01
"""Share of the field up to which it counts as uniform over the patch; common practice."""

_SAMPLES = 7


class Variation(NamedTuple):
    """How much the field differs over the patch from that in its middle.

    Attributes
    ----------
    field : float
        Largest difference over the strength in the middle; infinite where that is zero.
    turn_deg : float
        Largest angle between the fields.
    gradient : float
        Largest difference of a component of the gradient over its largest one.
    """

    field: float
    turn_deg: float
    gradient: float


def field_variation(parameters: Parameters, sides: tuple[float, float]) -> Variation:
    """Compare the field over the patch with that in its middle.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters with magnets, SI.
    sides : tuple of float
        Sides (x, y) of the patch in m.

    Returns
    -------
    Variation
        Over a grid that reaches the rim of the patch and both windows; of moving magnets when the
        field is largest.
    """
    magnets = at_time(parameters.magnets, strongest_time(parameters))
    box = (*sides, parameters.film.thickness)
    return _variation(magnets, parameters.cell.place, box)


@lru_cache(maxsize=8)
def _variation(
    magnets: tuple[Magnet, ...], place: tuple[float, float], box: tuple[float, float, float]
) -> Variation:
    axes = [np.linspace(-0.5 * side, 0.5 * side, _SAMPLES) for side in box]
    shifts = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    field, gradient = field_and_gradient(magnets, np.array([*place, 0.0]) + shifts)
    middle = len(shifts) // 2  # an odd number of samples per side puts one there
    strength, steepest = np.linalg.norm(field[middle]), np.abs(gradient[middle]).max()
    away = np.linalg.norm(field - field[middle], axis=1).max()
    slopes = np.abs(gradient - gradient[middle]).max()
    change = float(slopes / steepest) if steepest > 0.0 else 0.0
    if strength == 0.0:
        return Variation(math.inf, 180.0, change)
    across = np.linalg.norm(np.cross(field, field[middle]), axis=1)
    turns = np.degrees(np.arctan2(across, field @ field[middle]))
    return Variation(float(away / strength), float(turns.max()), change)


def magnet_rows(parameters: Parameters, outlook: Outlook) -> list[tuple[str, str]]:
    """Lay out the field of the magnets at the place of the patch."""
    if not parameters.magnets:
        return []
    slope = parameters.field.gradient
    varied = field_variation(parameters, outlook.particles.sides)
    place = ", ".join(format_quantity(part, "length") for part in parameters.cell.place)
    x, y, z = field_at_start(parameters)
    components = ", ".join(format_quantity(part, "field") for part in (x, y, z))
    start = " at the start" if parameters.field.is_followed else ""
    return [
        ("magnets and coils", f"{len(parameters.magnets)}"),
        ("place of the patch on the cell (x, y)", place),
        (f"field there{start} (x, y, z)", components),
        (
            "tilt of the field from the film",
            f"{math.degrees(math.atan2(z, math.hypot(x, y))):.1f} deg",
        ),
        ("its azimuth, from x towards y", f"{math.degrees(math.atan2(y, x)):.1f} deg"),
        (f"gradient{start} (xx, yy, zz)", ", ".join(f"{part:.3g}" for part in slope[:3]) + " T/m"),
        (f"gradient{start} (xy, xz, yz)", ", ".join(f"{part:.3g}" for part in slope[3:]) + " T/m"),
        ("variation of the field over the patch", f"{100.0 * varied.field:.2g} %"),
        ("turn of the field over the patch", f"{varied.turn_deg:.2g} deg"),
        ("variation of the gradient over the patch", f"{100.0 * varied.gradient:.2g} %"),
        *programme_rows(parameters),
    ]


def magnet_sentences(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say whether the field of the magnets may be taken as uniform over the patch."""
    if not parameters.magnets:
        return []
    return [_over_the_patch(parameters, outlook), *programme_sentences(parameters)]


def _over_the_patch(parameters: Parameters, outlook: Outlook) -> str:
    varied = field_variation(parameters, outlook.particles.sides)
    limit = f"{100.0 * LARGEST_VARIATION:g} %"
    if math.isinf(varied.field):
        return (
            "The magnets make no field at the place of the patch, so that a uniform field with a "
            "gradient says little there: choose another place on the cell."
        )
    text = (
        f"Over the patch the magnets' field differs by up to {100.0 * varied.field:.2g} % from "
        f"that in its middle"
    )
    if varied.field <= LARGEST_VARIATION:
        return (
            f"{text}: below {limit}, which counts as uniform (common practice). The run takes the "
            "field in the middle, its change across the film and the pull of its gradient."
        )
    return (
        f"{text}: above {limit}, up to which a field counts as uniform (common practice). The run "
        "takes it as uniform along the film all the same; a smaller patch or a weaker gradient "
        "would make that good."
    )
