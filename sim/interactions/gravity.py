"""Weight less buoyancy, and the pull of a gradient of the field, on single particles.

Both push along the film as well as across it. Across it they have an energy; along a periodic film
a steady pull has none: particles that it moves come back on the other side.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from analysis.common.arrays import Floats
from analysis.common.constants import BOLTZMANN
from sim.kernels.laws import pairs as pair_laws
from sim.physics.uniaxial_gradient import Gradient

if TYPE_CHECKING:
    from sim.parameters.types import Parameters
    from sim.physics.units import ReducedUnits


class GravityLaw(NamedTuple):
    """Constants of the weight as the kernels take them.

    Attributes
    ----------
    core_weight, shell_weight : float
        4 pi/3 times the weight per volume of cores and of shells, less that of the liquid, in kT
        over the unit of length to the power 4; 0 without gravity.
    """

    core_weight: float
    shell_weight: float


def gravity_law(parameters: Parameters, length_m: float = 1.0) -> GravityLaw:
    """Give the constants of the weight that a parameter file asks for.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    length_m : float
        Length unit of the constants in m: 1 for SI, the median diameter for the engine.

    Returns
    -------
    GravityLaw
        Constants.
    """
    thermal = BOLTZMANN * parameters.carrier.temperature
    scale = 4.0 * math.pi / 3.0 * parameters.gravity.acceleration * length_m**4 / thermal
    liquid, sizes = parameters.carrier.density, parameters.particles
    return GravityLaw(scale * (sizes.body_density - liquid), scale * (sizes.shell_density - liquid))


class BodyForces(NamedTuple):
    """What acts on each particle by itself, reduced.

    Attributes
    ----------
    core_weight, shell_weight : float
        As in `GravityLaw`.
    down : tuple of float
        Where things fall.
    gradient : tuple of float
        dB_a/dx_b as (xx, yy, zz, xy, xz, yz).
    """

    core_weight: float = 0.0
    shell_weight: float = 0.0
    down: tuple[float, float, float] = (0.0, 0.0, -1.0)
    gradient: Gradient = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

    @property
    def acts(self) -> bool:
        """Whether there is any."""
        return any(part != 0.0 for part in (self.core_weight, self.shell_weight, *self.gradient))


def body_forces(parameters: Parameters, units: ReducedUnits) -> BodyForces:
    """Give weight and gradient of a parameter file in reduced units."""
    law, gradient = gravity_law(parameters, units.length_m), gradient_components(parameters, units)
    return BodyForces(*law, parameters.gravity.direction, gradient)


def weight(parameters: Parameters, core: ArrayLike) -> Floats:
    """Weight less buoyancy of particles in SI.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    core : array_like
        Core diameters in m.

    Returns
    -------
    ndarray
        Weight in kT/m, of the shape of ``core``; negative for particles that rise.
    """
    law, shell = gravity_law(parameters), parameters.particles.shell_thickness
    radius = 0.5 * np.asarray(core, dtype=np.float64) + shell
    return np.asarray(pair_laws.buoyant_weight(radius, shell, *law), dtype=np.float64)


def gradient_components(parameters: Parameters, units: ReducedUnits) -> Gradient:
    """Give the gradient of a parameter file in reduced units.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    units : ReducedUnits
        What one unit is in SI.

    Returns
    -------
    tuple of float
        As `sim.physics.uniaxial_gradient` gives it, in field units per unit of length.
    """
    scale = units.length_m / units.field_t
    xx, yy, zz, xy, xz, yz = parameters.field.gradient
    return scale * xx, scale * yy, scale * zz, scale * xy, scale * xz, scale * yz
