"""What more of each free key buys and costs: all quantities along it, with their bands."""

from __future__ import annotations

from typing import Any

import numpy as np

from sim.design.model import Model
from sim.sweeps.reading import Settings

STEPS = 25
"""Places along each key."""
SIGMAS = 1.0
"""Half width of a band: 68 of 100 films lie in it."""


def tradeoffs(model: Model, settings: Settings) -> list[dict[str, Any]]:
    """Follow every quantity along each free key, all others as in one film.

    Parameters
    ----------
    model : Model
        What is known of the box.
    settings : dict
        The film.

    Returns
    -------
    list of dict
        A row a key: ``path``, ``unit`` (as columns of tables spell it), ``values`` in SI, ``here``
        (that of the film) and ``quantities``, each with ``value``, ``low`` and ``high`` in SI.
    """
    task, out = model.task, []
    centre = task.box.point(settings)
    for column, key in enumerate(task.box.keys):
        line = np.repeat(centre[None], STEPS, axis=0)
        line[:, column] = np.linspace(0.0, 1.0, STEPS)
        mean, sigma = model.told(line)
        curves = {}
        for k, of in enumerate(task.quantities):
            ends = (of.in_si(mean[:, k] + sign * SIGMAS * sigma[:, k]) for sign in (-1.0, 1.0))
            low, high = sorted(ends, key=lambda end: float(end[0]))
            curves[of.label] = {
                "value": of.in_si(mean[:, k]).tolist(),
                "low": low.tolist(),
                "high": high.tolist(),
            }
        out.append(
            {
                "path": key.key.path,
                "unit": key.unit,
                "values": [key.value(float(share)) for share in line[:, column]],
                "here": key.number(settings[key.key.path]),
                "quantities": curves,
            }
        )
    return out
