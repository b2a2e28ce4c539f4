"""How many inner steps make an outer one: what moves slowly decides how long that may be.

Near pairs, windows, the applied field and the own moment are followed in each inner step; what
other particles do from afar is summed once per outer step. It changes as they turn and move. The
limits below keep the biases of mean pair energies and bond length under 1 % (measured, see
tests/benchmarks/README.md, "Bias of the time step").
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.common.blocks import largest_of_each, of_each
from sim.film.time_step import TURNING_SHARE, round_down
from sim.interactions.dipole_plan import longest_hold
from sim.kernels.laws.pairs import SOFT_CORE, SURFACTANT

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem
    from sim.film.time_step import StepLimits

# Outer step of particles of the median size, in d0^2/D0, in which they move by 0.07 d0.
LONGEST_OUTER = 2.4e-3
# Longest outer step times coupling: the pull of the next but one in a chain is kept.
COUPLING_SHARE = 0.018
# Inner steps in multiples of the plain automatic step, k D dt = 0.25 for the stiffest pair: a
# soft core gives way gently, layers of surfactant have an edge.
INNER_FACTOR = {SOFT_CORE: 3.0, SURFACTANT: 1.6}
# Fewer inner steps do not pay for the kept sums.
FEWEST_INNER = 3
STEPS_PER_FRAME = 5


def can_split(system: ReducedSystem) -> bool:
    """Say whether the steps of a film may have inner ones.

    Momenta, induced moments and exact sums need everything again in each step, and so does the flow
    that particles stir up, which costs more than all forces; added pair laws reach further than
    near pairs.
    """
    return not (
        system.has_momenta or system.induced or system.dipole_sum == "exact" or system.added.acts
    )


def mean_turning(system: ReducedSystem) -> float:
    """Return the rotational diffusion of the film's moments, by the squares of these."""
    weight = of_each(np.square, system.moment)
    weighted = of_each(np.multiply, weight, system.turning)
    return float(np.sum(weighted) / max(float(weight.sum()), 1e-300))


def longest_outer_step(system: ReducedSystem) -> float:
    """Return how long the far pairs may be kept, reduced; the step of the system does not matter.

    A turning field has a limit of its own.
    """
    coupling = largest_of_each(
        lambda radius, moment: moment**2 / (2.0 * radius) ** 3, system.radius, system.moment
    )
    turning = mean_turning(system)
    longest = min(
        LONGEST_OUTER * float(2.0 * system.radius.min()),
        COUPLING_SHARE / max(coupling, 1e-300),
        3.0 * LONGEST_OUTER / max(turning, 1e-300),
    )
    if system.dipole_sum == "mesh":
        longest = min(longest, longest_hold(turning, system.tolerance))
    return longest


def with_inner_steps(
    system: ReducedSystem, limits: StepLimits, fastest: float, interval: float, margin: float
) -> ReducedSystem:
    """Return a system of automatic steps with as many inner ones as pay.

    Parameters
    ----------
    system : ReducedSystem
        With the longest plain step.
    limits : StepLimits
        Of that step.
    fastest : float
        Largest rotational diffusion times steepness of the field that a moment may meet.
    interval : float
        Longest outer step in s that the frames leave.
    margin : float
        Of the list with inner steps.
    """
    if not can_split(system):
        return system
    unit = system.units.time_s
    wider = limits.with_stiffness(INNER_FACTOR[system.repulsion.kind])
    inner = min(wider.shortest, TURNING_SHARE / max(fastest, 1e-300)) * unit
    inner = max(inner, system.dt_s)
    dt_s = round_down(min(longest_outer_step(system) * unit, limits.period * unit, interval))
    count = math.ceil(dt_s / inner * (1.0 - 1e-9))
    if count < FEWEST_INNER:
        return system
    return dataclasses.replace(
        system,
        dt=dt_s / unit,
        dt_s=dt_s,
        inner_steps=count,
        list_margin=margin,
        limit=wider.reason,
    )
