"""Slow and independent mobilities of spheres in a slit, and the program's as a matrix.

The slit: the flow of a point force between two windows in closed form for each wave vector along
them (the point force of endless liquid, plus the solution of the homogeneous equations that
makes both windows stick), integrated over wave numbers; spheres by Faxen's law on both ends, as in
the tensor of Rotne and Prager. No periodic images. In d0 and D0/kT, where 1/eta = 3 pi.
"""

import numpy as np
from scipy.special import j0, j1

from sim.interactions.flow.free import FLUIDITY, rotne_prager
from sim.interactions.flow.near import NearFlowSum
from sim.interactions.flow.smooth import SmoothFlow
from sim.kernels.flow.layout import LANES
from sim.kernels.steps import layout

WAVES = 600


def _green(k, s):
    """Return g with (d2/ds2 - k2)2 g = delta, and its first two derivatives."""
    e = np.exp(-k * np.abs(s))
    return (
        (1.0 + k * np.abs(s)) * e / (4.0 * k**3),
        -s * e / (4.0 * k),
        (k * np.abs(s) - 1.0) * e / (4.0 * k),
    )


def _window_part(k, z, source, thickness):
    """Return (ll, tt, zz) of the windows' part at a height, of a point force at another."""
    bottom, top = _green(k, -source), _green(k, thickness - source)
    far = np.exp(-k * thickness)
    one, zero = np.ones_like(k), np.zeros_like(k)
    # psi = (A + B z) e^{-kz} + (C + D z) e^{-k(H - z)}; psi and psi' at both windows
    rows = np.array(
        [
            [one, zero, far, zero],
            [-k, one, k * far, far],
            [far, thickness * far, one, thickness * one],
            [-k * far, (1.0 - k * thickness) * far, k, 1.0 + k * thickness],
        ]
    ).transpose(2, 0, 1)
    down, up = np.exp(-k * z), np.exp(-k * (thickness - z))

    def solve(at_bottom, at_top):
        wanted = -np.stack([*at_bottom, *at_top], axis=1)
        a, b, c, d = np.linalg.solve(rows, wanted[..., None])[..., 0].T
        psi = (a + b * z) * down + (c + d * z) * up
        slope = (b - k * (a + b * z)) * down + (d + k * (c + d * z)) * up
        return psi, slope

    across, _ = solve((k * bottom[0], k * bottom[1]), (k * top[0], k * top[1]))
    _, along = solve((bottom[1], bottom[2]), (top[1], top[2]))
    low, high = min(z, source), max(z, source)
    below, above = -np.expm1(-2.0 * k * low), -np.expm1(-2.0 * k * (thickness - high))
    whole = np.exp(-k * (high - low)) * below * above
    whole /= 2.0 * k * -np.expm1(-2.0 * k * thickness)
    beside = whole - np.exp(-k * (high - low)) / (2.0 * k)
    return -along, beside, k * across


def _in_space(k, weights, distance, parts):
    """Return (xx, yy, zz) at a distance along x from functions of the wave number."""
    ll, tt, zz = parts
    x = k * max(distance, 1e-9)
    zeroth, first = j0(x), np.where(x > 1e-6, j1(x) / np.maximum(x, 1e-12), 0.5)
    measure = weights * k / (2.0 * np.pi)
    return np.array(
        [
            np.sum(measure * (ll * (zeroth - first) + tt * first)),
            np.sum(measure * (tt * (zeroth - first) + ll * first)),
            np.sum(measure * zz * zeroth),
        ]
    )


def slit_mobility(distance, z, source, thickness, radius=0.5):
    """Return the mobilities (xx, yy, zz) of two equal spheres a distance along x apart.

    Distance 0 and equal heights give a sphere's own.
    """
    nearest = min(z + source, 2.0 * thickness - z - source)
    nodes, weights = np.polynomial.legendre.leggauss(WAVES)
    largest = 45.0 / nearest
    k, weights = 0.5 * largest * (nodes + 1.0), 0.5 * largest * weights
    step = 0.05 * radius
    total = np.zeros(3)
    # (1 + a2/6 laplacian) at both ends: -k2 + d2/dz2 by differences
    for shift, second in ((0.0, -2.0), (step, 1.0), (-step, 1.0)):
        for other, last in ((0.0, -2.0), (step, 1.0), (-step, 1.0)):
            share = radius**2 / 6.0
            one = (shift == 0.0) * (1.0 - share * k * k) + share * second / step**2
            two = (other == 0.0) * (1.0 - share * k * k) + share * last / step**2
            parts = _window_part(k, z + shift, source + other, thickness)
            total += _in_space(k, weights * one * two, distance, parts)
    r = float(np.hypot(distance, z - source))
    a, b = (float(v[0]) for v in rotne_prager(np.array([r]), radius))
    n = np.array([distance, 0.0, z - source]) / max(r, 1e-12)
    return FLUIDITY * total + a + b * n**2


class DenseFlow:
    """The program's mobility of particles at given places, whole or part by part."""

    def __init__(self, plan, radius, tolerance=1e-6):
        self.plan = plan
        self.radius = np.asarray(radius, float)
        self.count = len(self.radius)
        self.smooth = SmoothFlow(plan, self.count)
        self.near = NearFlowSum(plan, self.smooth.own, 1.0, tolerance)

    def see(self, positions):
        """Put the particles there."""
        count = self.count
        x, y, z = (np.ascontiguousarray(v) for v in np.asarray(positions, float).T)
        self.places = x, y, z
        everyone = np.tile(8 * np.arange(count, dtype=np.uint32), count)
        token = np.zeros(1, np.int64)
        neighbours = layout.Neighbours(
            entries=everyone,
            start=count * np.arange(count),
            count=np.full(count, count),
            apart=token, cell=token, cell_start=token, key=token, order=token,
            scratch=np.zeros((1, 1)),
        )  # fmt: skip
        given = {
            "x": x, "y": y, "z": z, "reference_x": x, "reference_y": y, "reference_z": z,
            "radius": self.radius, "mobility": 0.5 / self.radius, "kick": np.zeros(count),
            "identity": np.arange(count, dtype=np.uint32), "momentum": np.zeros((6, count)),
        }  # fmt: skip
        slots = layout.Slots(
            **{name: given.get(name) for name in layout.Slots._fields},
        )
        self.near.see(slots, neighbours, np.zeros((3, count)), count)

    def smooth_velocity(self, force, **noise):
        """Return velocities (3, N) by the smooth part."""
        velocity = np.zeros((3, self.count))
        self.smooth.move(self.places, np.ascontiguousarray(force), velocity, **noise)
        return velocity

    def near_velocity(self, force):
        """Return velocities (3, N) by the near part."""
        root = np.sqrt(0.5 / self.radius)
        vectors = np.zeros((LANES, 3 * self.count))
        vectors[0] = (root * force).T.ravel()
        return root * self.near.multiply(vectors)[0].reshape(-1, 3).T

    def matrix(self, part="whole"):
        """Return the mobility (3 N, 3 N); rows are x of all particles, then y, then z."""
        size = 3 * self.count
        found = np.zeros((size, size))
        for column in range(size):
            force = np.zeros((3, self.count))
            force.ravel()[column] = 1.0
            if part != "near":
                found[:, column] += self.smooth_velocity(force).ravel()
            if part != "smooth":
                found[:, column] += self.near_velocity(force).ravel()
        return found
