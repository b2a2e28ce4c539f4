"""Viscosity and density of a suspension, as functions of what swims in it."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.optimize import brentq

EINSTEIN, BATCHELOR = 2.5, 6.2
PACKING = 0.64
"""Volume fraction of random packing, at which no suspension flows."""


def _dense(fraction: Any) -> Any:
    return np.maximum(1.0 - fraction / PACKING, 1e-3) ** (-EINSTEIN * PACKING)


def _magnetic(fraction: Any) -> Any:
    square = (EINSTEIN * 0.74 - 1.0) / 0.74**2
    return 1.0 / np.maximum(1.0 - EINSTEIN * fraction + square * fraction**2, 1e-3)


LAWS: dict[str, Any] = {
    "krieger_dougherty": _dense,
    "rosensweig": _magnetic,
    "batchelor": lambda fraction: 1.0 + EINSTEIN * fraction + BATCHELOR * fraction**2,
    "einstein": lambda fraction: 1.0 + EINSTEIN * fraction,
}
"""Viscosity of a suspension over that of its carrier, by the volume fraction of whole particles.

einstein: A. Einstein, Annalen der Physik vol 19, p 289 (1906) and vol 34, p 591 (1911), for dilute
ones. batchelor: G. K. Batchelor, Journal of Fluid Mechanics vol 83, p 97 (1977), Brownian spheres
to second order. krieger_dougherty: I. M. Krieger and T. J. Dougherty, Transactions of the Society
of Rheology vol 3, p 137 (1959), (1 - phi/0.64)^-1.6, for dense ones. rosensweig: R. E. Rosensweig,
J. W. Nestor and R. S. Timmins (1965), after Rosensweig, Ferrohydrodynamics (1985). All from memory.
"""


def relative_viscosity(fraction: Any, law: str) -> Any:
    """Viscosity over that of the carrier.

    Parameters
    ----------
    fraction : float or ndarray
        Volume fraction of whole particles, with their shells.
    law : str
        A key of `LAWS`.
    """
    return LAWS[law](fraction)


def fraction_of_viscosity(relative: float, law: str) -> float:
    """Volume fraction at which a suspension is so many times as viscous as its carrier.

    Parameters
    ----------
    relative : float
        From 1.
    law : str
        A key of `LAWS`.

    Returns
    -------
    float
        At most 0.64.
    """
    if relative_viscosity(PACKING, law) <= relative:
        return PACKING
    return float(brentq(lambda phi: float(LAWS[law](phi)) - relative, 0.0, PACKING))


def density(cores: Any, whole: Any, core: Any, shell: float, carrier: Any) -> Any:
    """Mass density of a suspension in kg/m^3.

    Parameters
    ----------
    cores, whole : float or ndarray
        Volume fractions of the cores, dead layers included, and of whole particles with shells.
    core, shell, carrier : float or ndarray
        Mass densities in kg/m^3.

    Returns
    -------
    float or ndarray
        carrier + cores (core - shell) + whole (shell - carrier).
    """
    return carrier + cores * (core - shell) + whole * (shell - carrier)
