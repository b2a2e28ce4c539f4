"""How stiff the added pair forces are where thermal motion takes a pair of particles."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.common.constants import ZETA3
from sim.interactions.added import AddedPairs
from sim.interactions.steric import StericLaw

REACHED = 10.0
"""Climbs in kT that thermal motion makes within a run; behind higher ones no pair is followed."""

CLIMBED = 25.0
"""Climbs in kT that a film may make within a run.

A pair leaves a well over a climb of E kT about D sqrt(k k')/(2 pi) exp(-E) per unit of time (H. A.
Kramers, Physica 7, 284 (1940)); with D = 2 and curvatures of layers, k = 3000 kT/d^2, that is 1e3
exp(-E) in d^2/D: at 25 kT one of 1e5 pairs in 7e5 d^2/D, at 10 kT each of them every 22.
"""

CROWDED = 0.85
"""Nearest pairs of a start eased without room stand at 0.87 of the spacing (22 in a layer)."""
POINTS = 600
NEAREST = 1e-3


def added_curvature(
    law: StericLaw,
    added: AddedPairs,
    first: tuple[Floats, Floats],
    second: tuple[Floats, Floats],
    crowded: float = math.inf,
) -> Floats:
    """Return the largest |U''| of the added forces over the distances that pairs reach.

    Parameters
    ----------
    law : StericLaw
        Repulsion, reduced.
    added : AddedPairs
        Added forces, reduced.
    first, second : tuple of float64 arrays (n,)
        Steric radii and moments of the two particles of each pair, reduced.
    crowded : float
        Distance to which the others press particles that repel from afar.

    Returns
    -------
    float64 (n,)
        In kT per squared unit of length.

    Notes
    -----
    On the way in from far away, head to tail, a pair gets as far as the first climb of `REACHED`
    above the lowest energy met so far.
    """
    radius_i, moment_i = first
    radius_j, moment_j = second
    cores = radius_i + radius_j - 2.0 * law.shell
    least = min([0.25 * law.contact_gap for law in added.laws if law.contact_gap] + [NEAREST])
    gaps = np.geomspace(least, 3.0 * float(np.max(radius_i + radius_j)), POINTS)[::-1]
    r = cores + gaps[:, None]
    energy = added.energy(radius_i, radius_j, r) + law.energy(radius_i, radius_j, r)
    energy -= 2.0 * moment_i * moment_j / r**3
    climbed = energy - np.minimum.accumulate(energy, axis=0)
    is_reached = np.logical_and.accumulate(climbed <= REACHED, axis=0)
    step = 1e-4 * gaps[:, None]
    ahead = added.force(radius_i, radius_j, r + step)
    behind = added.force(radius_i, radius_j, r - step)
    curvature = np.abs((behind - ahead) / (2.0 * step))
    # Where cores touch the force ends at once; just outside it is at its stiffest.
    gap = added.contact_gap
    is_reached &= (r - step > cores + gap) | (gap == 0.0)
    reached = np.max(np.where(is_reached, curvature, 0.0), axis=0)
    if not added.repulsions or not math.isfinite(crowded):
        return np.asarray(reached)
    r = np.maximum(crowded, radius_i + radius_j)
    change = sum(
        one.force(radius_i, radius_j, r * (1.0 - 1e-4))
        - one.force(radius_i, radius_j, r * (1.0 + 1e-4))
        for one in added.repulsions
    )
    return np.asarray(np.maximum(reached, change / (2e-4 * r)))


def kept_apart(
    added: AddedPairs,
    first: tuple[Floats, Floats],
    second: tuple[Floats, Floats],
    crowded: float,
    pressed: float,
) -> NDArray[np.bool_]:
    """Return which pairs the added forces keep from ever touching with their shells.

    Parameters
    ----------
    added : AddedPairs
        Added forces, reduced.
    first, second : tuple of float64 arrays (n,)
        Steric radii and moments of the two particles of each pair, reduced.
    crowded : float
        Distance to which the others press particles that repel from afar.
    pressed : float
        Force with which weight and gradient press the two together, in kT over the unit of length.

    Returns
    -------
    bool (n,)
        True where more than `CLIMBED` stands before contact, head to tail, in the middle of a
        chain whose members attract zeta(3) times as strongly as the pair alone.
    """
    radius_i, moment_i = first
    radius_j, moment_j = second
    contact = radius_i + radius_j
    if not added.repulsions or crowded <= float(np.max(contact)):
        return np.zeros(len(contact), dtype=bool)
    gaps = np.geomspace(NEAREST, 3.0 * float(np.max(contact)), POINTS)[::-1]
    r = contact + gaps[:, None]
    energy = added.energy(radius_i, radius_j, r) + pressed * r
    energy -= ZETA3 * 2.0 * moment_i * moment_j / r**3
    climbed = energy - np.minimum.accumulate(energy, axis=0)
    return np.asarray(np.max(climbed, axis=0) > CLIMBED)


def crowded_distance(radius: Floats, sides: tuple[float, float], thickness: float) -> float:
    """Return how near particles come that keep as far from each other as the film lets them.

    `CROWDED` of the spacing of hexagonal layers that fill the film one above the other.
    """
    area = sides[0] * sides[1]
    room = max(thickness - 2.0 * float(radius.mean()), 0.0)
    spacing = math.inf
    for layers in range(1, len(radius) + 1):
        found = math.sqrt(2.0 / math.sqrt(3.0) * layers * area / len(radius))
        if layers > 1 and (layers - 1) * math.sqrt(2.0 / 3.0) * found > room:
            break
        spacing = found
    return CROWDED * spacing
