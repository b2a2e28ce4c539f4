"""How many inner steps make an outer one: what moves slowly decides how long that may be.

Near pairs, windows, the applied field and the own moment are followed in each inner step; what
other particles do from afar is summed once an outer step. It changes as they turn and move. The
limits below keep the biases of mean pair energies and bond length under 1 % (measured, see
DEVELOPERS.md, "Bias of the time step").
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from sim.interactions.dipole_plan import longest_hold
from sim.time_step import round_down

if TYPE_CHECKING:
    from sim.reduced_system import ReducedSystem

__all__ = ["can_split", "longest_outer_step", "with_inner_steps"]

# Outer step of particles of the median size, in d0^2/D0, in which they move by 0.06 d0.
LONGEST_OUTER = 1.6e-3
# Longest outer step times coupling: the pull of the next but one in a chain is kept.
COUPLING_SHARE = 0.015
# Fewer inner steps do not pay for the kept sums.
FEWEST_INNER = 3
STEPS_A_FRAME = 5


def can_split(system: ReducedSystem) -> bool:
    """Say whether the steps of a film may have inner ones.

    Momenta, induced moments and exact sums need everything anew in each step; van der Waals and
    electrostatic forces reach further than near pairs.
    """
    return not (
        system.has_momenta
        or system.induced
        or system.dipole_sum == "exact"
        or system.hamaker != 0.0
        or system.charging != 0.0
    )


def longest_outer_step(system: ReducedSystem, shortest_period_step: float) -> float:
    """Return how long the far pairs may be kept, reduced.

    Parameters
    ----------
    system : ReducedSystem
        Any; its step does not matter.
    shortest_period_step : float
        Longest step that a turning field allows, reduced.
    """
    diameter = 2.0 * system.radius
    coupling = float(np.max(system.moment**2 / diameter**3))
    weight = system.moment**2
    turning = float(np.sum(weight * system.turning) / max(float(weight.sum()), 1e-300))
    longest = min(
        LONGEST_OUTER * float(diameter.min()),
        COUPLING_SHARE / max(coupling, 1e-300),
        3.0 * LONGEST_OUTER / max(turning, 1e-300),
        shortest_period_step,
    )
    if system.dipole_sum == "mesh":
        longest = min(longest, longest_hold(turning, system.tolerance))
    return longest


def with_inner_steps(
    system: ReducedSystem, period_step: float, interval: float, margin: float
) -> ReducedSystem:
    """Return a system of automatic steps with as many inner ones as pay.

    Parameters
    ----------
    system : ReducedSystem
        With the longest plain step.
    period_step : float
        Longest step that a turning field allows, reduced.
    interval : float
        Longest outer step in s that the frames leave.
    margin : float
        Of the list with inner steps.

    Returns
    -------
    ReducedSystem
        The inner steps are at most as long as the plain one.
    """
    if not can_split(system):
        return system
    longest = longest_outer_step(system, period_step) * system.units.time_s
    dt_s = round_down(min(longest, interval))
    inner = math.ceil(dt_s / system.dt_s * (1.0 - 1e-9))
    if inner < FEWEST_INNER:
        return system
    dt = dt_s / system.units.time_s
    return dataclasses.replace(system, dt=dt, dt_s=dt_s, inner_steps=inner, list_margin=margin)
