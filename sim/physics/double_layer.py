"""Lengths of charged particles in a liquid with ions, in SI."""

from __future__ import annotations

import math

from analysis.common.constants import BOLTZMANN, ELEMENTARY, MU0

AVOGADRO = 6.02214076e23
"""Avogadro constant in 1/mol (exact in the SI since 2019)."""

LIGHT_SPEED = 299_792_458.0
"""Speed of light in m/s (exact); with mu0 it gives the permittivity of the vacuum."""


def bjerrum_length(permittivity: float, temperature: float) -> float:
    """Distance at which two elementary charges have the energy kT.

    Parameters
    ----------
    permittivity : float
        Relative permittivity of the liquid.
    temperature : float
        Temperature in K.

    Returns
    -------
    float
        l_B = e^2/(4 pi eps0 eps kT) in m; 0.71 nm in water at 25 degC.
    """
    vacuum = 1.0 / (MU0 * LIGHT_SPEED**2)
    thermal = BOLTZMANN * temperature
    return ELEMENTARY**2 / (4.0 * math.pi * vacuum * permittivity * thermal)


def debye_length(salt: float, bjerrum: float) -> float:
    """Distance over which ions screen a charge.

    Parameters
    ----------
    salt : float
        Concentration of a salt of ions with one charge each, in mol/m3.
    bjerrum : float
        Bjerrum length in m.

    Returns
    -------
    float
        1/k in m, from k^2 = 4 pi l_B sum n z^2 with the number densities n of the ions
        (P. Debye and E. Hueckel, Phys. Z. 24, 185 (1923), from memory).
    """
    return 1.0 / math.sqrt(8.0 * math.pi * bjerrum * AVOGADRO * salt)
