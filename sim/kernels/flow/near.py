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

u64 = np.uint64


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
    # named here, so that nothing is read anew for each pair
    entries, start, listed = film.neighbours.entries, film.neighbours.start, film.neighbours.count
    xs, ys, zs, table, other, tensor = film.x, film.y, film.z, film.table, film.other, film.tensor
    side_x, side_y, reach2, fineness = film.side_x, film.side_y, film.reach2, film.points_per_length
    inverse_x, inverse_y, count, one = 1.0 / side_x, 1.0 / side_y, u64(film.count), u64(1)
    for i in range(u64(begin), u64(end)):
        at = u64(start[i])
        x_here, y_here, z_here = xs[i], ys[i], zs[i]
        for place in range(u64(start[i]), u64(start[i] + listed[i])):
            j = u64(entries[place]) >> u64(3)
            if j >= count or j == i:
                continue
            x, y, z = x_here - xs[j], y_here - ys[j], z_here - zs[j]
            x -= side_x * math.floor(x * inverse_x + 0.5)
            y -= side_y * math.floor(y * inverse_y + 0.5)
            r2 = x * x + y * y + z * z
            if r2 >= reach2:
                continue
            r = math.sqrt(r2)
            inverse = 1.0 / max(r, 1e-12)
            part = r * fineness
            k = u64(part)
            part -= k
            other[at] = j
            tensor[at, 0] = table[k, 0] + part * (table[k + one, 0] - table[k, 0])
            tensor[at, 1] = table[k, 1] + part * (table[k + one, 1] - table[k, 1])
            tensor[at, 2] = x * inverse
            tensor[at, 3] = y * inverse
            tensor[at, 4] = z * inverse
            at += one
        film.pairs[i] = at - u64(start[i])


@kernel(fastmath=True)
def product_part(block, film):
    """Multiply two vectors by the near part, for the rows of a block."""
    begin, end = film.count * block // BLOCKS, film.count * (block + 1) // BLOCKS
    vector, share, product = film.vector, film.share, film.product
    other, tensor, start, pairs = film.other, film.tensor, film.neighbours.start, film.pairs
    for i in range(u64(begin), u64(end)):
        x = y = z = 0.0
        x2 = y2 = z2 = 0.0
        for at in range(u64(start[i]), u64(start[i] + pairs[i])):
            j = u64(other[at])
            a, b = tensor[at, 0], tensor[at, 1]
            nx, ny, nz = tensor[at, 2], tensor[at, 3], tensor[at, 4]
            flat, high = share[0, j], share[1, j]
            u, v, w = flat * vector[0, 0, j], flat * vector[0, 1, j], high * vector[0, 2, j]
            along = b * (nx * u + ny * v + nz * w)
            x += a * u + along * nx
            y += a * v + along * ny
            z += a * w + along * nz
            u, v, w = flat * vector[1, 0, j], flat * vector[1, 1, j], high * vector[1, 2, j]
            along = b * (nx * u + ny * v + nz * w)
            x2 += a * u + along * nx
            y2 += a * v + along * ny
            z2 += a * w + along * nz
        flat, high = film.diagonal[0, i], film.diagonal[1, i]
        by_side, by_height = share[0, i], share[1, i]
        product[0, 0, i] = flat * vector[0, 0, i] + by_side * x
        product[0, 1, i] = flat * vector[0, 1, i] + by_side * y
        product[0, 2, i] = high * vector[0, 2, i] + by_height * z
        product[1, 0, i] = flat * vector[1, 0, i] + by_side * x2
        product[1, 1, i] = flat * vector[1, 1, i] + by_side * y2
        product[1, 2, i] = high * vector[1, 2, i] + by_height * z2
