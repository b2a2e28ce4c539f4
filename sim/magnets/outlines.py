"""Magnets as drawn: their outlines from above and from the side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product
from typing import Any

import numpy as np

from analysis.common.arrays import Floats
from sim.magnets.shapes import Block, CurrentLoop, Disc, Magnet, Ring, Sphere, with_induced

CORNERS = 72
"""Corners of the polygon that stands for a circle."""


def outlines(magnets: Sequence[Magnet]) -> list[dict[str, Any]]:
    """Return the outlines of all magnets that have a place.

    Parameters
    ----------
    magnets : sequence of Magnet
        The sources; soft-iron spheres are shown as the others magnetise them.

    Returns
    -------
    list of dict
        ``above`` and ``side``: lists of polygons (k, 2) in m in the planes (x, y) and (x, z), the
        outer one first; ``centre`` (3,) in m; ``axis`` (3,), the unit vector of the magnetisation,
        or None for a coil.
    """
    return [_outline(magnet) for magnet in with_induced(magnets) if _bodies(magnet)]


def _outline(magnet: Magnet) -> dict[str, Any]:
    """Return the outlines of one magnet."""
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_rotvec(magnet.rotation)
    is_round = isinstance(magnet, Sphere)  # two of its circles stand for it, which must not turn
    bodies = [
        (points if is_round else turn.apply(points)) + np.asarray(magnet.position)
        for points in _bodies(magnet)
    ]
    pole = np.asarray(getattr(magnet, "polarisation", (0.0, 0.0, 0.0)), dtype=np.float64)
    size = float(np.linalg.norm(pole))
    return {
        "above": [_hull(points[:, [0, 1]]) for points in bodies],
        "side": [_hull(points[:, [0, 2]]) for points in bodies],
        "centre": np.asarray(magnet.position, dtype=np.float64),
        "axis": turn.apply(pole / size) if size > 0.0 else None,
    }


def _bodies(magnet: Magnet) -> list[Floats]:
    """Return points (n, 3) in m whose hulls are the outlines, before turning; none for a field."""
    if isinstance(magnet, Sphere):
        rims = [_rim(magnet.diameter, 0.0)[:, order] for order in ((0, 1, 2), (0, 2, 1))]
        return [np.concatenate(rims)]
    if isinstance(magnet, Block):
        signs = np.array(list(product((-0.5, 0.5), repeat=3)))
        return [signs * np.asarray(magnet.sides)]
    if isinstance(magnet, Disc):
        return [_drum(magnet.diameter, magnet.height)]
    if isinstance(magnet, Ring):
        hole = _drum(magnet.inner_diameter, magnet.height)
        return [_drum(magnet.diameter, magnet.height), hole]
    if isinstance(magnet, CurrentLoop):
        return [_rim(magnet.diameter, 0.0)]
    return []


def _rim(diameter: float, height: float) -> Floats:
    """Return points on a circle about z."""
    turn = np.linspace(0.0, 2.0 * math.pi, CORNERS, endpoint=False)
    radius = 0.5 * diameter
    return np.stack(
        [radius * np.cos(turn), radius * np.sin(turn), np.full(CORNERS, height)], axis=1
    )


def _drum(diameter: float, height: float) -> Floats:
    """Return points on both rims of a cylinder about z."""
    return np.concatenate([_rim(diameter, -0.5 * height), _rim(diameter, 0.5 * height)])


def _hull(points: Floats) -> Floats:
    """Return the convex polygon around points (n, 2); a line where they lie on one."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except QhullError:  # a coil seen from its edge
        return np.asarray(points[ConvexHull(points, qhull_options="QJ").vertices])
