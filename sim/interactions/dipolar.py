"""Dipole pairs in SI: moments of given cores and their head-to-tail energy.

The radial factors are those of ``sim.kernels.laws.pairs``, as in the engine.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN, MU0
from analysis.common.laws import langevin
from sim.interactions.pairs import floats
from sim.kernels.laws import pairs as pair_laws
from sim.physics import beads, material

if TYPE_CHECKING:
    from sim.parameters.particle_types import ParticleParameters
    from sim.parameters.types import Parameters


def largest_moments(sizes: ParticleParameters, core: ArrayLike) -> Floats:
    """Moments of particles at saturation.

    Parameters
    ----------
    sizes : ParticleParameters
        The particles of a run.
    core : array_like
        Core diameters in m; of multicore particles those of the beads.

    Returns
    -------
    ndarray
        Moments in A m2, of the shape of ``core``.
    """
    if sizes.small_core_diameter is None:
        found = material.moment(np.asarray(core), sizes.magnetisation, sizes.dead_layer)
    else:
        found = beads.saturation_moment(
            core,
            sizes.magnetic_share,
            sizes.small_core_diameter,
            sizes.magnetisation,
            sizes.dead_layer,
        )
    return np.asarray(found, dtype=np.float64)


def core_langevin_parameter(parameters: Parameters, field: float) -> float:
    """Langevin parameter m_core B/kT of the cores of beads in a field in T; 0 without beads."""
    sizes = parameters.particles
    core = sizes.small_core_diameter
    if core is None:
        return 0.0
    moment = beads.core_moment(core, sizes.magnetisation, sizes.dead_layer)
    return float(material.langevin_parameter(moment, field, parameters.carrier.temperature))


def moments(parameters: Parameters, core: ArrayLike) -> Floats:
    """Moments of particles that are alone in the largest field of a run.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    core : array_like
        Core diameters in m; of multicore particles those of the beads.

    Returns
    -------
    ndarray
        Moments in A m2, of the shape of ``core``: fixed ones, or m_s L(xi) of multicore beads.
    """
    found = largest_moments(parameters.particles, core)
    if parameters.particles.is_multicore:
        xi = core_langevin_parameter(parameters, parameters.field.largest)
        found = found * langevin(xi)
    return found


def head_to_tail_energy(
    parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike, distance: ArrayLike
) -> Floats:
    """Dipole energy of pairs with both moments along the line of centres.

    Parameters are those of `sim.interactions.pairs.PairLaw.pair_energy`.

    Returns
    -------
    ndarray
        Energy -2 mu0 m_i m_j/(4 pi r^3 kT) in kT, of the broadcast shape.
    """
    (r,) = floats(distance)
    thermal = BOLTZMANN * parameters.carrier.temperature
    product = moments(parameters, core_i) * moments(parameters, core_j)
    strength = MU0 / (4.0 * math.pi * thermal) * product
    isotropic, directed, _ = pair_laws.dipole_radial(r * r, math.inf)
    return np.asarray(strength * (isotropic - directed * r * r), dtype=np.float64)


def pair_coupling(
    parameters: Parameters, core_i: ArrayLike, core_j: ArrayLike, distance: ArrayLike
) -> Floats:
    """Coupling of pairs at a distance, half of their head-to-tail attraction.

    Parameters are those of `head_to_tail_energy`.

    Returns
    -------
    ndarray
        mu0 m_i m_j/(4 pi r^3 kT), without unit, of the broadcast shape.
    """
    return -0.5 * head_to_tail_energy(parameters, core_i, core_j, distance)
