"""Forces of particles onto the grid, and velocities back. No checks by design.

Along the windows a particle is a bell exp(b (sqrt(1 - t^2) - 1)) a few grid points wide (A. H.
Barnett, J. Magland and L. af Klinteberg, SIAM J. Sci. Comput. 41, C479 (2019)), whose transform is
divided out; across them it is a few functions of the film. Each block of columns takes all
particles in turn, so that every sum has a fixed order.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.flow.layout import BLOCKS
from sim.kernels.vectors.calls import kernel

u64 = np.uint64
f32 = np.float32
COLUMNS = 16  # columns of a component that are spread at a time


@njit(cache=True, error_model="numpy", inline="always")
def share_of(block, count):
    """Return the first and the end particle of a block."""
    return count * block // BLOCKS, count * (block + 1) // BLOCKS


@njit(cache=True, error_model="numpy", inline="always")
def place_axis(value, side, points, width, shape, first, weights):
    """Write the first grid point under the window and the weights of all."""
    part = value / side
    place = (part - math.floor(part)) * points
    if not (place >= 0.0 and place < points):
        place = 0.0
    start = math.floor(place - 0.5 * width) + 1
    for k in range(width):
        t = (start + k - place) * (2.0 / width)
        weights[k] = f32(math.exp(shape * (math.sqrt(max(0.0, 1.0 - t * t)) - 1.0)))
    first[0] = start + points if start < 0 else start


@njit(cache=True, error_model="numpy", inline="always")
def functions_at(height, thickness, profiles, row):
    """Write even and odd functions across the film at a height, by their Legendre polynomials."""
    polynomials, half = profiles.shape[1], profiles.shape[2]
    t = min(max(2.0 * height / thickness - 1.0, -1.0), 1.0)
    for m in range(2 * half):
        row[m] = 0.0
    before, now = 1.0, t
    for n in range(polynomials):
        for m in range(half):
            row[m] += before * profiles[0, n, m]
            row[half + m] += now * profiles[1, n, m]
        k = 2.0 * n + 1.0
        before = ((2.0 * k + 1.0) * t * now - k * before) / (k + 1.0)
        now = ((2.0 * k + 3.0) * t * before - (k + 1.0) * now) / (k + 2.0)


@kernel
def place_part(block, film):
    """Find the windows of a block's particles, and the functions at their heights."""
    begin, end = share_of(block, film.count)
    half = film.across.shape[1] // 2
    profiles = film.profiles
    row = np.empty(2 * half, np.float64)
    points_x, points_y = film.grid.shape[0], film.grid.shape[1]
    for i in range(begin, end):
        place_axis(
            film.x[i], film.side_x, points_x, film.window, film.shape, film.first[i, :1],
            film.weights[i, 0],
        )  # fmt: skip
        place_axis(
            film.y[i], film.side_y, points_y, film.window, film.shape, film.first[i, 1:],
            film.weights[i, 1],
        )  # fmt: skip
        functions_at(film.z[i], film.thickness, profiles, row)
        for m in range(2 * half):
            film.across[i, m] = f32(row[m])


@kernel
def spread_part(block, film):
    """Fill some columns of the grid with the forces of all particles."""
    width2 = film.across.shape[1]
    chunks = (width2 + COLUMNS - 1) // COLUMNS
    axis, chunk = block // chunks, block % chunks
    low, high = chunk * COLUMNS, min(width2, (chunk + 1) * COLUMNS)
    points_x, points_y = u64(film.grid.shape[0]), u64(film.grid.shape[1])
    stride, offset, size = u64(3 * width2), u64(axis * width2 + low), u64(high - low)
    # flat arrays and unsigned places, so that the innermost loop runs in vectors
    grid, across = film.grid.reshape(-1), film.across.reshape(-1)
    first, weights, window = film.first, film.weights, film.window
    for point in range(points_x * points_y):
        at = point * stride + offset
        for k in range(size):
            grid[at + k] = f32(0.0)
    for i in range(film.count):
        row = u64(i * width2 + low)
        force = f32(film.force[axis, i])
        a = u64(first[i, 0])
        for m in range(window):
            by_x = force * weights[i, 0, m]
            b = u64(first[i, 1])
            for n in range(window):
                weight = by_x * weights[i, 1, n]
                at = (a * points_y + b) * stride + offset
                for k in range(size):
                    grid[at + k] += weight * across[row + k]
                b += u64(1)
                if b == points_y:
                    b = u64(0)
            a += u64(1)
            if a == points_x:
                a = u64(0)


@kernel
def gather_part(block, film):
    """Set the velocities of a block's particles from those on the grid."""
    begin, end = share_of(block, film.count)
    points_x, points_y = film.grid.shape[0], film.grid.shape[1]
    width2 = film.across.shape[1]
    columns = film.grid.reshape(points_x, points_y, 3 * width2)
    sums = np.empty(3 * width2, np.float32)
    for i in range(begin, end):
        sums[:] = f32(0.0)
        a = film.first[i, 0]
        for m in range(film.window):
            b = film.first[i, 1]
            for n in range(film.window):
                weight = film.weights[i, 0, m] * film.weights[i, 1, n]
                source = columns[a, b]
                for k in range(u64(3 * width2)):
                    sums[k] += weight * source[k]
                b = 0 if b + 1 == points_y else b + 1
            a = 0 if a + 1 == points_x else a + 1
        for axis in range(3):
            total = 0.0
            for k in range(width2):
                total += film.across[i, k] * sums[axis * width2 + k]
            film.velocity[axis, i] = total
