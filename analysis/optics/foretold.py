"""What light would make of a film before it is run, by the laws of the hand-off."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.optics.handoff_light import CHAINED, Sight
from analysis.optics.indices import Optics
from analysis.optics.mixture import Mixture, filled_index, squares_of

LONGEST = 8
"""Chains up to so many mean lengths are counted."""


def foretold_light(
    resolved: dict[str, Any],
    *,
    wavelength: float,
    thickness: float,
    fraction: float,
    core_share: float,
    mean_length: float,
    order: float,
    upright: float,
    closeness: float,
) -> tuple[float, float] | None:
    """Return retardance and share of light passed of a film with straight chains.

    Parameters
    ----------
    resolved : dict
        Values of the film as a run records them; ``optics`` and ``particles`` are read.
    wavelength, thickness : float
        Vacuum wavelength and film in m.
    fraction, core_share : float
        Volume fraction of whole particles, and the share of the cores in their volume.
    mean_length, order : float
        Mean length of the chains, of which as many have n + 1 particles as have n times 1 less
        the reciprocal mean length, and the order of their axes.
    upright : float
        Cosine between the chains and the normal.
    closeness : float
        Cube of diameter over distance of neighbours in a chain.

    Returns
    -------
    float, float
        ``retardance_m`` and ``transmittance_along`` as the hand-off defines them; None where the
        index of the cores is not known at the wavelength.
    """
    table = {**(resolved.get("optics") or {}), "wavelengths": [wavelength]}
    optics = Optics.of(resolved, table)
    if optics.core_indices is None:
        return None
    inside = filled_index(optics.core_indices[0], optics.matrix_index, optics.magnetic_share)
    film = Mixture.of(optics.carrier_index, optics.shell_index, inside, core_share, fraction)
    lengths = np.arange(1, max(3, round(LONGEST * mean_length)) + 1)
    going_on = 1.0 - 1.0 / mean_length
    shares = lengths * going_on ** (lengths - 1.0)
    found = film.chained_index(lengths, shares / shares.sum(), closeness, squares_of(order))
    seen = Sight(upright, thickness, wavelength).seen(complex(found[0]), complex(found[1]))
    told = dict(zip(CHAINED, seen, strict=True))
    return float(told["retardance_m"]), float(told["transmittance_along"])
