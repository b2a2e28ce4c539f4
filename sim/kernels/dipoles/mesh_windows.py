"""Where a particle sits on the mesh: window weights, and the order in which particles spread.

No checks by design; but a coordinate outside the film or not a number is moved to its edge, so
that nothing beyond the grid is ever touched.
"""

import math

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.vectors.eight_lanes import EIGHT, load8, spread8, store8

u64 = np.uint64


@njit(cache=True, error_model="numpy", inline="always")
def periodic_place(value, side, points, width):
    """Return the first grid point under the window, wrapped, and the offset for the weights."""
    part = value / side
    place = (part - math.floor(part)) * points
    if not (place >= 0.0 and place < points):
        place = 0.0
    first = math.floor(place - 0.5 * width) + 1
    offset = (first - place) + 0.5 * width - 0.5
    return first + points if first < 0 else first, offset


@njit(cache=True, error_model="numpy", inline="always")
def open_place(value, thickness, inverse, width, layers):
    """Return the first layer under the window, and the offset for the weights.

    A particle at z = 0 has the layers from 0 on under its window.
    """
    if not value > 0.0:
        value = 0.0
    value = min(value, thickness)
    place = value * inverse + (0.5 * width - 1.0)
    first = min(math.floor(place - 0.5 * width) + 1, layers - width)
    return first, (first - place) + 0.5 * width - 0.5


@register_jitable(forceinline=True)
def next_power(value, slope, bend, t, coefficient):
    """Return a polynomial, its derivative and half its second one, with the next coefficient.

    Horner's scheme.
    """
    return value * t + coefficient, slope * t + value, bend * t + slope


@njit(cache=True, error_model="numpy", inline="always")
def store_weights(value, slope, bend, inverse, weights, at, span):
    """Store window, first and second derivative, by the distance in units of length."""
    real = weights.dtype.type
    store8(weights, at, value)
    store8(weights, at + span, slope * spread8(real(inverse)))
    store8(weights, at + span + span, bend * spread8(real(2.0 * inverse * inverse)))


@njit(cache=True, error_model="numpy", inline="always")
def fill_weights(tx, ty, tz, shape, window, weights):
    """Fill nine rows of ``span`` weights: window, first and second derivative in x, in y, in z.

    Horner's scheme on eight grid points under the window at once, and for all axes together, so
    that no step waits for the one before.
    """
    real = window.dtype.type
    span = u64(shape.span)
    x, y, z = spread8(real(tx)), spread8(real(ty)), spread8(real(tz))
    zero = spread8(real(0.0))
    chunk = u64(0)
    while chunk < span:
        ax = ay = az = load8(window, chunk)
        bx = by = bz = cx = cy = cz = zero
        k = chunk + span
        while k < u64(window.size):
            next_one = load8(window, k)
            ax, bx, cx = next_power(ax, bx, cx, x, next_one)
            ay, by, cy = next_power(ay, by, cy, y, next_one)
            az, bz, cz = next_power(az, bz, cz, z, next_one)
            k += span
        store_weights(ax, bx, cx, shape.inverse_x, weights, chunk, span)
        store_weights(ay, by, cy, shape.inverse_y, weights, u64(3) * span + chunk, span)
        store_weights(az, bz, cz, shape.inverse_z, weights, u64(6) * span + chunk, span)
        chunk += u64(EIGHT)


@njit(cache=True, error_model="numpy", inline="always")
def place_weights(x, y, z, shape, window, weights, first):
    """Fill the nine rows of weights of a place, and its first grid point by axis."""
    width = shape.width
    first[0], tx = periodic_place(x, shape.side_x, shape.points_x, width)
    first[1], ty = periodic_place(y, shape.side_y, shape.points_y, width)
    first[2], tz = open_place(z, shape.thickness, shape.inverse_z, width, shape.layers)
    fill_weights(tx, ty, tz, shape, window, weights)


@njit(cache=True, error_model="numpy", inline="always")
def find_columns(begin, end, x, y, shape, columns):
    """Write the first grid column in x and y under the window of some particles."""
    for i in range(begin, end):
        a, _ = periodic_place(x[i], shape.side_x, shape.points_x, shape.width)
        b, _ = periodic_place(y[i], shape.side_y, shape.points_y, shape.width)
        columns[i] = a * shape.points_y + b


@njit(cache=True, error_model="numpy", inline="always")
def sort_by_column(count, columns, starts, order):
    """Fill ``order`` with the particles by column (stable), and where each column starts.

    Those that follow one another then meet the same part of the grid in the fastest memory.
    """
    starts[:] = 0
    for i in range(count):
        starts[columns[i] + 1] += 1
    for n in range(starts.size - 1):
        starts[n + 1] += starts[n]
    for i in range(count):
        column = columns[i]
        order[starts[column]] = i
        starts[column] += 1
    # Each start has moved on to the next one; shift them back.
    for n in range(starts.size - 1, 0, -1):
        starts[n] = starts[n - 1]
    starts[0] = 0
