"""What theory says of one film: the laws of `check`, and how long the film lasts.

Lengths, growth and bonds are those of `sim.outlook.look_ahead`; the distance of chains follows
from their line density: chains strewn at random have their nearest at 0.5 of it, a triangular
lattice at 1.07, so that 0.75 stands for both. Times of the response are growth to the predicted
length and the decay of bonds. What light makes of it is `analysis.optics.foretold`, handed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.common import laws
from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN
from sim.design.quantities import Scaled
from sim.film.particles import draw
from sim.interactions import dipolar
from sim.interactions.gravity import weight
from sim.magnets.shapes import field_and_gradient
from sim.outlook.cell.drift import LONGEST, cell_centres, diffusion_coefficient, line_spacing
from sim.outlook.cell.drift_model import RANDOM_CLOSE_PACKING, field_energy
from sim.outlook.cell.drift_solver import course, equilibrium, make_edges
from sim.outlook.look_ahead import look_ahead, predict_lengths
from sim.physics import beads

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

NEAREST = 0.75
"""Distance to the nearest chain over that of the line density."""
MOVED = 0.1
"""A film has lived when so large a share of its particles lies elsewhere than at the start."""
STANDARD_GRAVITY = 9.80665
"""In m/s^2 (ISO 80000-3), for films whose file leaves their weight out."""
GROWN = 0.8
"""From 10 to 90 % of a growth at an even rate, over the whole of it."""
FALL = math.log(9.0)
"""From 90 to 10 % of an exponential decay, in its time."""
LIFE_CELLS, LIFE_HEIGHTS = 24, 40
"""Grid cells along the longer side of the cell, and over the thickness of the film."""


@dataclass(frozen=True)
class Chains:
    """Chains that theory expects in a film.

    Attributes
    ----------
    mean_length : float
        Mean length.
    order : float
        Order of their axes along the field, (3 <cos^2> - 1)/2.
    upright : float
        Cosine between field and film normal.
    fraction : float
        Volume fraction of whole particles.
    core_share : float
        Volume of the cores over that of whole particles.
    closeness : float
        Cube of diameter over distance of neighbours in a chain.
    """

    mean_length: float
    order: float
    upright: float
    fraction: float
    core_share: float
    closeness: float


LightLaw = Callable[["Parameters", Chains, float], tuple[float, float]]
"""Takes film, chains and wavelength in m; returns retardance in m and the share passed."""


def foretell(parameters: Parameters, quantities: Sequence[Scaled], light: LightLaw) -> Floats:
    """Return what theory says of each quantity of a film.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    quantities : sequence of Scaled
        What is asked for.
    light : callable
        The law of light.

    Returns
    -------
    (quantities,) array
        In SI; NaN where theory says nothing.
    """
    particles = draw(parameters)
    words = {one.wanted.word for one in quantities}
    apart = float(line_spacing(parameters.particles.diameter, np.array(particles.volume_fraction)))
    found = {"field": parameters.field.largest, "spacing": NEAREST * apart, "period": apart}
    if words <= set(found):
        return np.array([found[one.wanted.word] for one in quantities])
    if parameters.run.is_sampled:
        length = predict_lengths(parameters, particles.volume_fraction).central
    else:
        seen = look_ahead(parameters, particles)
        length = seen.expected_at_end
        found["on_time"] = GROWN * seen.growth_time
        found["off_time"] = FALL * laws.bond_life(seen.diffusion_time, seen.coupling)
    found["mean_length"] = length
    if "life" in words:
        found["life"] = life(parameters, length)
    chains = _chains(parameters, length, particles.volume_fraction)
    out = []
    for one in quantities:
        if one.wavelength is None:
            out.append(found.get(one.wanted.word, math.nan))
        else:
            delay, passed = light(parameters, chains, one.wavelength)
            out.append(delay if one.wanted.word == "retardance" else passed)
    return np.array(out)


def _chains(parameters: Parameters, length: float, fraction: float) -> Chains:
    """Describe straight chains of the predicted length in the largest field."""
    from sim.outlook.pair_potential import head_to_tail

    sizes = parameters.particles
    core = sizes.core_diameter
    moment = float(dipolar.moments(parameters, [core])[0])
    thermal = parameters.carrier.temperature * BOLTZMANN
    x = max(length * moment * parameters.field.largest / thermal, 1e-6)
    langevin = 1.0 / math.tanh(x) - 1.0 / x if x > 1e-3 else x / 3.0
    near = head_to_tail(parameters, core, core).minimum_distance_m
    return Chains(
        mean_length=length,
        order=1.0 - 3.0 * langevin / x,
        upright=abs(parameters.field.direction[2]),
        fraction=fraction,
        core_share=(core / sizes.diameter) ** 3,
        closeness=min((sizes.diameter / near) ** 3, 1.0),
    )


def life(parameters: Parameters, length: float = 1.0) -> float:
    """Return how long a film keeps its particles in place, by the laws of the drift over a cell.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    length : float
        Chains of so many particles move: with so many times the energy, and the drag of each.

    Returns
    -------
    float
        Time in s until `MOVED` of the particles lie elsewhere than at the start, drawn over the
        cell by its magnets or, without magnets, sunk through the film; at most a century.

    Notes
    -----
    The drift-diffusion of `sim.outlook.cell.drift_solver`, whose limits hold here too.
    """
    diffusion = diffusion_coefficient(parameters) / length
    mean = draw(parameters).volume_fraction / RANDOM_CLOSE_PACKING
    if parameters.magnets:
        x, y = cell_centres(parameters.cell.width, LIFE_CELLS)
        steps = (parameters.cell.width[1] / len(y), parameters.cell.width[0] / len(x))
        return _time_moved(length * _energy_over(parameters, x, y), steps, diffusion, mean)
    pull = length * float(weight(_heavy(parameters), parameters.particles.core_diameter))
    step = parameters.film.thickness / LIFE_HEIGHTS
    heights = np.asarray(step * (np.arange(LIFE_HEIGHTS) + 0.5), np.float64)
    across = abs(parameters.gravity.direction[2])
    return _time_moved(pull * across * heights[:, None], (step, 1.0), diffusion, mean)


def _heavy(parameters: Parameters) -> Parameters:
    """Return the film with its weight, whether or not its runs have it."""
    from dataclasses import replace

    if parameters.gravity.acceleration > 0.0:
        return parameters
    return replace(parameters, gravity=replace(parameters.gravity, acceleration=STANDARD_GRAVITY))


def _energy_over(parameters: Parameters, x: Floats, y: Floats) -> Floats:
    """Energy of one particle over the cell in kT, (rows, columns)."""
    sizes = parameters.particles
    across, along = np.meshgrid(x, y)
    places = np.stack([across.ravel(), along.ravel(), np.zeros(across.size)], axis=1)
    field = np.linalg.norm(field_and_gradient(parameters.magnets, places)[0], axis=1)
    moment = float(dipolar.largest_moments(sizes, sizes.core_diameter))
    cores = 1.0
    if sizes.small_core_diameter is not None:
        core = beads.core_moment(sizes.small_core_diameter, sizes.magnetisation, sizes.dead_layer)
        cores = max(moment / core, 1.0)
    energy = field_energy(field, moment, parameters.carrier.temperature, cores)
    return np.asarray(energy, np.float64).reshape(across.shape)


def _time_moved(energy: Floats, steps: tuple[float, float], diffusion: float, mean: float) -> float:
    """Return the time until `MOVED` of what is spread evenly lies elsewhere."""

    def moved(packing: Floats) -> Floats:
        found: Floats = 0.5 * np.abs(packing / mean - 1.0).mean(axis=-1)
        return found

    if float(moved(equilibrium(energy, mean).ravel())) <= MOVED:
        return LONGEST
    edges = make_edges(energy, steps, diffusion)
    times = np.concatenate([[0.0], np.geomspace(1e-3, LONGEST, 101)])
    shares = moved(course(np.full(energy.size, mean), edges, times))
    past = np.flatnonzero(shares >= MOVED)
    if not len(past):
        return LONGEST
    after = int(past[0])
    if after == 1:
        return float(times[1])
    ends = slice(after - 1, after + 1)
    return float(np.exp(np.interp(MOVED, shares[ends], np.log(times[ends]))))
