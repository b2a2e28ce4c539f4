"""Fields of magnets by plain quadrature of their surface charge, with numpy alone.

B = 1/(4 pi) sum over the surface of (J . n) r / r^3 outside a body of the polarisation J (Jackson,
Classical Electrodynamics, section 5.9; from memory).
"""

import numpy as np


def block_field(sides, polarisation, point, order=60):
    """Field (3,) in T of a block around the origin, by Gauss-Legendre rules on its six faces."""
    nodes, weights = np.polynomial.legendre.leggauss(order)
    total = np.zeros(3)
    for axis in range(3):
        others = [k for k in range(3) if k != axis]
        a, b = (0.5 * sides[k] for k in others)
        u, v = np.meshgrid(a * nodes, b * nodes, indexing="ij")
        area = a * b * np.outer(weights, weights)
        for sign in (-1.0, 1.0):
            place = np.zeros((order, order, 3))
            place[..., axis] = 0.5 * sign * sides[axis]
            place[..., others[0]], place[..., others[1]] = u, v
            total += _charge(point - place, sign * polarisation[axis] * area)
    return total


def disc_field(diameter, height, polarisation, point, order=120):
    """Field (3,) in T of a disc around the origin: two faces and the rim."""
    radius = 0.5 * diameter
    nodes, weights = np.polynomial.legendre.leggauss(order)
    angles = 2.0 * np.pi * np.arange(2 * order) / (2 * order)
    step = 2.0 * np.pi / (2 * order)
    total = np.zeros(3)
    r, angle = np.meshgrid(0.5 * radius * (nodes + 1.0), angles, indexing="ij")
    area = r * step * (0.5 * radius * weights)[:, None]
    for sign in (-1.0, 1.0):
        z = np.full(r.shape, 0.5 * sign * height)
        place = np.stack([r * np.cos(angle), r * np.sin(angle), z], axis=-1)
        total += _charge(point - place, sign * polarisation[2] * area)
    z, angle = np.meshgrid(0.5 * height * nodes, angles, indexing="ij")
    place = np.stack([radius * np.cos(angle), radius * np.sin(angle), z], axis=-1)
    normal = polarisation[0] * np.cos(angle) + polarisation[1] * np.sin(angle)
    area = radius * step * (0.5 * height * weights)[:, None]
    return total + _charge(point - place, normal * area)


def _charge(apart, charge):
    distance = np.linalg.norm(apart, axis=-1, keepdims=True)
    return (charge[..., None] * apart / distance**3).sum(axis=(0, 1)) / (4.0 * np.pi)
