"""Near part of the flow: factors that the windows leave, the list of pairs, its product.

The near part of a pair is that of endless liquid times a factor of each particle, along and across
the windows, which gives a lone particle the mobility of ``laws.hindrance`` at its height. Products
of such factors leave it positive. It is divided by the roots of the mobilities far from windows, so
that its vectors are momenta in thermal units. No checks by design.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.flow.layout import BLOCKS
from sim.kernels.laws.hindrance import hindered
from sim.kernels.vectors.calls import kernel

f32 = np.float32


@njit(cache=True, error_model="numpy", inline="always")
def look_up(table, place, column):
    """Return a value between the points of a table, on a straight line."""
    last = table.shape[0] - 2
    place = min(max(place, 0.0), float(last + 1))
    k = min(int(place), last)
    share = place - k
    return (1.0 - share) * table[k, column] + share * table[k + 1, column]


@kernel
def factors_part(block, film):
    """Find the factors of a block's particles at their heights."""
    begin, end = film.count * block // BLOCKS, film.count * (block + 1) // BLOCKS
    for i in range(begin, end):
        place = film.z[i] * film.heights_per_length
        by_side, by_height = hindered(film.z[i], film.thickness, film.radius[i])
        whole = film.mobility[i]
        along = max(by_side - look_up(film.smooth, place, 0) / whole, film.least)
        across = max(by_height - look_up(film.smooth, place, 1) / whole, film.least)
        film.diagonal[0, i] = along
        film.diagonal[1, i] = across
        film.share[0, i] = math.sqrt(along / film.own)
        film.share[1, i] = math.sqrt(across / film.own)


@kernel
def list_part(block, film):
    """List the near pairs of a block, with their tensors."""
    begin, end = film.count * block // BLOCKS, film.count * (block + 1) // BLOCKS
    listed = film.neighbours
    for i in range(begin, end):
        at = listed.start[i]
        for place in range(listed.start[i], listed.start[i] + listed.count[i]):
            j = np.int64(listed.entries[place]) // 8
            if j >= film.count or j == i:
                continue
            x, y, z = film.x[i] - film.x[j], film.y[i] - film.y[j], film.z[i] - film.z[j]
            x -= film.side_x * math.floor(x / film.side_x + 0.5)
            y -= film.side_y * math.floor(y / film.side_y + 0.5)
            r2 = x * x + y * y + z * z
            if r2 >= film.reach2:
                continue
            r = math.sqrt(r2)
            inverse = 1.0 / max(r, 1e-12)
            film.other[at] = j
            film.tensor[at, 0] = look_up(film.table, r * film.points_per_length, 0)
            film.tensor[at, 1] = look_up(film.table, r * film.points_per_length, 1)
            film.tensor[at, 2] = x * inverse
            film.tensor[at, 3] = y * inverse
            film.tensor[at, 4] = z * inverse
            at += 1
        film.pairs[i] = at - listed.start[i]


@kernel
def product_part(block, film):
    """Multiply a vector by the near part, for the rows of a block."""
    begin, end = film.count * block // BLOCKS, film.count * (block + 1) // BLOCKS
    vector, product, share = film.vector, film.product, film.share
    for i in range(begin, end):
        x = y = z = 0.0
        start = film.neighbours.start[i]
        for at in range(start, start + film.pairs[i]):
            j = film.other[at]
            a, b = film.tensor[at, 0], film.tensor[at, 1]
            nx, ny, nz = film.tensor[at, 2], film.tensor[at, 3], film.tensor[at, 4]
            u, v = share[0, j] * vector[0, j], share[0, j] * vector[1, j]
            w = share[1, j] * vector[2, j]
            along = b * (nx * u + ny * v + nz * w)
            x += a * u + along * nx
            y += a * v + along * ny
            z += a * w + along * nz
        product[0, i] = film.diagonal[0, i] * vector[0, i] + share[0, i] * x
        product[1, i] = film.diagonal[0, i] * vector[1, i] + share[0, i] * y
        product[2, i] = film.diagonal[1, i] * vector[2, i] + share[1, i] * z
