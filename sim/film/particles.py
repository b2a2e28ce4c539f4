"""The particles of a run: how many, how large, how magnetic, and the patch that holds them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, partial
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.blocks import of_each
from sim.film.memory import require_room
from sim.interactions import dipolar
from sim.physics.sizes import LARGEST_DEVIATION

if TYPE_CHECKING:
    from sim.parameters.particle_types import ParticleParameters
    from sim.parameters.types import Parameters


@dataclass(frozen=True)
class Particles:
    """Particles and patch, in SI.

    Attributes
    ----------
    core_diameter, diameter : float64 (N,)
        Core and steric (core and shell) diameters in m; the core of a bead is the bead.
    magnetic_diameter : float64 (N,)
        Core less its dead layer, in m; of beads, that of their small cores.
    moment : float64 (N,)
        Dipole moments in A m^2; of multicore beads those at saturation.
    sides : tuple of float
        Periodic sides (W_x, W_y) in m.
    thickness : float
        Distance of the windows in m.
    """

    core_diameter: Floats
    diameter: Floats
    magnetic_diameter: Floats
    moment: Floats
    sides: tuple[float, float]
    thickness: float

    @property
    def count(self) -> int:
        """Number of particles."""
        return len(self.diameter)

    @cached_property
    def volume_fraction(self) -> float:
        """Volume of whole particles over the volume of the film."""
        volume = self.sides[0] * self.sides[1] * self.thickness
        cubes = of_each(lambda diameter: diameter**3, self.diameter)
        return float(np.pi / 6.0 * np.sum(cubes) / volume)

    def largest_tenth(self) -> Floats:
        """Return the largest tenth of the core diameters, at least one."""
        share = max(1, self.count // 10)
        return np.partition(self.core_diameter, -share)[-share:]


def quantile_diameters(particles: ParticleParameters, count: int) -> Floats:
    """Return ``count`` core diameters that follow the law of sizes as evenly as they can.

    Diameter k is the quantile (k + 1/2)/count of the law, so that replicas with other seeds hold
    the same sizes and differ in noise only.

    Returns
    -------
    float64 (count,)
        Core diameters in m, ascending.
    """
    if particles.size_table:
        cores, table_shares = np.array(particles.size_table, dtype=np.float64).T
        places = np.searchsorted(np.cumsum(table_shares), (np.arange(count) + 0.5) / count)
        return np.asarray(cores[np.minimum(places, cores.size - 1)])
    if particles.size_spread == 0.0:
        return np.full(count, particles.core_diameter)
    normal = NormalDist()
    tail = normal.cdf(-LARGEST_DEVIATION)
    shares = tail + (1.0 - 2.0 * tail) * (np.arange(count) + 0.5) / count
    deviations = np.fromiter(map(normal.inv_cdf, shares), np.float64, count)
    return particles.core_diameter * np.exp(particles.size_spread * deviations)


def draw(parameters: Parameters) -> Particles:
    """Return the particles of a run.

    Parameters
    ----------
    parameters : Parameters
        A checked parameter file: either the patch or the number of particles follows from the
        volume fraction.

    Returns
    -------
    Particles
        Sizes permuted by the seed.

    Raises
    ------
    MemoryShortError
        If the machine has no room for so many.
    """
    sizes = parameters.particles
    film = parameters.film
    if film.width is not None:
        sides = film.width
        volume = sides[0] * sides[1] * film.thickness
        count = film.count or max(
            1, round(sizes.whole_volume_fraction * volume / sizes.mean_volume)
        )
    else:
        count = film.count or 1
        area = count * sizes.mean_volume / (sizes.whole_volume_fraction * film.thickness)
        sides = (math.sqrt(area), math.sqrt(area))
    require_room(count)
    core = quantile_diameters(sizes, count)
    if core.min() != core.max():
        core = np.random.default_rng([parameters.run.seed, 0]).permutation(core)
    single = sizes.small_core_diameter
    return Particles(
        core_diameter=core,
        diameter=of_each(lambda of: of + 2.0 * sizes.shell_thickness, core),
        magnetic_diameter=of_each(
            lambda of: np.maximum(of - 2.0 * sizes.dead_layer, 0.0),
            core if single is None else np.full(count, single),
        ),
        moment=of_each(partial(dipolar.largest_moments, sizes), core),
        sides=(float(sides[0]), float(sides[1])),
        thickness=film.thickness,
    )
