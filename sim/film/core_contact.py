"""Cores that touch under layers of surfactant too weak to hold them apart.

The law of the layers is finite where cores touch, that of two point dipoles grows without end: weak
layers would let particles fall into each other, and no time step follows that. Cores are hard;
where layers do not hold, cores push as springs that dipoles press together by 2 % of a core.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.common.arrays import Floats
from sim.film.added_stiffness import CLIMBED
from sim.film.time_step import numbers_by_size

if TYPE_CHECKING:
    from sim.interactions.added import AddedPairs
    from sim.interactions.steric import StericLaw

PRESSED = 300.0
"""Stiffness of two cores in lambda kT per squared core diameter, lambda that of cores in touch.

Head to tail they pull with 6 lambda kT per diameter: 300 x = 6/(1 - x)^4 has x = 0.022, and from
there it is 18 lambda kT uphill to where dipoles win, at x = 0.57.
"""
ADDED_COUPLING = 0.5
"""Coupling that springs are made for beyond the given one, so that 35 kT and more, whatever the
coupling, keep dipoles from winning."""
POINTS = 400
SIZES_COMPARED = 5
DEEPEST = 0.3
"""Nearest distance looked at, in contact distances: whoever gets there falls on."""


def contact_stiffness(
    law: StericLaw,
    radius: Floats,
    moment: Floats,
    added: AddedPairs | None = None,
    load: float = 0.0,
) -> float:
    """Return the stiffness of cores that touch under layers of surfactant, in kT/d0^2.

    Parameters
    ----------
    law : StericLaw
        The repulsion, reduced.
    radius, moment : float64 (N,)
        Steric radii and largest moments, reduced.
    added : AddedPairs or None
        Added pair laws.
    load : float
        Largest force that weight and gradients press a particle with, in kT/d0.

    Returns
    -------
    float
        0 where layers hold, and for soft cores, which have no hard ones inside.
    """
    if layers_hold(law, radius, moment, added, load):
        return 0.0
    core = 2.0 * (radius - law.shell)
    coupling = moment**2 / core**3 + ADDED_COUPLING
    return PRESSED * float(np.max((coupling + load * core / 6.0) / core**2))


def layers_hold(
    law: StericLaw,
    radius: Floats,
    moment: Floats,
    added: AddedPairs | None = None,
    load: float = 0.0,
) -> bool:
    """Say whether layers keep the cores of all pairs apart, head to tail.

    Parameters are those of `contact_stiffness`.

    Returns
    -------
    bool
        True for soft cores, and where a climb of `CLIMBED` stands before all places at which cores
        lie deep in each other.
    """
    if law.is_soft:
        return True
    order = numbers_by_size(radius, SIZES_COMPARED)
    radius, moment = radius[order], moment[order]
    i, j = np.triu_indices(len(radius))
    r = np.linspace(1.0, DEEPEST, POINTS)[:, None] * (radius[i] + radius[j])
    energy = law.energy(radius[i], radius[j], r) - 2.0 * moment[i] * moment[j] / r**3
    energy += load * r
    if added is not None and added.acts:
        energy += added.energy(radius[i], radius[j], r)
    climb = np.max(energy - np.minimum.accumulate(energy, axis=0), axis=0)
    return not np.any(climb < CLIMBED)
