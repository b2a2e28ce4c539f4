"""Drift over the cell of a parameter file: where particles go, and what chains are left behind.

Joins the model of drift (`sim.outlook.cell.drift_model`, whose limits hold here too) with the
theory of the map (`sim.outlook.cell.map`): at each time, spacing and length of the chains follow
from the amount of particles that is left at a place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.common.conventions import NO_CHAINS
from sim.film.particles import draw
from sim.interactions import dipolar
from sim.magnets.shapes import field_and_gradient
from sim.outlook.cell.drift_model import Drift, DriftClock, film_drift
from sim.outlook.cell.map import axis_angles, chains_at
from sim.physics import beads, material

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

SHORTEST, LONGEST = 1.0, 3_155_760_000.0
"""Shortest and longest time that is followed, in s: a second and a century."""
CELLS = 60
"""Grid cells along the longer side."""
DECADES, FRAMES_PER_DECADE = 4, 3
"""The clock begins four decades before its end."""

CELL_TAKES_S, CHAINS_TAKE_S = 0.4e-3, 5.0
"""What the course in time takes for each grid cell, and what the lengths of chains take."""

LIMITS = (
    "The drift is that of single particles of the median size: chains of n particles feel n times "
    "the pull and drift faster, so that a film with chains changes sooner than told here.",
    "Left out are the attraction between particles, the field of the magnetised liquid, flow, "
    "gravity, heat, evaporation, and particles that stick to the windows. A steep gradient can "
    "make the liquid stream, which is far quicker than this drift.",
    "The magnets stand still, the cell is closed, and the film counts as mixed over its thickness. "
    "Nothing packs closer than 64 % by volume; short of that, crowded places come out denser and "
    "smaller than they are.",
    "Spacing and length are the theory of the map at the amount of particles that is left. Where "
    "more than about a tenth of the volume is particles, take them as a trend only.",
)
"""What the numbers leave out, in words."""


@dataclass(frozen=True)
class CellDrift:
    """Particles and chains over the cell; frames are followed by equilibrium, as the last one.

    Attributes
    ----------
    drift : Drift
        The volume fraction over time.
    sides : tuple of float
        Sides of the cell in m.
    x, y : ndarray (columns,), (rows,)
        Centres of the grid cells in m, from the centre of the cell.
    strength, tilt : ndarray (rows, columns)
        Flux density in T and its angle out of the plane in degrees.
    spacing : ndarray (frames + 1, rows, columns)
        Distance of single chains by the line density in m, d sqrt(pi/(6 phi)); infinite where
        nothing is left.
    mean_length : ndarray (frames + 1, rows, columns)
        Predicted mean chain length.
    state : int8 ndarray (frames + 1, rows, columns)
        As in `sim.outlook.cell.map.CellMap`.
    """

    drift: Drift
    sides: tuple[float, float]
    x: Floats
    y: Floats
    strength: Floats
    tilt: Floats
    spacing: Floats
    mean_length: Floats
    state: NDArray[np.int8]

    @property
    def times(self) -> Floats:
        """Times of the frames in s, infinity for equilibrium."""
        return np.append(self.drift.time_s, np.inf)

    @property
    def fractions(self) -> Floats:
        """Volume fraction of the particles in all frames."""
        return np.concatenate([self.drift.volume_fraction, self.drift.equilibrium[None]])

    @property
    def change(self) -> Floats:
        """Share of the way to equilibrium in each frame."""
        done = np.interp(self.drift.time_s, self.drift.change_time_s, self.drift.change)
        return np.append(done, 1.0)

    @property
    def share_with_chains(self) -> Floats:
        """Share of the cell in which there are chains, in each frame."""
        return np.asarray((self.state != NO_CHAINS).mean(axis=(1, 2)))


def cell_centres(sides: tuple[float, float], cells: int) -> tuple[Floats, Floats]:
    """Divide the cell into square grid cells, about.

    Parameters
    ----------
    sides : tuple of float
        Sides of the cell along x and y in m.
    cells : int
        Grid cells along the longer side.

    Returns
    -------
    x, y : ndarray
        Centres of columns and rows in m, about 0.
    """
    step = max(sides) / cells
    numbers = [max(round(side / step), 1) for side in sides]
    x, y = (
        ((np.arange(number) + 0.5) / number - 0.5) * side
        for number, side in zip(numbers, sides, strict=True)
    )
    return x, y


def line_spacing(diameter: float, fraction: Floats) -> Floats:
    """Distance of straight single chains that hold all particles, in m.

    Parameters
    ----------
    diameter : float
        Outer diameter of a particle in m.
    fraction : ndarray
        Volume fraction of whole particles.

    Returns
    -------
    ndarray
        d sqrt(pi/(6 phi)): a chain has a volume of pi d^2/6 a length, and its share of the film is
        the square of the spacing. Infinite where there are no particles.
    """
    with np.errstate(divide="ignore"):
        found: Floats = diameter * np.sqrt(math.pi / (6.0 * fraction))
    return found


def diffusion_coefficient(parameters: Parameters) -> float:
    """Give the diffusion coefficient of the median particle in m2/s."""
    carrier = parameters.carrier
    diameter = parameters.particles.diameter
    return float(material.diffusion(carrier.viscosity, diameter, carrier.temperature))


def drift_cell(parameters: Parameters, duration: float) -> CellDrift:
    """Follow the particles over the cell of a parameter file with magnets.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters with magnets, SI.
    duration : float
        Time to follow in s, from `SHORTEST` to `LONGEST`.

    Returns
    -------
    CellDrift
        Frames on a logarithmic clock of `DECADES` decades, and equilibrium.

    Raises
    ------
    sim.outlook.cell.drift_model.DriftError
        If the particles have no room to move.
    sim.magnets.shapes.MagnetError
        If the film reaches into a magnet.
    """
    sizes = parameters.particles
    x, y = cell_centres(parameters.cell.width, CELLS)
    across, along = np.meshgrid(x, y)
    places = np.stack([across.ravel(), along.ravel(), np.zeros(across.size)], axis=1)
    field = field_and_gradient(parameters.magnets, places)[0].reshape(*across.shape, 3)
    strength, tilt = np.linalg.norm(field, axis=-1), axis_angles(field)[1]
    moment = float(dipolar.largest_moments(sizes, sizes.core_diameter))
    drift = film_drift(
        strength,
        parameters.cell.width,
        moment,
        parameters.carrier.temperature,
        diffusion_coefficient(parameters),
        draw(parameters).volume_fraction,
        clock=DriftClock(
            first=duration * 10.0**-DECADES, last=duration, frames=DECADES * FRAMES_PER_DECADE + 1
        ),
        cores=_cores(parameters, moment),
    )
    fractions = np.concatenate([drift.volume_fraction, drift.equilibrium[None]])
    length, state = chains_at(parameters, strength, tilt, fractions)
    spacing = line_spacing(sizes.diameter, fractions)
    sides = parameters.cell.width
    return CellDrift(drift, sides, x, y, strength, tilt, spacing, length, state)


def drift_cost(parameters: Parameters) -> float:
    """Estimate in s how long `drift_cell` takes on one core, to a factor of two."""
    x, y = cell_centres(parameters.cell.width, CELLS)
    return CHAINS_TAKE_S + CELL_TAKES_S * x.size * y.size


def _cores(parameters: Parameters, moment: float) -> float:
    """Count the cores that share the moment of the median particle, at least 1."""
    sizes = parameters.particles
    if sizes.small_core_diameter is None:
        return 1.0
    core = beads.core_moment(sizes.small_core_diameter, sizes.magnetisation, sizes.dead_layer)
    return max(moment / core, 1.0)
