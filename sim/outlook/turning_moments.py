"""How the moment of a core turns: inside its core, or with it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.common.constants import BOLTZMANN
from sim.physics import material

if TYPE_CHECKING:
    from sim.parameters.types import Parameters

LARGEST_TIME = 1e100
"""Times in s above this one are not told apart; readers of run files take no larger number."""


def neel_time(parameters: Parameters, core: float, form: str) -> float:
    """Time in which the moment of a core turns inside it.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.
    core : float
        Core diameter in m.
    form : str
        "simple" or "high_barrier", see `sim.physics.material.neel_time`.

    Returns
    -------
    float
        In s, at most `LARGEST_TIME` so that it can be stored.
    """
    sizes = parameters.particles
    volume = math.pi / 6.0 * max(core - 2.0 * sizes.dead_layer, 0.0) ** 3
    if sizes.anisotropy * volume == 0.0:
        return sizes.attempt_time
    temperature = parameters.carrier.temperature
    time = material.neel_time(volume, sizes.anisotropy, sizes.attempt_time, temperature, form)
    return min(float(time), LARGEST_TIME)


def crossing_cores(parameters: Parameters) -> tuple[float, float] | None:
    """Find the core diameters above which a particle turns as a whole sooner than its moment.

    Parameters
    ----------
    parameters : Parameters
        Checked parameters, SI.

    Returns
    -------
    tuple of float or None
        Smaller and larger core diameter in m, for the two usual prefactors of the Neel time at the
        file's anisotropy and viscosity; None without anisotropy.
    """
    if parameters.particles.anisotropy <= 0.0:
        return None
    found = sorted(_crossing(parameters, form) for form in ("simple", "high_barrier"))
    return found[0], found[1]


def _crossing(parameters: Parameters, form: str) -> float:
    """Core diameter in m where the Neel time passes the Brown time for good, by bisection."""
    sizes, carrier = parameters.particles, parameters.carrier

    def is_blocked(core: float) -> bool:
        diameter = core + 2.0 * sizes.shell_thickness
        brown = material.brown_time(carrier.viscosity, diameter, carrier.temperature)
        return neel_time(parameters, core, form) > float(brown)

    # Below K V = 1.5 kT the high-barrier form has no meaning and rises again.
    volume = 1.5 * BOLTZMANN * carrier.temperature / sizes.anisotropy
    low = math.cbrt(6.0 * volume / math.pi) + 2.0 * sizes.dead_layer
    high = low
    while not is_blocked(high):
        low, high = high, 1.2 * high
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if is_blocked(middle) else (middle, high)
    return high
