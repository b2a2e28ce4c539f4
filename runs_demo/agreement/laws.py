"""The published laws that films are compared with, in reduced units, each with its source.

Lengths in diameters d, energies in kT, times in d^2/D0. "From memory" where the paper itself was
not at hand.
"""

import functools
import math

import numpy as np
from scipy import special

from analysis.common.constants import ZETA3


def mean_length(product):
    """Return the mean chain length of an ideal mixture of chains, by fraction times bond constant.

    <n> = 1/2 + sqrt(1/4 + phi q): E. V. Mendelev, A. O. Ivanov, Phys. Rev. E 70, 051502 (2004);
    A. O. Ivanov, A. Y. Zubarev, Materials 13, 3956 (2020). From memory.
    """
    return 0.5 + math.sqrt(0.25 + product)


def printed_constant(coupling, in_field):
    """Return the bond constant q as printed there, for hard spheres of strong coupling."""
    return math.exp(2.0 * coupling) / (3.0 * coupling ** (2 if in_field else 3))


def _nodes(low, high, count):
    x, weight = np.polynomial.legendre.leggauss(count)
    return low + 0.5 * (high - low) * (x + 1.0), 0.5 * (high - low) * weight


def soft_core(r):
    """Return the energy of two soft cores of 1 kT at distance r (the repulsive part of 12-6)."""
    inside = r < 2.0 ** (1.0 / 6.0)
    return np.where(inside, 4.0 * (r**-12.0 - r**-6.0) + 1.0, 0.0)


@functools.cache
def bond_constant(coupling, in_field, farthest=1.3, aligned=0.5):
    """Return q of the soft cores that are simulated, under their own bond rule, by quadrature.

    The integral of exp(-U) over the places of a second particle ahead of the first, over the
    particle volume; moments along a strong field, or averaged over all directions.
    """
    total = 0.0
    for low, high in (
        (0.75, 0.9),
        (0.9, 1.0),
        (1.0, 2.0 ** (1.0 / 6.0)),
        (2.0 ** (1 / 6), farthest),
    ):
        r, weight = _nodes(low, high, 40)
        y = coupling / r**3
        angular = _aligned(y, aligned) if in_field else _free(y, aligned)
        total += np.sum(weight * r**2 * np.exp(-soft_core(r)) * angular)
    return float(total) * 6.0 / math.pi


def _aligned(y, aligned):
    """Return the integral over the solid angle ahead, both moments along the field."""
    c, weight = _nodes(math.sqrt(aligned), 1.0, 60)
    return 2.0 * math.pi * np.exp(np.outer(y, 3.0 * c**2 - 1.0)) @ weight


def _free(y, aligned):
    """Return the same averaged over the free directions of both moments.

    By their cosines c1, c2 to the axis of the pair; the azimuth between them gives I0.
    """
    c1, w1 = _nodes(aligned, 1.0, 60)
    total = np.zeros_like(y)
    for a, wa in zip(c1, w1, strict=True):
        c2, w2 = _nodes(aligned / a, 1.0, 40)
        across = np.outer(y, math.sqrt(1.0 - a * a) * np.sqrt(1.0 - c2**2))
        total += 0.25 * wa * (special.i0(across) * np.exp(2.0 * a * np.outer(y, c2))) @ w2
    return 4.0 * math.pi * total


def aggregation_number(fraction, coupling):
    """Return N* = sqrt(phi exp(2 lambda - 1)).

    J. S. Andreu, J. Camacho, J. Faraudo, Soft Matter 7, 2336 (2011); the formula from memory.
    """
    return math.sqrt(fraction * math.exp(2.0 * coupling - 1.0))


def langevin(alpha):
    """Return Langevin's function, P. Langevin, Ann. Chim. Phys. 5, 70 (1905)."""
    alpha = np.maximum(np.asarray(alpha, dtype=float), 1e-4)
    return np.where(alpha > 1e-2, 1.0 / np.tanh(alpha) - 1.0 / alpha, alpha / 3.0)


def langevin_slope(alpha):
    """Return its derivative."""
    alpha = np.maximum(np.asarray(alpha, dtype=float), 1e-4)
    return np.where(
        alpha > 1e-2, alpha**-2.0 - np.sinh(np.minimum(alpha, 300.0)) ** -2.0, 1.0 / 3.0
    )


def langevin_susceptibility(coupling, fraction):
    """Return chi_L = mu0 n m^2/(3 kT) = 8 lambda phi."""
    return 8.0 * coupling * fraction


