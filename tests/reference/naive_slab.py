"""Slow, obvious sums of dipoles in a slab, for comparison; nothing here is shared with `sim`.

`pairwise_tensors` is the two-dimensional Ewald sum in its pairwise form, with the exact dependence
on z through exp(kz) erfc(k/2a + az) (Parry 1975, from memory; the dipole form is its second
derivative). `direct_sum` adds images one by one and extrapolates the number of shells.
"""

import math
from itertools import product

import numpy as np
from scipy.special import erfc


def free_pair(r, mi, mj):
    """Field of mj and force on mi at separation r = r_i - r_j, without images; shapes (..., 3)."""
    distance = np.linalg.norm(r, axis=-1, keepdims=True)
    n = r / distance
    along_i = np.sum(mi * n, axis=-1, keepdims=True)
    along_j = np.sum(mj * n, axis=-1, keepdims=True)
    field = (3.0 * along_j * n - mj) / distance**3
    dot = np.sum(mi * mj, axis=-1, keepdims=True)
    force = 3.0 / distance**4 * (along_j * mi + along_i * mj + dot * n - 5 * along_i * along_j * n)
    return field, force


def free_sum(positions, moments):
    """Field and force of dipoles in open space."""
    positions, moments = np.asarray(positions, float), np.asarray(moments, float)
    field, force = np.zeros_like(positions), np.zeros_like(positions)
    for i, j in product(range(len(positions)), repeat=2):
        if i != j:
            f, g = free_pair(positions[i] - positions[j], moments[i], moments[j])
            field[i] += f
            force[i] += g
    return field, force


def direct_sum(positions, moments, sides, shells=(10, 14, 20, 28, 40, 56, 80)):
    """Add all images with |nx|, |ny| <= M and extrapolate in 1/(M + 1/2) to infinity.

    The tail of a smooth summand over a growing square is a power series in 1/(M + 1/2)
    (midpoint rule), here fitted by as many terms as there are values of M.
    """
    positions, moments = np.asarray(positions, float), np.asarray(moments, float)
    field, force = np.zeros_like(positions), np.zeros_like(positions)
    inverse = 1.0 / (np.array(shells) + 0.5)
    # Row 0 of the inverse Vandermonde matrix gives the value of the polynomial at 0.
    at_zero = np.linalg.inv(np.vander(inverse, increasing=True))[0]
    most = max(shells)
    nx, ny = np.meshgrid(np.arange(-most, most + 1), np.arange(-most, most + 1))
    shell = np.maximum(abs(nx), abs(ny)).ravel()
    offset = np.stack([nx.ravel() * sides[0], ny.ravel() * sides[1], 0.0 * nx.ravel()], axis=1)
    for i, j in product(range(len(positions)), repeat=2):
        r = positions[i] - positions[j] + offset
        keep = (shell > 0) | (i != j)
        f, g = free_pair(r[keep], moments[i], moments[j])
        for coefficient, limit in zip(at_zero, shells, strict=True):
            inside = shell[keep] <= limit
            field[i] += coefficient * f[inside].sum(axis=0)
            force[i] += coefficient * g[inside].sum(axis=0)
    return field, force


def _smooth(k, z, a):
    """Zeroth to third z-derivative of exp(kz)erfc(k/2a + az) + exp(-kz)erfc(k/2a - az)."""
    up, down = (np.exp(s * k * z) * erfc(k / (2 * a) + s * a * z) for s in (1, -1))
    gauss = np.exp(-(k * k) / (4 * a * a) - a * a * z * z) / math.sqrt(math.pi)
    value, slope = up + down, k * (up - down)
    second = k * k * value - 4 * a * k * gauss
    third = k * k * slope + 8 * a**3 * z * k * gauss
    return value, slope, second, third


def _near(r, sides, a, cutoff, itself):
    """Second and third derivatives of the erfc part, image by image."""
    second, third = np.zeros((3, 3)), np.zeros((3, 3, 3))
    one = np.eye(3)
    most = [math.ceil(cutoff / side) + 1 for side in sides]
    for nx, ny in product(range(-most[0], most[0] + 1), range(-most[1], most[1] + 1)):
        s = r + np.array([nx * sides[0], ny * sides[1], 0.0])
        d = math.sqrt(s @ s)
        if (itself and nx == 0 and ny == 0) or d > cutoff:
            continue
        gauss = 2 * a / math.sqrt(math.pi) * math.exp(-((a * d) ** 2))
        b = (math.erfc(a * d) / d + gauss) / d**2
        c = (3 * b + 2 * a**2 * gauss) / d**2
        e = (5 * c + 4 * a**4 * gauss) / d**2
        second += c * np.outer(s, s) - b * one
        third -= e * np.einsum("i,j,k", s, s, s)
        for axes in ("i,jk", "j,ik", "k,ij"):
            third += c * np.einsum(axes + "->ijk", s, one)
    return second, third


def _far(r, sides, a, reach):
    """Second and third derivatives of the smooth part, over the whole plane of wave vectors."""
    second, third = np.zeros((3, 3)), np.zeros((3, 3, 3))
    area = sides[0] * sides[1]
    most = [math.ceil(reach * side / (2 * math.pi)) for side in sides]
    kx, ky = (
        2 * math.pi / side * np.arange(-n, n + 1) for side, n in zip(sides, most, strict=True)
    )
    kx, ky = (k.ravel() for k in np.meshgrid(kx, ky))
    k = np.hypot(kx, ky)
    kept = (k > 0.0) & (k < reach)
    kx, ky, k = kx[kept], ky[kept], k[kept]
    z_derivatives = _smooth(k, r[2], a)
    phase = math.pi / (area * k) * np.exp(1j * (kx * r[0] + ky * r[1]))
    for target, order in ((second, 2), (third, 3)):
        for axes in product(range(3), repeat=order):
            factor = (1j * kx) ** axes.count(0) * (1j * ky) ** axes.count(1)
            target[axes] = np.sum(phase * factor * z_derivatives[axes.count(2)]).real
    blur = 4 * math.sqrt(math.pi) * a / area * math.exp(-((a * r[2]) ** 2))
    second[2, 2] -= blur
    third[2, 2, 2] += 2 * a * a * r[2] * blur
    return second, third


def pairwise_tensors(positions, sides, a):
    """Second and third derivatives of the periodic 1/r of all pairs, good to about 1e-14.

    Shapes (N, N, 3, 3) and (N, N, 3, 3, 3).
    """
    count = len(positions)
    second, third = np.zeros((count, count, 3, 3)), np.zeros((count, count, 3, 3, 3))
    for i, j in product(range(count), repeat=2):
        if i == j and i > 0:
            second[i, i] = second[0, 0]
        r = positions[i] - positions[j]
        if i > j or i == j == 0:
            parts = _near(r, sides, a, 6.2 / a, i == j), _far(r, sides, a, 12.4 * a)
            second[i, j], third[i, j] = (sum(pair) for pair in zip(*parts, strict=True))
            if i == j:
                second[i, j] += 4 * a**3 / (3 * math.sqrt(math.pi)) * np.eye(3)
            else:
                second[j, i], third[j, i] = second[i, j], -third[i, j]
    return second, third


def pairwise_ewald(tensors, moments):
    """Field and force from the derivatives of all pairs."""
    second, third = tensors
    field = np.einsum("ijab,jb->ia", second, moments)
    force = np.einsum("ia,ijabc,jc->ib", moments, third, moments)
    return field, force
