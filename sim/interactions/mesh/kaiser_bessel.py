"""Bell-shaped functions of bounded support whose spectrum is almost bounded as well.

g(u) = z^n I_n(c z) with z^2 = 1 - u^2 for |u| <= 1, and 0 beyond: the generalised Kaiser-Bessel
function of order n and shape c (R. M. Lewitt, J. Opt. Soc. Am. A 7, 1834 (1990), from memory).
Its Fourier transform falls by about exp(-c) up to the wave number c, and then as the power
-(n + 1). Here such functions are the charge clouds that split 1/r and the windows of the mesh.
"""

import math

import numpy as np

from analysis.common.arrays import Floats

# The slope is continuous at the edge, as forces take the second derivative of clouds and windows.
CLOUD_ORDER = 2
WINDOW_ORDER = 2

_QUADRATURE_NODES = 64
_SMALLEST = 1.0e-9


def _scaled_term(order: int, shape: float, squared: Floats) -> Floats:
    """Return exp(-c) v^(n/2) I_n(c sqrt v) for v >= 0; order -1 stands for I_1(c sqrt v)/sqrt v."""
    from scipy.special import ive

    root = np.sqrt(np.maximum(squared, _SMALLEST**2))
    values = ive(abs(order), shape * root) * np.exp(shape * (root - 1.0)) * root**order
    return np.asarray(values, dtype=np.float64)


def bell(order: int, shape: float, u: Floats) -> Floats:
    """Return g(u)/g(0).

    Parameters
    ----------
    order : int
        n, 0 or more.
    shape : float
        c.
    u : float64 array
        Distance from the middle in units of half the support.

    Returns
    -------
    float64 array
    """
    squared = 1.0 - u * u
    values = _scaled_term(order, shape, np.maximum(squared, 0.0))
    top = float(_scaled_term(order, shape, np.ones(1))[0])
    return np.where(squared >= 0.0, values / top, 0.0)


def bell_area(order: int, shape: float) -> float:
    """Return the integral of g(u)/g(0) over its support, -1 to 1.

    Parameters
    ----------
    order : int
    shape : float

    Returns
    -------
    float

    Notes
    -----
    sqrt(2 pi/c) I_(n+1/2)(c)/I_n(c): the transform of `bell_spectrum` at wave number 0.
    """
    from scipy.special import ive

    return float(math.sqrt(2.0 * math.pi / shape) * ive(order + 0.5, shape) / ive(order, shape))


def bell_spectrum(order: int, shape: float, wave_squared: Floats) -> Floats:
    """Return the Fourier transform of g over that at wave number 0.

    Parameters
    ----------
    order : int
        n, 0 or more.
    shape : float
        c.
    wave_squared : float64 array
        Square of the wave number, in units of one over half the support; negative for
        imaginary wave numbers (growing and falling exponentials).

    Returns
    -------
    float64 array

    Notes
    -----
    I_p(w)/w^p at w^2 = c^2 - k^2, p = n + 1/2, over its value at k = 0; J_p(|w|)/|w|^p for k > c.
    """
    from scipy.special import ive, jv

    power = order + 0.5
    squared = shape * shape - np.asarray(wave_squared, dtype=np.float64)
    root = np.maximum(np.sqrt(np.abs(squared)), 1.0e-4)
    inside = squared > 0.0
    beyond = ~inside
    values = np.empty(root.shape)
    # Far imaginary wave numbers exceed exp(c); no use of them comes near overflow.
    values[inside] = ive(power, root[inside]) * np.exp(root[inside] - shape)
    values[beyond] = jv(power, root[beyond]) * math.exp(-shape)
    return np.asarray(values * (shape / root) ** power / ive(power, shape), dtype=np.float64)


def cloud_factors(shape: float, radius: float, squared: Floats) -> tuple[Floats, Floats, Floats]:
    """Radial factors (B, C, D) of the smooth part of the dipole interaction, inside the cloud.

    Parameters
    ----------
    shape : float
        c of the cloud.
    radius : float
        Radius of the cloud, a length.
    squared : float64 array
        Squared distances, at most radius^2.

    Returns
    -------
    b, c, d : float64 arrays
        To be taken off 1/r^3, 3/r^5 and 15/r^7. At the edge of the cloud B and C equal them, and D
        all but for a step that falls as exp(-c).

    Notes
    -----
    Own algebra: the potential of the cloud is phi = (1/r) int_0^r f(s) ds = int_0^1 f(r u) du
    with f = g/int_0^radius g, and B = -2 dphi/dt, C = -2 dB/dt, D = -2 dC/dt for t = r^2. The
    derivatives follow from d/dv [v^(n/2) I_n(c sqrt v)] = (c/2) v^((n-1)/2) I_(n-1)(c sqrt v);
    all integrands are positive, so that nothing cancels.
    """
    nodes, weights = np.polynomial.legendre.leggauss(_QUADRATURE_NODES)
    u, weights = 0.5 * (nodes + 1.0), 0.5 * weights
    top = float(_scaled_term(CLOUD_ORDER, shape, np.ones(1))[0])
    height = 1.0 / (0.5 * radius * bell_area(CLOUD_ORDER, shape) * top)
    inside = 1.0 - np.multiply.outer(np.asarray(squared), u * u) / radius**2
    step = shape / radius**2
    factors = [
        height * step**n * (_scaled_term(CLOUD_ORDER - n, shape, inside) @ (weights * u ** (2 * n)))
        for n in (1, 2, 3)
    ]
    return factors[0], factors[1], factors[2]
