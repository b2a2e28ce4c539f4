"""Magnets that take the same room."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from sim.magnets.shapes import Block, Disc, Magnet, Ring, SoftIronSphere, Sphere

_SAMPLES = 21
_ROUNDING = 1e-9
"""Of the reach: magnets that touch do not overlap."""


def overlapping(numbered: Iterable[tuple[int, Magnet]]) -> set[tuple[int, int]]:
    """Find the magnets that take the same room.

    Parameters
    ----------
    numbered : iterable of tuple
        Number of the table in the file, and a magnet of it; coils have no body.

    Returns
    -------
    set of tuple of int
        Pairs of numbers, the smaller one first; both alike where copies of one table overlap.
        Overlaps thinner than about a twentieth of the smaller magnet may be missed.
    """
    bodies = [(number, magnet, size) for number, magnet in numbered if (size := reach(magnet))]
    if len(bodies) < 2:
        return set()
    from scipy.spatial import cKDTree  # a film without magnets does not wait for it

    # Only what is as near as the two largest bodies could overlap.
    near = cKDTree([magnet.position for _, magnet, _ in bodies]).query_pairs(
        2.0 * max(size for _, _, size in bodies)
    )
    found: set[tuple[int, int]] = set()
    for one, other in sorted(near):
        (i, first, a), (j, second, b) = bodies[one], bodies[other]
        if (i, j) not in found and _overlap(first, a, second, b):
            found.add((i, j))
    return found


def _overlap(first: Magnet, a: float, second: Magnet, b: float) -> bool:
    """Sample the box that holds what the spheres around both have in common."""
    centres = np.array([first.position, second.position])
    reaches = np.array([[a], [b]])
    low, high = (centres - reaches).max(axis=0), (centres + reaches).min(axis=0)
    if np.any(low >= high):
        return False
    axes = [np.linspace(*ends, _SAMPLES) for ends in zip(low, high, strict=True)]
    points = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 3)
    inside = np.maximum(first.clearance(points), second.clearance(points))
    return bool(np.any(inside < -_ROUNDING * max(a, b)))


def reach(magnet: Magnet) -> float:
    """Radius in m of the sphere around a body; 0 for coils."""
    if isinstance(magnet, Block):
        return 0.5 * math.hypot(*magnet.sides)
    if isinstance(magnet, Disc | Ring):
        return 0.5 * math.hypot(magnet.diameter, magnet.height)
    return 0.5 * magnet.diameter if isinstance(magnet, Sphere | SoftIronSphere) else 0.0
