"""The first films: where theory has hope, spread over the box."""

from __future__ import annotations

import numpy as np

from analysis.common.arrays import Floats
from sim.design.scan import HOPELESS


def first_places(points: Floats, odds: Floats, margins: Floats, count: int) -> Floats:
    """Choose the places of the first films.

    Parameters
    ----------
    points : (places, keys) array
        Places that are films.
    odds, margins : (places,) array
        Odds of all wishes by theory with its bands, and how far inside them it lies.
    count : int
        Films wanted.

    Returns
    -------
    (count, keys) array
        The likeliest place, then each time that which is farthest from all chosen ones among those
        that theory does not give up; the nearest misses where it gives up all.
    """
    hope = np.flatnonzero(odds >= HOPELESS)
    if len(hope) < count:
        hope = np.argsort(-margins, kind="stable")[: max(count, len(points) // 4)]
    inside = points[hope]
    chosen = [int(np.argmax(odds[hope] + 1e-9 * margins[hope]))]
    apart = np.full(len(inside), np.inf)
    while len(chosen) < min(count, len(inside)):
        apart = np.minimum(apart, ((inside - inside[chosen[-1]]) ** 2).sum(axis=1))
        chosen.append(int(np.argmax(apart)))
    return inside[chosen]
