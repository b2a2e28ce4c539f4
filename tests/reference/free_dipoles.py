"""How a free dipole lies, relaxes and follows a field: exact, by Legendre expansions.

A dipole of rotational diffusion D_r in a field of Langevin parameter xi, tau_B = 1/(2 D_r). Its
averages <P_l^m> obey (from the Fokker-Planck equation, by multiplying and integrating)

    2 tau_B d<P_l^m>/dt = -l (l + 1) <P_l^m>
        + xi/(2 l + 1) [(l + 1)(l + m) <P_(l-1)^m> - l (l - m + 1) <P_(l+1)^m>],

m = 0 along the field and m = 1 across it. The initial slopes are those of M. A. Martsenyuk, Yu. L.
Raikher and M. I. Shliomis, Sov. Phys. JETP 38, 413 (1974) (from memory); correlations are no single
exponentials. Times are in tau_B.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.common.laws import langevin

Floats = NDArray[np.float64]

TERMS = 60
"""Orders kept; the averages fall as xi^l/(2 l + 1)!!, so this serves to xi of about 50."""


@dataclass(frozen=True)
class RelaxationTimes:
    """Relaxation times in tau_B: of the initial slope, of the area, of the slowest mode."""

    initial: float
    integral: float
    longest: float


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


def _equilibrium(xi: float, terms: int) -> Floats:
    """Return <P_l> for l from 0 to ``terms``: ratios of modified spherical Bessel functions.

    Notes
    -----
    Downward recurrence of r_l = i_l/i_(l-1) = 1/((2 l + 1)/xi + r_(l+1)), which is stable.
    """
    if xi == 0.0:
        return np.concatenate([[1.0], np.zeros(terms)])
    ratios = np.zeros(terms + 42)
    for order in range(terms + 40, 0, -1):
        ratios[order] = 1.0 / ((2 * order + 1) / xi + ratios[order + 1])
    return np.concatenate([[1.0], np.cumprod(ratios[1 : terms + 1])])


def hierarchy(xi: float, order: int, terms: int = TERMS) -> tuple[Floats, Floats]:
    """Return matrix and source of d<P_l^m>/dt = A <P^m> + b, l from 1, times in tau_B.

    Parameters
    ----------
    xi : float
        Langevin parameter.
    order : int
        m: 0 or 1.
    terms : int
        Orders kept.

    Returns
    -------
    A : (terms, terms) array
    b : (terms,) array
        From <P_0> = 1; zero for m = 1.
    """
    matrix = np.zeros((terms, terms))
    source = np.zeros(terms)
    for row in range(terms):
        degree = row + 1
        share = 0.5 * xi / (2 * degree + 1)
        matrix[row, row] = -0.5 * degree * (degree + 1)
        down = share * (degree + 1) * (degree + order)
        if row:
            matrix[row, row - 1] = down
        elif order == 0:
            source[0] = down
        if row + 1 < terms:
            matrix[row, row + 1] = -share * degree * (degree - order + 1)
    return matrix, source


def _correlated(xi: float, order: int, terms: int) -> Floats:
    """Return <P_l^m P_1^m> - <P_l^m><P_1^m> in equilibrium, l from 1 to ``terms``."""
    mean = _equilibrium(xi, terms + 1)
    degree = np.arange(1, terms + 1)
    lower, upper = mean[:-2], mean[2:]
    if order:
        # sin^2 P_l' = l (l + 1)/(2 l + 1) (P_(l-1) - P_(l+1))
        return np.asarray(degree * (degree + 1) / (2 * degree + 1) * (lower - upper))
    product = ((degree + 1) * upper + degree * lower) / (2 * degree + 1)
    return np.asarray(product - mean[1] * mean[1:-1])


def relaxation_times(xi: float, *, across: bool = False) -> RelaxationTimes:
    """Return the relaxation times of the component along or across the field.

    Parameters
    ----------
    xi : float
        Langevin parameter, 0 to about 50.
    across : bool
        Across the field instead of along it.
    """
    matrix, _ = hierarchy(xi, int(across))
    start = _correlated(xi, int(across), TERMS)
    slope = matrix @ start
    area = -np.linalg.solve(matrix, start)
    slowest = float(np.max(np.linalg.eigvals(matrix).real))
    return RelaxationTimes(
        initial=float(-start[0] / slope[0]),
        integral=float(area[0] / start[0]),
        longest=-1.0 / slowest,
    )


def correlation(xi: float, times: Floats, *, across: bool = False) -> Floats:
    """Return the correlation of the component along or across the field with itself.

    Parameters
    ----------
    xi : float
        Langevin parameter.
    times : (n,) array
        In tau_B.
    across : bool
        Across the field instead of along it.

    Returns
    -------
    (n,) array
        Of unit vectors: <u(0) u(t)> less its value at long times.
    """
    matrix, _ = hierarchy(xi, int(across))
    start = _correlated(xi, int(across), TERMS) * (0.5 if across else 1.0)
    rates, modes = np.linalg.eig(matrix)
    weights = np.linalg.solve(modes, start.astype(np.complex128)) * modes[0]
    return np.asarray((np.exp(np.outer(times, rates)) @ weights).real)


def turning_field_magnetisation(xi: float, pace: float, degrees: int = 14) -> tuple[float, float]:
    """Return the steady magnetisation of free dipoles in a field that turns.

    Parameters
    ----------
    xi : float
        Langevin parameter, up to about 10 with 14 degrees.
    pace : float
        Angular frequency times tau_B.
    degrees : int
        Spherical harmonics kept.

    Returns
    -------
    (along, behind)
        Parts of <u> along the field and at right angles behind it; the lag is atan(behind/along).

    Notes
    -----
    In the frame that turns with the field (along x, about z) averages of spherical harmonics obey
    d<g>/dt = D_r <lap g + xi grad x . grad g> - omega <dg/dphi>, with
    grad x . grad g = [lap(x g) - x lap g - g lap x]/2; the steady state solves a linear system.
    """
    index: dict[tuple[int, int], int] = {}
    for degree in range(degrees + 1):
        for m in range(-degree, degree + 1):
            index[degree, m] = len(index)
    matrix = np.zeros((len(index), len(index)), np.complex128)
    for (degree, m), row in index.items():
        square = degree * (degree + 1)
        matrix[row, row] += -0.5 * square - 1j * m * pace
        for (other, k), weight in _times_x(degree, m).items():
            if (other, k) in index:
                gradient = 0.5 * (square + 2 - other * (other + 1))
                matrix[row, index[other, k]] += 0.5 * xi * weight * gradient
    # <Y_00> is given; the others follow.
    start = 1.0 / math.sqrt(4.0 * math.pi)
    mean = np.linalg.solve(matrix[1:, 1:], -matrix[1:, 0] * start)
    y_up, y_down = mean[index[1, 1] - 1], mean[index[1, -1] - 1]
    root = math.sqrt(2.0 * math.pi / 3.0)
    along = root * (y_down - y_up)
    ahead = 1j * root * (y_down + y_up)
    return float(along.real), float(-ahead.real)


def _times_x(degree: int, m: int) -> dict[tuple[int, int], float]:
    """Return x Y_lm on the unit sphere as a sum of spherical harmonics (textbook recurrence)."""

    def norm(top: float, low: int) -> float:
        return math.sqrt(max(top, 0.0) / ((2 * low + 1) * (2 * low + 3)))

    up, down = degree + 1, degree - 1
    found = {
        (up, m + 1): -0.5 * norm((degree + m + 1) * (degree + m + 2), degree),
        (up, m - 1): 0.5 * norm((degree - m + 1) * (degree - m + 2), degree),
    }
    if down >= 0:
        found[down, m + 1] = 0.5 * norm((degree - m) * (degree - m - 1), down)
        found[down, m - 1] = -0.5 * norm((degree + m) * (degree + m - 1), down)
    return found
