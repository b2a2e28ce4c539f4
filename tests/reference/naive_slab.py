"""Slow, obvious sums of dipoles in a slab, for comparison; nothing here is shared with `sim`.

`pairwise_ewald` is the two-dimensional Ewald sum in its pairwise form, with the exact dependence
on z through exp(kz) erfc(k/2a + az) (Parry 1975, from memory; the dipole form is its second
derivative). `direct_sum` adds images one by one and extrapolates the number of shells.
"""

import math
from itertools import product

import numpy as np


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
    up, down = (math.exp(s * k * z) * math.erfc(k / (2 * a) + s * a * z) for s in (1, -1))
    gauss = math.exp(-(k * k) / (4 * a * a) - a * a * z * z) / math.sqrt(math.pi)
    value, slope = up + down, k * (up - down)
    second = k * k * value - 4 * a * k * gauss
    third = k * k * slope + 8 * a**3 * z * k * gauss
    return value, slope, second, third


def _derivatives(r, sides, a, cutoff, reach, itself):
    """Second and third derivatives of the periodic 1/r, as (3, 3) and (3, 3, 3) arrays."""
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
        for first, pair in (("i,jk", c), ("j,ik", c), ("k,ij", c)):
            third += pair * np.einsum(first + "->ijk", s, one)
    area = sides[0] * sides[1]
    most = [math.ceil(reach * side / (2 * math.pi)) for side in sides]
    for nx, ny in product(range(-most[0], most[0] + 1), range(-most[1], most[1] + 1)):
        kx, ky = 2 * math.pi * nx / sides[0], 2 * math.pi * ny / sides[1]
        k = math.hypot(kx, ky)
        if k == 0.0 or k > reach:
            continue
        z_derivatives = _smooth(k, r[2], a)
        phase = math.pi / (area * k) * np.exp(1j * (kx * r[0] + ky * r[1]))
        wave = (1j * kx, 1j * ky)
        for axes in product(range(3), repeat=3):
            flat = [wave[axis] for axis in axes if axis < 2]
            third[axes] += (phase * np.prod(flat) * z_derivatives[axes.count(2)]).real
        for axes in product(range(3), repeat=2):
            flat = [wave[axis] for axis in axes if axis < 2]
            second[axes] += (phase * np.prod(flat) * z_derivatives[axes.count(2)]).real
    blur = 4 * math.sqrt(math.pi) * a / area * math.exp(-((a * r[2]) ** 2))
    second[2, 2] -= blur
    third[2, 2, 2] += 2 * a * a * r[2] * blur
    if itself:
        second += 4 * a**3 / (3 * math.sqrt(math.pi)) * one
    return second, third


def pairwise_ewald(positions, moments, sides, a):
    """Field and force by the pairwise two-dimensional Ewald sum, good to about 1e-14."""
    positions, moments = np.asarray(positions, float), np.asarray(moments, float)
    field, force = np.zeros_like(positions), np.zeros_like(positions)
    for i, j in product(range(len(positions)), repeat=2):
        second, third = _derivatives(
            positions[i] - positions[j], sides, a, 6.2 / a, 12.4 * a, i == j
        )
        field[i] += second @ moments[j]
        if i != j:
            force[i] += np.einsum("i,ijk,k", moments[i], third, moments[j])
    return field, force
