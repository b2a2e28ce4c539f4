"""How a run sums its dipoles: the mesh that its tolerance needs, and how often it is summed."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np

from analysis.common.arrays import Floats
from analysis.common.blocks import of_each
from sim.interactions.mesh.plan import MeshPlan, plan_mesh

FEWEST_FOR_MESH = 40
"""Up to this many dipoles the exact sum costs no more than a mesh."""

# A field kept while the moments turn by an angle is wrong by about this share of it, relative to
# the whole field: the smooth part's share, measured (tests/benchmarks/mesh_hold.py).
SMOOTH_SHARE = 0.07
# What the kept field may be wrong by, in tolerances: these errors follow the motion and change
# its sign, so that averages do not feel them.
HOLD_SHARE = 3.0
LONGEST_HOLD = 8
# The same for what is kept within an outer step, as the far pairs are.
OUTER_SHARE = 8.0


class DipolePlan(NamedTuple):
    """How the dipoles of a run are summed.

    Attributes
    ----------
    sum : str
        "mesh" or "exact".
    mesh : MeshPlan or None
        None for "exact".
    every : int
        Steps from one sum of the mesh to the next.
    """

    sum: Literal["mesh", "exact"]
    mesh: MeshPlan | None
    every: int


def steps_between_sums(turning: float, pace: float, tolerance: float) -> int:
    """Return how many steps the smooth part of the dipoles' field may be kept.

    Parameters
    ----------
    turning : float
        Rotational diffusion times the step: mean squared angle of a step over 4.
    pace : float
        Angle by which an applied field turns in a step.
    tolerance : float
        Of the dipole sum.

    Returns
    -------
    int
        1 to 8.
    """
    for steps in range(LONGEST_HOLD, 1, -1):
        age = 0.5 * (steps - 1)
        angle = math.sqrt(4.0 * turning * age) + pace * age
        if SMOOTH_SHARE * angle <= HOLD_SHARE * tolerance:
            return steps
    return 1


def longest_hold(turning: float, tolerance: float) -> float:
    """Return the longest outer step in which the smooth part of the dipoles' field may be kept.

    Parameters
    ----------
    turning : float
        Rotational diffusion of the moments.
    tolerance : float
        Of the dipole sum.

    Returns
    -------
    float
        In the unit of 1/turning; half of it is the mean age of what is kept.
    """
    angle = OUTER_SHARE * tolerance / SMOOTH_SHARE
    return 0.5 * angle**2 / max(turning, 1e-300)


def plan_dipoles(
    sides: tuple[float, float],
    thickness: float,
    moment: Floats,
    radius: Floats,
    tolerance: float,
    every: int,
) -> DipolePlan:
    """Choose the mesh of a run, or the exact sum where there are few dipoles.

    Parameters
    ----------
    sides : (float, float)
    thickness : float
        Of the film, in the unit of `sides`.
    moment : float64 (N,)
        Any unit.
    radius : float64 (N,)
        Half the steric diameters, in the unit of `sides`.
    tolerance : float
        Relative RMS error of field and force, 1e-8 to 0.1.
    every : int
        Steps from one sum of the mesh to the next.

    Returns
    -------
    DipolePlan
    """
    count, square = len(moment), of_each(np.square, moment)
    strength = float(square.mean())
    if count <= FEWEST_FOR_MESH or strength == 0.0:
        return DipolePlan("exact", None, 1)
    # The strong dipoles make the fields: their diameters say how near they come.
    nearest = 2.0 * float(of_each(np.multiply, square, radius).mean()) / strength
    ratio = float(np.sqrt(of_each(np.square, square).mean())) / strength
    try:
        mesh = plan_mesh(
            sides, thickness, tolerance, count, nearest, moment_ratio=ratio, every=every
        )
    except ValueError:  # too narrow a patch for so fine a tolerance
        return DipolePlan("exact", None, 1)
    return DipolePlan("mesh", mesh, every)
