"""What a parameter file says about the forces that a run may add, checked, in SI."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ElectrostaticParameters", "GravityParameters", "VanDerWaalsParameters"]


@dataclass(frozen=True)
class VanDerWaalsParameters:
    """Van der Waals attraction of the cores.

    Attributes
    ----------
    hamaker : float
        Hamaker constant across the liquid in kT; 0 means none.
    smallest_gap : float
        Gap between core surfaces in m, nearer than which the energy stays as it is.
    """

    hamaker: float = 0.0
    smallest_gap: float = 0.3e-9


@dataclass(frozen=True)
class ElectrostaticParameters:
    """Screened repulsion of charged particles.

    Attributes
    ----------
    surface_charge : float
        Elementary charges an area of the outer surface, in 1/m2; 0 means none.
    debye_length : float
        Screening length in m.
    permittivity : float
        Relative permittivity of the liquid.
    """

    surface_charge: float = 0.0
    debye_length: float = 1e-8
    permittivity: float = 78.4


@dataclass(frozen=True)
class GravityParameters:
    """Weight: acceleration in m/s2 (0 means none) and the unit vector along which things fall."""

    acceleration: float = 0.0
    direction: tuple[float, float, float] = (0.0, 0.0, -1.0)
