"""What follows from material data: moments, coupling, relaxation times, diffusion.

Pure functions of floats or arrays in SI. Where no other source is given the formulas are those of
R. E. Rosensweig, Ferrohydrodynamics (Cambridge University Press, 1985), chapter 2, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.common.constants import BOLTZMANN, MU0

Values: TypeAlias = float | NDArray[np.float64]


@dataclass(frozen=True)
class Material:
    """Properties of the magnetic cores.

    Attributes
    ----------
    magnetisation : float
        Saturation magnetisation of a core in A/m.
    anisotropy : float
        Effective uniaxial anisotropy constant in J/m3.
    attempt_time : float
        Attempt time of the Neel reversal in s.
    density : float
        Mass density in kg/m3.
    """

    magnetisation: float
    anisotropy: float
    attempt_time: float
    density: float


MATERIALS: dict[str, Material] = {
    # 446 kA/m: Rosensweig (1985), from memory; anisotropy within the 1e4 to 3e4 J/m3 of published
    # effective values; density of the mineral 5.2 g/cm3.
    "magnetite": Material(446e3, 11e3, 1e-9, 5180.0),
}
"""Materials that a parameter file may name."""


def _plain(values: Any) -> Any:
    """Give a float for a scalar and an array for an array."""
    return values if np.ndim(values) else float(values)


def moment(core_diameter: Values, magnetisation: float, dead_layer: float = 0.0) -> Any:
    """Dipole moment of a single-domain core.

    Parameters
    ----------
    core_diameter : float or ndarray
        Core diameter in m.
    magnetisation : float
        Saturation magnetisation in A/m.
    dead_layer : float
        Thickness of the non-magnetic skin of the core in m.

    Returns
    -------
    float or ndarray
        Moment in A m2; zero where the skin takes the whole core.

    Notes
    -----
    m = M_s pi (d_c - 2 t)^3/6.
    """
    magnetic = np.maximum(np.asarray(core_diameter, dtype=np.float64) - 2.0 * dead_layer, 0.0)
    return _plain(magnetisation * math.pi * magnetic**3 / 6.0)


def coupling(moment: Values, diameter: Values, temperature: float) -> Any:
    """Coupling lambda of two equal touching particles, head to tail at half its energy.

    Parameters
    ----------
    moment : float or ndarray
        Dipole moment in A m2.
    diameter : float or ndarray
        Centre distance at contact in m.
    temperature : float
        Temperature in K.

    Returns
    -------
    float or ndarray
        lambda = mu0 m^2/(4 pi d^3 kT), without unit; the pair is bound by 2 lambda kT.
    """
    thermal = BOLTZMANN * temperature
    return _plain(
        MU0 * np.square(moment) / (4.0 * math.pi * np.power(diameter, 3) * thermal),
    )


def langevin_parameter(moment: Values, field: Values, temperature: float) -> Any:
    """Energy of a moment in a field over kT.

    Parameters
    ----------
    moment : float or ndarray
        Dipole moment in A m2.
    field : float or ndarray
        Flux density mu0 H in T.
    temperature : float
        Temperature in K.

    Returns
    -------
    float or ndarray
        alpha = m B/kT, without unit.
    """
    return _plain(np.multiply(moment, field) / (BOLTZMANN * temperature))


def neel_time(
    volume: Values,
    anisotropy: float,
    attempt_time: float,
    temperature: float,
    form: str = "simple",
) -> Any:
    """Time in which a moment turns inside its particle without a field.

    Parameters
    ----------
    volume : float or ndarray
        Magnetic core volume in m3.
    anisotropy : float
        Uniaxial anisotropy constant in J/m3.
    attempt_time : float
        Attempt time in s.
    temperature : float
        Temperature in K.
    form : str
        "simple" for tau0 exp(sigma), "high_barrier" for tau0 (sqrt(pi)/2) exp(sigma)/sigma^1.5.

    Returns
    -------
    float or ndarray
        Neel time in s; infinite where the exponential passes the largest float.

    Raises
    ------
    ValueError
        If the form is unknown.

    Notes
    -----
    sigma = K V/kT. The second form is W. F. Brown, Physical Review vol 130, p 1677 (1963), from
    memory, and holds for sigma of 2 and more; the two bracket what published work uses.
    """
    sigma = np.asarray(volume, dtype=np.float64) * anisotropy / (BOLTZMANN * temperature)
    with np.errstate(over="ignore", divide="ignore"):
        simple = attempt_time * np.exp(sigma)
        if form == "simple":
            return _plain(simple)
        if form == "high_barrier":
            return _plain(simple * (0.5 * math.sqrt(math.pi)) / sigma**1.5)
    raise ValueError(f'form must be "simple" or "high_barrier"; received "{form}".')


def brown_time(viscosity: float, diameter: Values, temperature: float) -> Any:
    """Time in which a particle turns as a whole without a field.

    Parameters
    ----------
    viscosity : float
        Viscosity in Pa s.
    diameter : float or ndarray
        Outer diameter in m.
    temperature : float
        Temperature in K.

    Returns
    -------
    float or ndarray
        tau_B = 3 eta V/kT = 1/(2 D_r) in s.
    """
    return _plain(0.5 / np.asarray(rotational_diffusion(viscosity, diameter, temperature)))


def diffusion(viscosity: float, diameter: Values, temperature: float) -> Any:
    """Stokes-Einstein diffusion coefficient.

    Parameters
    ----------
    viscosity : float
        Viscosity in Pa s.
    diameter : float or ndarray
        Outer diameter in m.
    temperature : float
        Temperature in K.

    Returns
    -------
    float or ndarray
        D0 = kT/(3 pi eta d) in m2/s.
    """
    drag = 3.0 * math.pi * viscosity * np.asarray(diameter, dtype=np.float64)
    return _plain(BOLTZMANN * temperature / drag)


def rotational_diffusion(viscosity: float, diameter: Values, temperature: float) -> Any:
    """Stokes-Einstein-Debye coefficient of rotational diffusion.

    Parameters
    ----------
    viscosity : float
        Viscosity in Pa s.
    diameter : float or ndarray
        Outer diameter in m.
    temperature : float
        Temperature in K.

    Returns
    -------
    float or ndarray
        D_r = kT/(pi eta d^3) in 1/s.
    """
    drag = math.pi * viscosity * np.power(np.asarray(diameter, dtype=np.float64), 3)
    return _plain(BOLTZMANN * temperature / drag)


def mass_and_inertia(
    core: Values, diameter: Values, core_density: float, shell_density: float
) -> tuple[Any, Any]:
    """Mass and moment of inertia of a core in its shell.

    Parameters
    ----------
    core, diameter : float or ndarray
        Diameters of the core and of the whole particle in m.
    core_density, shell_density : float
        Mass densities in kg/m3.

    Returns
    -------
    mass : float or ndarray
        In kg: pi/6 [rho_c d_c^3 + rho_s (d^3 - d_c^3)].
    inertia : float or ndarray
        In kg m2: pi/60 [rho_c d_c^5 + rho_s (d^5 - d_c^5)], a ball having (2/5) m R^2 (textbook).
        The liquid that is carried along is left out of both.
    """
    inner, outer = np.asarray(core, dtype=np.float64), np.asarray(diameter, dtype=np.float64)
    excess = core_density - shell_density
    mass = math.pi / 6.0 * (excess * inner**3 + shell_density * outer**3)
    inertia = math.pi / 60.0 * (excess * inner**5 + shell_density * outer**5)
    return _plain(mass), _plain(inertia)


def momentum_time(mass: Values, diameter: Values, viscosity: float) -> Any:
    """Time in s in which a particle forgets its velocity, m/(3 pi eta d).

    Parameters
    ----------
    mass, diameter : float or ndarray
        Mass in kg and outer diameter in m.
    viscosity : float
        Viscosity in Pa s.
    """
    drag = 3.0 * math.pi * viscosity * np.asarray(diameter, dtype=np.float64)
    return _plain(np.asarray(mass) / drag)


def spin_time(inertia: Values, diameter: Values, viscosity: float) -> Any:
    """Time in s in which a particle forgets its rotation, I/(pi eta d^3).

    Parameters
    ----------
    inertia, diameter : float or ndarray
        Moment of inertia in kg m2 and outer diameter in m.
    viscosity : float
        Viscosity in Pa s.
    """
    drag = math.pi * viscosity * np.power(np.asarray(diameter, dtype=np.float64), 3)
    return _plain(np.asarray(inertia) / drag)