def mean_field_magnetisation(alpha, chi, order=2):
    """Return M/M_s in a field along the film, by the modified mean field.

    M(H) = M_L(H + M_L/3 + M_L (dM_L/dH)/144): A. O. Ivanov, O. B. Kuznetsova, Phys. Rev. E 64,
    041405 (2001), from memory; the coefficient follows from the dilute expansion of the
    permittivity. Order 0 is Langevin's law, 1 leaves the last term out.
    """
    first = langevin(alpha)
    inner = np.asarray(alpha, dtype=float)
    if order > 0:
        inner = inner + chi * first
    if order > 1:
        inner = inner + chi**2 / 16.0 * first * langevin_slope(alpha)
    return langevin(inner)


def mean_field_susceptibility(chi, order=2):
    """Return the initial susceptibility of the same law, chi_L (1 + chi_L/3 + chi_L^2/144)."""
    return chi * (1.0 + (chi / 3.0 if order > 0 else 0.0) + (chi**2 / 144.0 if order > 1 else 0.0))


def fall_time(first, last, life):
    """Return when a mean length has gone 1 - 1/e of its way down, in the unit of the life.

    Bonds b = 1 - 1/mean length open within a life each and form anew where two ends meet, by mass
    action: db/dt = (b' ((1 - b)/(1 - b'))^2 - b)/life, b' that at rest (closed form of the rate,
    the integral by quadrature).
    """
    start, rest = 1.0 - 1.0 / first, 1.0 - 1.0 / last
    end = 1.0 - 1.0 / (last + (first - last) / math.e)
    b, weight = _nodes(end, start, 60)
    loss = b - rest * ((1.0 - b) / (1.0 - rest)) ** 2
    return life * float(np.sum(weight / loss))


def emulsion_spacing(thickness_um):
    """Return the distance of columns in um, d = 1.49 L^0.34.

    J. Liu, T. Mou, G. A. Flores, J. Bibette, R. Richard, Int. J. Mod. Phys. B 8 (1994), abstract;
    ferrofluid emulsion at a volume fraction of 0.04, field across, L from 5 to 500 um; the
    attribution from memory.
    """
    return 1.49 * np.asarray(thickness_um, dtype=float) ** 0.34


def soft_contact(coupling):
    """Return the mean distance of two aligned soft cores head to tail in d, by pair theory.

    Boltzmann average over the distance, of 4 (r^-12 - r^-6) + 1 below 2^(1/6) (J. D. Weeks, D.
    Chandler, H. C. Andersen, J. Chem. Phys. 54, 5237 (1971)) and -2 lambda/r^3, by quadrature up to
    1.25. Farther neighbours of a chain pull it together by another 2 %.
    """
    r = np.linspace(0.7, 1.25, 2001)
    core = np.where(r < 2.0 ** (1.0 / 6.0), 4.0 * (r**-12 - r**-6) + 1.0, 0.0)
    energy = core - 2.0 * coupling / r**3
    weight = np.exp(energy.min() - energy)
    return float(np.sum(weight * r) / np.sum(weight))


def rod_turning(n, with_flow=False):
    """Return the rotational diffusion of a straight chain of n spheres across itself, in D0/d^2.

    Without the flow that they stir up each sphere drags alone: 1/D = sum of (x_i)^2 + n/3, x from
    the middle, the last part for the spheres' own turning (closed form). With it, M. M. Tirado,
    J. Garcia de la Torre, J. Chem. Phys. 73, 1986 (1980), from memory: D = 9 (ln n - 0.662 +
    0.917/n - 0.050/n^2)/n^3 (kT/(pi eta d^3) = 3 D0/d^2).
    """
    n = np.asarray(n, dtype=float)
    if with_flow:
        return 9.0 * (np.log(n) - 0.662 + 0.917 / n - 0.05 / n**2) / n**3
    return 1.0 / (n * (n**2 - 1.0) / 12.0 + n / 3.0)


def torn_length(omega, coupling):
    """Return the longest chain that follows a turning field without noise or flow, by omega d^2/D0.

    The torque of the field on the bonds, 3 lambda (n - 1) zeta(3) for long chains, against the
    drag omega n (n^2 - 1)/12: n (n + 1) = 36 zeta(3) lambda D0/(omega d^2), so that n falls as
    omega^(-1/2), as S. Melle, O. G. Calderon, M. A. Rubio, G. G. Fuller, Phys. Rev. E 68, 041503
    (2003), measured (from memory). Closed form, exact for pairs without the factor zeta(3).
    """
    product = 36.0 * ZETA3 * coupling / np.asarray(omega, dtype=float)
    return -0.5 + np.sqrt(0.25 + product)
