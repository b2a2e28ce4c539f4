"""Particles of a start moved apart until what they repel each other with can be followed.

Places without overlap may lie deep inside double layers that reach further than the shells: from
there forces would throw the particles. Each pair moves along its line by ln(U/U0)/kappa, by
which a screened repulsion falls from U to U0, nobody by more than a quarter of a diameter at a
time. Places of another
run are those of its own forces and sizes: pairs whose whole energy is higher than any in
equilibrium move apart little by little, all others stay.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from sim.kernels.laws.pairs import SOFT_CORE_REACH2

if TYPE_CHECKING:
    from sim.film.reduced_system import ReducedSystem

Integers = NDArray[np.intp]

HIGHEST = 5.0
"""Repulsion of a pair in kT that a start may have, as deep as thermal collisions go."""
HIGHEST_KEPT = 12.0
"""Energy of a pair, dipoles included, or with a window, in kT, that places of a run may have."""
PASSES = 400
LITTLE = 0.02
LONGEST_MOVE = 0.25


def nearest_to_window(system: ReducedSystem) -> Floats:
    """Return how near to a window each centre may start, (N,), by the energy `HIGHEST_KEPT`.

    Windows are mirrors at which soft cores stand; 4e (x^12 - x^6) + e = U has
    x^6 = (1 + sqrt(U/e))/2, with x = 2 R/(z + R).
    """
    x = (0.5 * (1.0 + np.sqrt(HIGHEST_KEPT / system.window_strength))) ** (1.0 / 6.0)
    share = float(np.clip(2.0 / x - 1.0, 0.2, 1.2))
    return np.minimum(share * system.radius, 0.5 * system.thickness)


def eased_from_run(system: ReducedSystem, positions: Floats, directions: Floats) -> Floats:
    """Return places of another run at which no pair has more than `HIGHEST_KEPT`, where it can be.

    Parameters
    ----------
    system : ReducedSystem
    positions, directions : float64 (N, 3)
        Reduced; not changed.

    Returns
    -------
    float64 (N, 3)
        The same places where all pairs are as in equilibrium.
    """
    places, lowest = positions.copy(), nearest_to_window(system)
    widest = math.sqrt(SOFT_CORE_REACH2) * 2.0 * float(system.radius.max())
    reach = min(max(system.added_reach, widest), 0.499 * min(system.sides))
    for _ in range(PASSES):
        pairs, gap, r = _pairs(system, places, reach)
        energy = _whole_energy(system, directions, pairs, gap, r)
        near = energy > HIGHEST_KEPT
        if not near.any():
            break
        apart = np.full(int(near.sum()), LITTLE)
        places = _kept_inside(
            system, places + _moved(places, pairs[near], gap[near], r[near], apart), lowest
        )
    return places


def _whole_energy(
    system: ReducedSystem, directions: Floats, pairs: Integers, gap: Floats, r: Floats
) -> Floats:
    """Return all that repels pairs, and their dipoles, in kT; of induced moments no dipoles."""
    i, j = pairs.T
    radii = system.radius[i], system.radius[j]
    energy = system.repulsion.energy(*radii, r)
    for law in system.added.repulsions:
        energy += law.energy(*radii, r)
    if not system.induced:
        u, v, n = directions[i], directions[j], gap / r[:, None]
        angles = np.sum(u * v, axis=1) - 3.0 * np.sum(u * n, axis=1) * np.sum(v * n, axis=1)
        energy += system.moment[i] * system.moment[j] / r**3 * angles
    return np.asarray(energy)


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
        The same places where nothing repels from afar.
    """
    if not system.added.repulsions or system.count < 2:
        return positions
    reach = min(system.added_reach, 0.499 * min(system.sides))
    places = positions.copy()
    best, least = places, np.inf
    for number in range(PASSES):
        found = _moves(system, places, reach)
        if found is None:
            return places
        moves, highest = found
        if highest < least:
            best, least = places, highest
        # Where there is no room for all, moves that shrink find the widest places that there are.
        places = _kept_inside(system, places + (1.0 - number / PASSES) * moves, system.radius)
    return best


def _kept_inside(system: ReducedSystem, places: Floats, lowest: Floats) -> Floats:
    """Return places wrapped into the patch and at least ``lowest`` from the windows."""
    places[:, :2] %= system.sides
    places[:, :2][places[:, :2] >= system.sides] = 0.0
    places[:, 2] = np.clip(places[:, 2], lowest, system.thickness - lowest)
    return places


def _pairs(system: ReducedSystem, places: Floats, reach: float) -> tuple[Integers, Floats, Floats]:
    """Return (pairs (n, 2), gap (n, 3), distance (n,)) of all pairs in reach."""
    from scipy.spatial import cKDTree

    tall = system.thickness + 2.0 * reach  # z is not periodic
    pairs = cKDTree(places, boxsize=(*system.sides, tall)).query_pairs(reach, output_type="ndarray")
    i, j = pairs.T
    gap = places[i] - places[j]
    sides = np.array(system.sides)
    gap[:, :2] -= sides * np.rint(gap[:, :2] / sides)
    return pairs, gap, np.maximum(np.linalg.norm(gap, axis=1), 1e-6)


def _moved(places: Floats, pairs: Integers, gap: Floats, r: Floats, apart: Floats) -> Floats:
    """Return the moves of all particles that take pairs apart by ``apart``, half of it each."""
    i, j = pairs.T
    shift = 0.5 * (apart / r)[:, None] * gap
    moves = np.zeros_like(places)
    np.add.at(moves, i, shift)
    np.add.at(moves, j, -shift)
    longest = float(np.linalg.norm(moves, axis=1).max())
    return moves * min(1.0, LONGEST_MOVE / max(longest, 1e-12))


def _moves(system: ReducedSystem, places: Floats, reach: float) -> tuple[Floats, float] | None:
    """Return how all pairs that repel too much move, and the highest energy; None if none does."""
    pairs, gap, r = _pairs(system, places, reach)
    i, j = pairs.T
    laws = system.added.repulsions
    energy = np.asarray(sum(law.energy(system.radius[i], system.radius[j], r) for law in laws))
    near = energy > HIGHEST
    if not near.any():
        return None
    # As long as the overlap is deep: were all moves alike, crowded pairs would be driven together.
    rate = min(law.decay_rate for law in laws)
    apart = 1.01 * np.log(energy[near] / HIGHEST) / rate + 1e-3
    return _moved(places, pairs[near], gap[near], r[near], apart), float(energy.max())
