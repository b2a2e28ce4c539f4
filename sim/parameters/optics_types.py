"""What a parameter file says about light, checked, in SI; no simulation uses it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["OpticsParameters"]


@dataclass(frozen=True)
class OpticsParameters:
    """Light and refractive indices.

    Attributes
    ----------
    wavelengths : tuple of float
        Vacuum wavelengths in m.
    carrier_index, shell_index, outer_index : float
        Refractive indices of the liquid, of the shells, and of the medium outside the windows.
    core_index : tuple of tuple of float or None
        (n, k) of the cores, one pair, or one a wavelength; None: that of the material.
    matrix_index : float
        Refractive index of what fills a multicore bead between its cores.
    numerical_aperture : float
        Numerical aperture of what looks at the film.
    """

    wavelengths: tuple[float, ...] = (532e-9, 633e-9)
    carrier_index: float = 1.43
    shell_index: float = 1.45
    core_index: tuple[tuple[float, float], ...] | None = None
    matrix_index: float = 1.59
    outer_index: float = 1.0
    numerical_aperture: float = 0.9
