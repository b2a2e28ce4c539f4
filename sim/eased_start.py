"""Particles of a start pushed apart until the repulsion of their charges can be followed.

Places without overlap may lie deep inside double layers that reach further than the shells: from
there forces would throw the particles. Each pair moves along its line by ln(U/U0)/kappa, by which a
screened repulsion falls from U to U0, at most a quarter of a diameter at a time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim.interactions.electrostatic import ElectrostaticLaw, law_energy

if TYPE_CHECKING:
    from sim.reduced_system import ReducedSystem

__all__ = ["HIGHEST", "eased"]

Floats = NDArray[np.float64]

HIGHEST = 5.0
"""Repulsion of a pair in kT that a start may have, as deep as thermal collisions go."""
PASSES = 400
LONGEST_MOVE = 0.25


def eased(system: ReducedSystem, positions: Floats) -> Floats:
    """Return places at which no pair repels by more than `HIGHEST`, as far as there is room.

    Parameters
    ----------
    system : ReducedSystem
    positions : float64 (N, 3)
        Reduced; not changed.

    Returns
    -------
    float64 (N, 3)
        The same places where no charges act.
    """
    if system.charging == 0.0 or system.count < 2:
        return positions
    law = ElectrostaticLaw(system.charging, system.screening)
    reach = min(system.added_reach, 0.499 * min(system.sides))
    places = positions.copy()
    for _ in range(PASSES):
        moves = _moves(system, law, places, reach)
        if moves is None:
            break
        places += moves
        places[:, :2] %= system.sides
        places[:, :2][places[:, :2] >= system.sides] = 0.0
        places[:, 2] = np.clip(places[:, 2], system.radius, system.thickness - system.radius)
    return places


def _moves(
    system: ReducedSystem, law: ElectrostaticLaw, places: Floats, reach: float
) -> Floats | None:
    """Return how all pairs that repel too much move their particles; None if none does."""
    from scipy.spatial import cKDTree

    tall = system.thickness + 2.0 * reach  # z is not periodic
    pairs = cKDTree(places, boxsize=(*system.sides, tall)).query_pairs(reach, output_type="ndarray")
    if not len(pairs):
        return None
    i, j = pairs.T
    gap = places[i] - places[j]
    sides = np.array(system.sides)
    gap[:, :2] -= sides * np.rint(gap[:, :2] / sides)
    r = np.maximum(np.linalg.norm(gap, axis=1), 1e-6)
    energy = law_energy(law, system.radius[i], system.radius[j], r)
    near = energy > HIGHEST
    if not near.any():
        return None
    i, j, gap, r = i[near], j[near], gap[near], r[near]
    apart = np.minimum(1.01 * np.log(energy[near] / HIGHEST) / law.screening + 1e-3, LONGEST_MOVE)
    shift = 0.5 * (apart / r)[:, None] * gap
    moves = np.zeros_like(places)
    np.add.at(moves, i, shift)
    np.add.at(moves, j, -shift)
    length = np.linalg.norm(moves, axis=1)
    moves *= np.minimum(1.0, LONGEST_MOVE / np.maximum(length, 1e-12))[:, None]
    return moves
