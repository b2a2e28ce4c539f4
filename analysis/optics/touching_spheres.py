"""Straight chains of small spheres with all their multipoles: what point dipoles leave out.

Spheres far smaller than the wavelength, all alike, centres on a line at one distance. The field of
each sphere is that of its multipoles; about a neighbour it is a sum of regular waves, each of which
raises the neighbour's multipole of the same order (quasi-static addition theorem).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

__all__ = ["depolarisation_beyond_dipoles"]

SPHERE = 1.0 / 3.0
"""Depolarisation factor of a sphere."""

MOST_ORDERS = 8
"""Multipoles of a sphere; orders above change the factors of touching spheres of permittivity 3
over that of the liquid by about 1e-4."""


@lru_cache(maxsize=4096)
def depolarisation_beyond_dipoles(
    length: int, closeness: float, ratio: complex, orders: int = MOST_ORDERS
) -> tuple[complex, complex]:
    """Return the depolarisation factors of a sphere in a straight chain, the chain's mean.

    Parameters
    ----------
    length : int
        Spheres in the chain, at least 1.
    closeness : float
        Cube of diameter over distance of neighbours, from 0 (apart) to 1 (touching).
    ratio : complex
        Permittivity of the spheres over that of the liquid.
    orders : int
        Multipoles of each sphere; with 1 spheres are point dipoles.

    Returns
    -------
    along, across : complex
        L in the mean dipole V (ratio - 1) E/(1 + L (ratio - 1)) of the spheres.

    Notes
    -----
    A multipole r^-(n+1) P_n^m about one centre is, about another at +-D on the axis, the sum over l
    of (-1)^(l+m) or (-1)^(n+m) times binomial(n + l, l + m) r^l P_l^m/D^(n+l+1); Hobson, The Theory
    of Spherical and Ellipsoidal Harmonics (1931), section 89 (from memory). A sphere of radius a
    answers a regular wave of order l with -l (ratio - 1)/(l ratio + l + 1) a^(2l+1) (textbook).
    """
    if length == 1 or ratio == 1 or closeness == 0:
        return complex(SPHERE), complex(SPHERE)
    means = [_mean_dipole(length, closeness, ratio, m, orders) for m in (0, 1)]
    along, across = (1 / (3 * p) - 1 / (ratio - 1) for p in means)
    return complex(along), complex(across)


def _mean_dipole(count: int, closeness: float, ratio: complex, m: int, orders: int) -> complex:
    """Return the mean dipole a sphere over a^3 and field, along (m = 0) or across (m = 1)."""
    order = np.arange(1, orders + 1)
    answer = order * (ratio - 1) / (order * ratio + order + 1)
    waves = np.array([[math.comb(n + k, k + m) for n in order] for k in order], dtype=float)
    # Lengths in radii: a neighbour stands at 2/closeness^(1/3).
    step = 2 * closeness ** (-1 / 3)
    power = order[:, None] + order[None, :] + 1
    above = (-1.0) ** (order[:, None] + m) * waves
    below = (-1.0) ** (order[None, :] + m) * waves
    matrix = np.zeros((count, orders, count, orders), dtype=np.complex128)
    drive = np.zeros((count, orders), dtype=np.complex128)
    drive[:, 0] = answer[0]
    place = np.arange(count)
    matrix[place, :, place, :] = np.eye(orders)
    for k in range(1, count):  # every pair of spheres k places apart
        fade = answer[:, None] / (k * step) ** power
        matrix[place[k:], :, place[:-k], :] = fade * above
        matrix[place[:-k], :, place[k:], :] = fade * below
    size = count * orders
    found = np.linalg.solve(matrix.reshape(size, size), drive.ravel())
    return complex(found.reshape(count, orders)[:, 0].mean())
