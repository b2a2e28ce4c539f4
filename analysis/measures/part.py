"""The part of a large last frame that pictures and viewers get."""

from __future__ import annotations

from typing import Any

import numpy as np

MOST_SHOWN = 200_000
"""Particles of a picture: more are no longer seen one by one, and viewers grow slow."""


def part_of(frame: dict[str, Any]) -> dict[str, Any]:
    """Return a last frame cut down to a box around ``MOST_SHOWN`` particles.

    Parameters
    ----------
    frame : dict
        As ``Measurement.last_frame`` holds it.

    Returns
    -------
    dict
        The same where it holds no more. Else the corner of the film at the origin, of its shape,
        cut along z too where it would be higher than wide; ``is_part`` says so. Bonds are those
        between particles in it.
    """
    positions, sides = frame["positions"], np.asarray(frame["sides"])
    thickness, count = float(frame["thickness"]), len(positions)
    if count <= MOST_SHOWN:
        return frame
    share = MOST_SHOWN / count
    box = np.array([*sides * np.sqrt(share), thickness])
    if box[:2].min() < thickness:
        box = np.array([*sides, thickness]) * np.cbrt(share)
    held = (positions < box).all(axis=1)
    lower, upper = frame.get("windows", (True, True))
    place = np.cumsum(held) - 1
    bonds = frame["bonds"]
    bonds = bonds[held[bonds].all(axis=1)]
    rows = {
        name: None if frame[name] is None else frame[name][held]
        for name in ("positions", "moments", "diameters", "chain_index", "chain_length")
    }
    return {
        **frame,
        **rows,
        "bonds": place[bonds],
        "sides": box[:2],
        "thickness": float(box[2]),
        "windows": (lower, upper and box[2] == thickness),
        "is_part": True,
    }
