"""Near part of the flow: factors that the windows leave, the list of pairs, product and move.

The near part of a pair is that of endless liquid times a factor of each particle, along and across
the windows, which gives a lone particle the mobility of ``laws.hindrance`` at its height. Products
of such factors leave it positive. It is divided by the roots of the mobilities far from windows, so
that its square root turns normal numbers into noise in thermal units. No checks by design.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.flow.grid import share_of
from sim.kernels.flow.layout import FIRST, LANE, LANES, SEED
from sim.kernels.laws.hindrance import hindered
from sim.kernels.steps.layout import AXES, BLOCK
from sim.kernels.steps.noise import normals
from sim.kernels.vectors.calls import kernel
from sim.kernels.vectors.types import load, spread, store

u64 = np.uint64
SLOPE_STEP = 1e-3  # of a factor by height


@njit(cache=True, error_model="numpy", inline="always")
def look_up(table, place, column):
    """Return a value between the points of a table, on a straight line."""
    last = table.shape[0] - 2
    place = min(max(place, 0.0), float(last + 1))
    k = min(int(place), last)
    share = place - k
    return (1.0 - share) * table[k, column] + share * table[k + 1, column]


@njit(cache=True, error_model="numpy", inline="always")
def own_part(i, z, film):
    """Return a particle's own near mobility at a height, along and across the windows."""
    place = z * film.heights_per_length
    by_side, by_height = hindered(z, film.thickness, film.radius[i])
    whole = film.mobility[i]
    along = by_side - look_up(film.smooth, place, 0) / whole
    across = by_height - look_up(film.smooth, place, 1) / whole
    return max(along, film.least), max(across, film.least)


@njit(cache=True, error_model="numpy", inline="always")
def find_factors(i, film):
    """Find the factors of a particle at its height, and its own drift."""
    above = own_part(i, film.z[i] + SLOPE_STEP, film)
    below = own_part(i, film.z[i] - SLOPE_STEP, film)
    here = own_part(i, film.z[i], film)
    for axis in range(2):
        share = math.sqrt(here[axis] / film.own)
        film.share[axis, i] = share
        slope = (above[axis] - below[axis]) / (2.0 * SLOPE_STEP)
        film.tilt[axis, i] = 0.5 * share * slope / here[axis]
    film.drift[0, i] = film.drift[1, i] = 0.0
    film.drift[2, i] = film.mobility[i] * (above[1] - below[1]) / (2.0 * SLOPE_STEP)


@kernel
def factors_part(block, film):
    """Find the factors of a block's particles at their heights, and their own drift."""
    begin, end = share_of(block, film.count)
    for i in range(begin, end):
        find_factors(i, film)


@njit(cache=True, error_model="numpy", inline="always")
def tensor_at(table, place, k):
    """Return A and B of a pair between two points of a table, and their steps to the next."""
    part = place - k
    one = u64(1)
    more_a, more_b = table[k + one, 0] - table[k, 0], table[k + one, 1] - table[k, 1]
    return table[k, 0] + part * more_a, table[k, 1] + part * more_b, more_a, more_b


@njit(cache=True, error_model="numpy", inline="always")
def pair_drift(a, b, slope_a, slope_b, inverse, z, root, share, tilt):
    """Return what the factors of the other particle of a pair add to the drift, along and across.

    Of div M the tensors of endless liquid have nothing; what is left stems from the other's
    factors: (across - along) times the slope of T along z, and the slope of ``across`` times T.
    ``z`` is that of the direction from it, ``inverse`` one over the distance, ``root`` that of its
    mobility, ``share`` its factors and ``tilt`` the slope of the one across the windows. Returned
    are what belongs to x and y of the direction, and two parts across the windows.
    """
    tilted = root * tilt
    uneven = -root * (share[1] - share[0])
    by_side = tilted * b * z + uneven * (slope_b * z * z + b * inverse * (1.0 - 2.0 * z * z))
    by_height = tilted * (a + b * z * z)
    beside = uneven * z * (slope_a + slope_b * z * z + 2.0 * b * inverse * (1.0 - z * z))
    return by_side, by_height, beside


@kernel
def list_part(block, film):
    """List the near pairs of a block, with their tensors and the drift that they add."""
    begin, end = share_of(block, film.count)
    # named here, so that nothing is read anew for each pair
    entries, start, listed = film.neighbours.entries, film.neighbours.start, film.neighbours.count
    xs, ys, zs, table, other, tensor = film.x, film.y, film.z, film.table, film.other, film.tensor
    side_x, side_y, reach2, fineness = film.side_x, film.side_y, film.reach2, film.points_per_length
    inverse_x, inverse_y, count, one = 1.0 / side_x, 1.0 / side_y, u64(film.count), u64(1)
    share, tilt, mobility = film.share, film.tilt, film.mobility
    for i in range(u64(begin), u64(end)):
        at = u64(start[i])
        x_here, y_here, z_here = xs[i], ys[i], zs[i]
        drift_x = drift_y = drift_z = 0.0
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
            a, b, more_a, more_b = tensor_at(table, part, u64(part))
            x, y, z = x * inverse, y * inverse, z * inverse
            other[at] = j
            tensor[at, 0] = a
            tensor[at, 1] = b
            tensor[at, 2] = x
            tensor[at, 3] = y
            tensor[at, 4] = z
            at += one
            by_side, by_height, beside = pair_drift(
                a, b, fineness * more_a, fineness * more_b, inverse, z, math.sqrt(mobility[j]),
                (share[0, j], share[1, j]), tilt[1, j],
            )  # fmt: skip
            drift_x += x * by_side
            drift_y += y * by_side
            drift_z += by_height
            drift_z += beside
        film.pairs[i] = at - u64(start[i])
        root = math.sqrt(mobility[i])
        film.drift[0, i] += root * share[0, i] * drift_x
        film.drift[1, i] += root * share[0, i] * drift_y
        film.drift[2, i] += root * share[1, i] * drift_z


