"""The remanence of a magnet from the energy product that its grade names."""

from __future__ import annotations

import math

from analysis.common.constants import MU0

RECOIL_PERMEABILITY = 1.05
"""Relative slope of the demagnetisation curve of sintered rare-earth magnets (data sheets of
suppliers; IEC 60404-8-1 lists it by grade)."""


def remanence_of(energy_product: float) -> float:
    """Remanence of a magnet whose demagnetisation curve is a straight line.

    Where B falls as Br - mu0 mu_rec |H| down to B = 0, the product |B H| is largest at B = Br/2 and
    is Br^2/(4 mu0 mu_rec) there (handbooks, from memory). Grades of sintered neodymium and
    samarium-cobalt magnets, and hard ferrites, keep to it within about 3 %; the bent curve of
    alnico does not.

    Parameters
    ----------
    energy_product : float
        Largest energy product (BH)max in J/m^3.

    Returns
    -------
    float
        Remanence in T.
    """
    return math.sqrt(4.0 * MU0 * RECOIL_PERMEABILITY * energy_product)
