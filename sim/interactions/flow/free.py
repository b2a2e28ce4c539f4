"""Mobilities of pairs in endless liquid: whole, smooth part, and what is left at short range.

Whole: the tensor of Rotne and Prager (J. Chem. Phys. 50, 4831 (1969)) and Yamakawa (J. Chem. Phys.
53, 436 (1970)) of spheres of one radius a, in wave space sinc^2(ka) (1 - kk/k^2)/(eta k^2).
Smooth: (1 + c k^2) exp(-s^2 k^2) in the place of sinc^2(ka), with c = s^2 - a^2/3. Both agree up to
k^2, so that what is left decays like a Gauss function; and it is positive at every k, as the
smooth part is: the splitting of A. M. Fiore, F. Balboa Usabiaga, A. Donev and J. W. Swan, J. Chem.
Phys. 146, 124116 (2017), after H. Hasimoto, J. Fluid Mech. 5, 317 (1959). Tensors are
A 1 + B nn with n along the pair; all in units of d0 and D0/kT, where 1/eta = 3 pi.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FLUIDITY = 3.0 * math.pi
"""1/eta in reduced units: kT/(3 pi eta d0) is D0."""


def correction(radius: float, width: float) -> float:
    """Return c = s^2 - a^2/3, 0 or more: what makes the smooth part right up to k^2."""
    return max(0.0, width * width - radius * radius / 3.0)


def rotne_prager(distance: Floats, radius: float) -> tuple[Floats, Floats]:
    """Return A and B of two spheres, which may overlap.

    Parameters
    ----------
    distance : float64 array
        In d0; 0 gives the sphere's own mobility.
    radius : float
        In d0.
    """
    r = np.maximum(distance, 1e-12)
    a = radius
    far_a = 0.125 * FLUIDITY / math.pi / r * (1.0 + 2.0 * a * a / (3.0 * r * r))
    far_b = 0.125 * FLUIDITY / math.pi / r * (1.0 - 2.0 * a * a / (r * r))
    own = FLUIDITY / (6.0 * math.pi * a)
    near = r < 2.0 * a
    return (
        np.where(near, own * (1.0 - 9.0 * r / (32.0 * a)), far_a),
        np.where(near, own * 3.0 * r / (32.0 * a), far_b),
    )


def smooth_self(radius: float, width: float) -> float:
    """Return the smooth part of a sphere's own mobility in endless liquid."""
    share = correction(radius, width) / (2.0 * width * width)
    return FLUIDITY / (6.0 * math.pi * math.sqrt(math.pi) * width) * (1.0 + share)


def smooth_tensor(distance: Floats, radius: float, width: float) -> tuple[Floats, Floats]:
    """Return A and B of the smooth part.

    Notes
    -----
    That of exp(-s^2 k^2): M. R. Maxey and B. K. Patel, Int. J. Multiphase Flow 27, 1603 (2001)
    (from memory); k^2 exp(-s^2 k^2) (1 - kk/k^2) is g 1 + grad grad phi, where g is the Gauss
    function and phi the potential of a charge spread so.
    """
    from scipy.special import erf

    r = np.maximum(distance, 0.02 * width)  # series beyond rounding; the change is 1e-4 r^2/s^2
    spread = math.sqrt(2.0) * width
    inside = erf(r / (spread * math.sqrt(2.0)))
    bell = np.exp(-0.5 * (r / spread) ** 2)
    q = spread / r
    head = 0.125 * FLUIDITY / math.pi / r
    tail = q * math.sqrt(2.0 / math.pi) * bell
    flow_a = head * ((1.0 + q * q) * inside - tail)
    flow_b = head * ((1.0 - 3.0 * q * q) * inside + 3.0 * tail)
    density = bell / (2.0 * math.pi * spread * spread) ** 1.5
    slope = -(inside - math.sqrt(2.0 / math.pi) * r / spread * bell) / (4.0 * math.pi * r**3)
    share = FLUIDITY * correction(radius, width)
    return flow_a + share * (density + slope), flow_b - share * (density + 3.0 * slope)


def near_tensor(distance: Floats, radius: float, width: float) -> tuple[Floats, Floats]:
    """Return A and B of what the smooth part leaves."""
    whole, smooth = rotne_prager(distance, radius), smooth_tensor(distance, radius, width)
    return whole[0] - smooth[0], whole[1] - smooth[1]