@kernel(fastmath=True)
def draw_part(block, film):
    """Draw the normals of a block for the steps from the present one on, a lane a step."""
    begin, end = share_of(block, film.count)
    words = np.empty((AXES, BLOCK), np.uint32)
    fresh = np.empty((AXES, BLOCK), np.float32)
    for first in range(begin, end, BLOCK):
        size = min(BLOCK, end - first)
        for lane in range(LANES):
            step = film.clock[FIRST] + u64(lane)
            normals(film.identity, first, size, step, film.clock[SEED], words, fresh)
            for axis in range(3):
                for k in range(size):
                    film.noise[lane, first + k, axis] = fresh[axis, k]


@kernel
def product_part(block, film):
    """Multiply vectors, one a lane, by the near part, for the rows of a block."""
    begin, end = share_of(block, film.count)
    vector, product = film.vector.reshape(-1), film.product.reshape(-1)
    other, tensor, start, pairs = film.other, film.tensor, film.neighbours.start, film.pairs
    row, next_axis, last_axis = u64(3 * LANES), u64(LANES), u64(2 * LANES)
    for i in range(u64(begin), u64(end)):
        here = i * row
        own = spread(film.own)
        x = own * load(vector, here)
        y = own * load(vector, here + next_axis)
        z = own * load(vector, here + last_axis)
        for at in range(u64(start[i]), u64(start[i] + pairs[i])):
            there = u64(other[at]) * row
            a, b = float(tensor[at, 0]), float(tensor[at, 1])
            nx, ny, nz = float(tensor[at, 2]), float(tensor[at, 3]), float(tensor[at, 4])
            u, v, w = (
                load(vector, there), load(vector, there + next_axis),
                load(vector, there + last_axis),
            )  # fmt: skip
            along = b * (nx * u + ny * v + nz * w)
            x = x + (a * u + nx * along)
            y = y + (a * v + ny * along)
            z = z + (a * w + nz * along)
        flat, high = film.share[0, i], film.share[1, i]
        store(product, here, flat * x)
        store(product, here + next_axis, flat * y)
        store(product, here + last_axis, high * z)


@kernel
def push_part(block, film):
    """Find what the forces on a block's particles bring to the near flow of this step."""
    begin, end = share_of(block, film.count)
    for i in range(begin, end):
        flat = 0.5 * film.kick[i] * film.share[0, i]
        high = 0.5 * film.kick[i] * film.share[1, i]
        film.pushed[i, 0] = flat * film.moved.force[0, i]
        film.pushed[i, 1] = flat * film.moved.force[1, i]
        film.pushed[i, 2] = high * film.moved.force[2, i]


@kernel(fastmath=True)
def move_part(block, film):
    """Move a block's particles by the near flow: forces, drift, noise of this step and the last."""
    begin, end = share_of(block, film.count)
    pushed, own, moved, lane = film.pushed, film.own, film.moved, film.clock[LANE]
    other, tensor, start, pairs = film.other, film.tensor, film.neighbours.start, film.pairs
    for i in range(u64(begin), u64(end)):
        x, y, z = own * pushed[i, 0], own * pushed[i, 1], own * pushed[i, 2]
        for at in range(u64(start[i]), u64(start[i] + pairs[i])):
            j = u64(other[at])
            a, b = tensor[at, 0], tensor[at, 1]
            nx, ny, nz = tensor[at, 2], tensor[at, 3], tensor[at, 4]
            u, v, w = pushed[j, 0], pushed[j, 1], pushed[j, 2]
            along = b * (nx * u + ny * v + nz * w)
            x += a * u + along * nx
            y += a * v + along * ny
            z += a * w + along * nz
        by_force = film.share[0, i] * x, film.share[0, i] * y, film.share[1, i] * z
        for axis in range(3):
            noise = film.noise[lane, i, axis]
            by_noise = 0.5 * (moved.momentum[axis, i] + noise)
            moved.momentum[axis, i] = noise
            move = (
                film.kick[i] * (by_force[axis] + by_noise) + film.drift_time * film.drift[axis, i]
            )
            if axis == 0:
                moved.x[i] += move
            elif axis == 1:
                moved.y[i] += move
            else:
                moved.z[i] += move
