"""Closed forms to put beside the data, each with its source and its limits."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.constants import BOLTZMANN

Floats = NDArray[np.float64]


def langevin(parameter: ArrayLike) -> Floats:
    """Return the Langevin function coth x - 1/x: magnetisation of free dipoles over saturation.

    Parameters
    ----------
    parameter : array
        x = m B / kT.

    Notes
    -----
    Langevin, Ann. Chim. Phys. 5, 70 (1905). Below |x| = 0.02 the series x/3 - x^3/45 + 2x^5/945.
    """
    x = np.asarray(parameter, dtype=np.float64)
    small = np.abs(x) < 0.02
    safe = np.where(small, 1.0, x)
    series = x / 3 - x**3 / 45 + 2 * x**5 / 945
    return np.asarray(np.where(small, series, 1 / np.tanh(safe) - 1 / safe))


def mean_second_legendre(parameter: ArrayLike) -> Floats:
    """Return the mean second Legendre polynomial of free dipoles, 1 - 3 L(x)/x.

    Notes
    -----
    Average of (3 cos^2 - 1)/2 over exp(x cos); x^2/15 for small x.
    """
    x = np.asarray(parameter, dtype=np.float64)
    small = np.abs(x) < 0.02
    safe = np.where(small, 1.0, x)
    return np.asarray(np.where(small, x**2 / 15, 1 - 3 * langevin(safe) / safe))


def langevin_of_sizes(moments: ArrayLike, field: float, temperature: float) -> float:
    """Return the magnetisation over saturation of free dipoles of different moments.

    Parameters
    ----------
    moments : (N,) array
        Moments in A m2.
    field, temperature : float
        Flux density in T, temperature in K.

    Notes
    -----
    sum m L(m B/kT) / sum m; interactions raise it by about 8 lambda phi/3 of itself at small x.
    """
    m = np.asarray(moments, dtype=np.float64)
    total = float(m.sum())
    if total == 0:
        return 0.0
    return float((m * langevin(m * field / (BOLTZMANN * temperature))).sum() / total)


def chain_length_law(length: ArrayLike, mean: float) -> Floats:
    """Return the share of chains of a length in an ideal mixture of chains of this mean length.

    Notes
    -----
    Geometric law (1 - p) p^(s-1), p = 1 - 1/mean, from mass action with one bond constant;
    Mendelev and Ivanov, Phys. Rev. E 70, 051502 (2004) (from memory); the same shape in
    Reynolds et al., EPL 116, 28001 (2016).
    """
    s = np.asarray(length, dtype=np.float64)
    p = 1 - 1 / max(mean, 1.0)
    return np.asarray((1 - p) * p ** (s - 1))


def bond_constant(coupling: float, *, strong_field: bool) -> float:
    """Return the nearest-neighbour bond constant in particle volumes.

    Notes
    -----
    e^(2 lambda)/(3 lambda^2) for moments held by a strong field, e^(2 lambda)/(3 lambda^3) without
    one: asymptotes at large lambda. Zubarev and Iskakova, Phys. Rev. E 61, 5415 (2000) (from
    memory).
    """
    return math.exp(2 * coupling) / (3 * coupling ** (2 if strong_field else 3))


def mean_chain_length(volume_fraction: float, constant: float) -> float:
    """Return the number-mean chain length at equilibrium, 1/2 + sqrt(1/4 + phi q).

    Notes
    -----
    A lower bound: bonds beyond nearest neighbours are left out. Mendelev and Ivanov, Phys. Rev. E
    70, 051502 (2004) (from memory).
    """
    return 0.5 + math.sqrt(0.25 + volume_fraction * constant)


def strong_field_chain_length(volume_fraction: float, coupling: float) -> float | None:
    """Return [1 - (2/3)(phi/lambda^2) e^(2 lambda)]^-1, None where the bracket is under 0.3.

    Notes
    -----
    de Gennes and Pincus, Phys. Kondens. Mater. 11, 189 (1970) (from memory).
    """
    bracket = 1 - 2 / 3 * volume_fraction / coupling**2 * math.exp(2 * coupling)
    return 1 / bracket if bracket > 0.3 else None


def aggregation_number(volume_fraction: float, coupling: float) -> float:
    """Return N* = sqrt(phi e^(2 lambda - 1)); chains form where it is above 1.

    Notes
    -----
    Andreu, Camacho, Faraudo, Soft Matter 7, 2336 (2011); formula from memory. Good to a factor of
    2 to 3 for 3 <= lambda <= 6.
    """
    return math.sqrt(volume_fraction * math.exp(2 * coupling - 1))


def line_density_spacing(diameter: float, volume_fraction: float) -> float:
    """Return the mean distance of straight single chains that hold all particles.

    Parameters
    ----------
    diameter : float
        Particle diameter, any unit; the spacing comes in the same.
    volume_fraction : float
        Fraction of whole particles.

    Notes
    -----
    Each chain has the cross-section pi d^2/(6 phi); d sqrt(pi/(6 phi)) is its square root.
    """
    return diameter * math.sqrt(math.pi / (6 * volume_fraction))


def random_clear_fraction(diameters: ArrayLike, area: float) -> float:
    """Return the clear share of a patch on which discs lie at random, exp(-covered/area).

    Parameters
    ----------
    diameters : (N,) array
        Disc diameters.
    area : float
        Patch area in the square of their unit.

    Notes
    -----
    Poisson statistics; exp(-1.5 phi h/d) for discs of one size.
    """
    d = np.asarray(diameters, dtype=np.float64)
    return math.exp(-float((math.pi * d**2 / 4).sum()) / area)


def bond_life(coupling: float, unit_time: float) -> float:
    """Return the estimated life of a bond, t0 e^(2 lambda)/(144 lambda^2), in s.

    Notes
    -----
    Detailed balance, order of magnitude; ``unit_time`` is t0 = d0^2/D0.
    """
    return unit_time * math.exp(2 * coupling) / (144 * coupling**2)


def debye(frequency: ArrayLike, time: float) -> NDArray[np.complex128]:
    """Return the complex susceptibility over its static value, 1/(1 + i omega tau).

    Notes
    -----
    Debye, Polar Molecules (1929); ``frequency`` is omega in rad/s, ``time`` tau in s.
    """
    omega = np.asarray(frequency, dtype=np.float64)
    return np.asarray(1 / (1 + 1j * omega * time))


def relaxation_in_field(parameter: float) -> tuple[float, float]:
    """Return the relaxation times of a free dipole along and across a field, in Brown times.

    Notes
    -----
    x L'(x)/L(x) and 2 L/(x - L), Martsenyuk, Raikher, Shliomis, Sov. Phys. JETP 38, 413 (1974)
    (from memory); exactly the initial decay rates. Both go to 1 as x goes to 0.
    """
    if parameter < 1e-4:
        return 1.0, 1.0
    value = float(langevin(parameter))
    if parameter < 0.02:
        slope = 1 / 3 - parameter**2 / 15
    else:
        slope = (
            1 / parameter**2 - 1 / math.sinh(parameter) ** 2
            if parameter < 300
            else (1 / parameter**2)
        )
    return parameter * slope / value, 2 * value / (parameter - value)


def mean_field_susceptibility(langevin_susceptibility: float) -> float:
    """Return the initial susceptibility of an interacting fluid, second order.

    Notes
    -----
    chi_L (1 + chi_L/3 + chi_L^2/144), chi_L = 8 lambda phi; Ivanov and Kuznetsova, Phys. Rev. E
    64, 041405 (2001) (from memory). For lambda <= 2 and chi_L <= 3.
    """
    chi = langevin_susceptibility
    return chi * (1 + chi / 3 + chi**2 / 144)


def side_by_side_energy(length: int, distance: float) -> float:
    """Return the energy of two equal chains side by side in register, as two pairs of poles.

    Parameters
    ----------
    length : int
        Particles in each chain.
    distance : float
        Distance of the chains in diameters.

    Returns
    -------
    float
        2 (1/R - 1/sqrt(R^2 + N^2)) in units of mu0 m^2/(4 pi d^3).

    Notes
    -----
    Derived from the poles +-m/d at the chain ends; good to 1 % from five diameters on.
    """
    return 2 * (1 / distance - 1 / math.hypot(distance, length))
