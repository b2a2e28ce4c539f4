"""What the added forces and the barrier mean, in rows, sentences and cautions of `check`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sim.interactions.added import AddedPairs
from sim.interactions.gravity import weight
from sim.physics.units import duration_text, format_quantity

if TYPE_CHECKING:
    from sim.outlook.look_ahead import Outlook
    from sim.outlook.pair_potential import PairPotential
    from sim.parameters.types import FieldParameters, Parameters

LONGEST = 1e300


def touch_time(pair: PairPotential, diffusion: float) -> float:
    """Mean time until thermal motion takes a bound pair over its barrier.

    Parameters
    ----------
    pair : PairPotential
        Potential with a finite barrier B.
    diffusion : float
        Diffusion constant of one particle in m2/s.

    Returns
    -------
    float
        Time in s, of the right order; at most 1e300.

    Notes
    -----
    H. A. Kramers, Physica 7, 284 (1940), with parabolas of curvature 2 B kT/w^2 at both ends of
    the climb over the distance w, and twice the diffusion of one particle: pi w^2 e^B/(2 B D).
    """
    width = pair.minimum_distance_m - pair.barrier_distance_m
    height = pair.barrier_kt
    if height <= 0.0 or width <= 0.0:
        return 0.0
    return min(
        0.5 * math.pi * width**2 / (height * diffusion) * math.exp(min(height, 600.0)), LONGEST
    )


def gravitational_length(parameters: Parameters, core: float) -> float | None:
    """Height over which the weight of a particle comes to kT, in m; None without gravity."""
    pull = abs(float(weight(parameters, core)))
    return 1.0 / pull if pull > 0.0 else None


def force_rows(parameters: Parameters, outlook: Outlook) -> list[tuple[str, str]]:
    """Lay out the numbers of the forces that are on."""
    rows = []
    sizes = parameters.particles
    for law in AddedPairs.asked_for(parameters).acting:
        rows += law.rows(parameters)
    for name, core in (("median", sizes.core_diameter), ("largest tenth", outlook.tail_core)):
        height = gravitational_length(parameters, core)
        if height is not None:
            rows.append((f"gravitational length, {name}", _length(height)))
    steepest = parameters.field.steepest
    if steepest > 0.0:
        rows.append(("largest component of the gradient", f"{steepest:.3g} T/m"))
    return rows


def _length(value: float) -> str:
    return format_quantity(value, "length", 3)


def force_sentences(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say what the barrier and the weight mean."""
    return [
        *_apart(parameters, outlook),
        *_settling(parameters, outlook),
        *_pulled(parameters, outlook),
    ]


def _apart(parameters: Parameters, outlook: Outlook) -> list[str]:
    """Say what the barrier does for keeping the particles apart."""
    weaker = min((outlook.pair, outlook.pair_tail), key=lambda pair: pair.barrier_kt)
    if not math.isfinite(weaker.barrier_kt) or weaker.barrier_kt <= 0.0:
        return []
    name = "median" if weaker is outlook.pair else "largest-tenth"
    diffusion = parameters.particles.diameter**2 / outlook.diffusion_time
    once = duration_text(touch_time(weaker, diffusion))
    return [
        f"Head to tail, a barrier of {weaker.barrier_kt:.1f} kT (the lower one, of {name} pairs) "
        f"keeps the cores apart: thermal motion takes a bond over it about once in {once}."
    ]


def _settling(parameters: Parameters, outlook: Outlook) -> list[str]:
    """How far gravity layers the film, and how fast."""
    height = gravitational_length(parameters, parameters.particles.core_diameter)
    if height is None:
        return []
    diffusion = parameters.particles.diameter**2 / outlook.diffusion_time
    thickness = parameters.film.thickness
    text = (
        f"Gravity: single particles thin out with height by a factor e in {_length(height)}, "
        f"beside a film of {_length(thickness)}; across that thickness they fall in about "
        f"{duration_text(thickness * height / diffusion)}."
    )
    bound = outlook.expected_at_end
    if bound > 1.5:
        text += f" A chain of {bound:.2g} weighs that many times more and layers accordingly."
    return [text]


def _pull(field: FieldParameters, part: slice) -> float:
    """Largest change in T/m, along these axes, of the field along an aligned moment.

    Notes
    -----
    A moment along n is pulled with m G n, G_ab = dB_a/dx_b. Over all directions n that a step
    takes, between its two parts, the largest is the larger singular value; a film without a field
    has moments of any direction.
    """
    if field.is_followed:
        return field.steepest
    xx, yy, zz, xy, xz, yz = field.gradient
    gradient = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])[part]
    pulls = [0.0]
    for step in field.steps:
        parts = np.array([step.vector if step.strength else field.direction])
        if step.kind == "rotate" and step.strength:
            parts = np.array(step.turning_parts())
        along = gradient @ (parts / np.linalg.norm(parts, axis=1)[:, None]).T
        pulls.append(float(np.linalg.norm(along if field.largest else gradient, 2)))
    return max(pulls)


def _pulled(parameters: Parameters, outlook: Outlook) -> list[str]:
    """How fast a gradient moves single particles."""
    steepest = _pull(parameters.field, slice(3))
    if steepest == 0.0:
        return []
    diffusion = parameters.particles.diameter**2 / outlook.diffusion_time
    units = outlook.system.units
    force = units.moment_am2 * math.sqrt(outlook.coupling) * steepest / units.energy_j
    if force == 0.0:
        return []
    return [
        f"Gradient: it pulls an aligned median particle with up to {force * units.energy_j:.2g} N, "
        f"so that it drifts at {force * diffusion * 1e6:.2g} um/s, its diameter in "
        f"{duration_text(parameters.particles.diameter / (force * diffusion))}."
    ]


def force_cautions(parameters: Parameters) -> list[str]:
    """Say what the added forces leave out."""
    found = []
    for law in AddedPairs.asked_for(parameters).acting:
        found += law.cautions(parameters)
    x, y, _ = parameters.gravity.direction
    if parameters.gravity.acceleration > 0.0 and math.hypot(x, y) > 1e-9:
        found.append(
            "Gravity points along the film (a cell that stands upright): a periodic patch has no "
            "bottom, particles fall through it steadily, and no energy of the weight along the "
            "film is counted."
        )
    if _pull(parameters.field, slice(2)) > 0.0:
        found.append(
            "The gradient pulls along the film as well as across it. Along it a periodic patch has "
            "no energy function and the field stays uniform: read it as a film that drifts through "
            "the magnet's field, not as particles that gather."
        )
    return found
