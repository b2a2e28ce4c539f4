"""Packing slots into the rows that the pair loop reads: fixed-point position, radius and moment.

A row of eight words: x, y, z as integers in units of (period)/2^bits, so that the wrap of an
integer subtraction is the minimum image; the radius; the moment's three components; one
word to spare. 32-bit words for single-precision pairs, 64-bit words for double.
"""

import math

import numpy as np
from numba import njit, types
from numba.extending import overload, register_jitable

from sim.kernels.vector_rows import WORDS

# Where the radius stands in a row, and where the moment begins.
RADIUS, MOMENT = 3, 4
HALF_BELOW = 0.49999999999999994


@register_jitable(forceinline=True)
def _fraction(value, period):
    """Return value/period brought into [-1/2, 1/2)."""
    part = value / period
    part -= np.rint(part)
    return part if part < 0.5 else -HALF_BELOW


def fixed_point(value, period, words):
    """Return ``value`` as an integer in units of period/2^bits of the words' type."""
    raise TypeError


@overload(fixed_point, jit_options={"forceinline": True})
def _fixed_point(value, period, words):
    if words.dtype == types.int32:

        def convert(value, period, words):
            return np.int32(np.int64(_fraction(value, period) * 4294967296.0))

        return convert

    def convert(value, period, words):
        return np.int64(_fraction(value, period) * 18446744073709551616.0)

    return convert


@njit(cache=True, error_model="numpy", inline="always")
def unit_of(period, rows):
    """Return the length of one unit of a fixed-point word."""
    return period / 4294967296.0 if rows.itemsize == 4 else period / 18446744073709551616.0


@njit(cache=True, error_model="numpy", inline="always")
def pack_rows(first, end, slots, patch, rows, words):
    """Write the rows of the slots from ``first`` up to ``end``."""
    for i in range(first, end):
        at = WORDS * i
        words[at] = fixed_point(slots.x[i], patch.side_x, words)
        words[at + 1] = fixed_point(slots.y[i], patch.side_y, words)
        words[at + 2] = fixed_point(slots.z[i], patch.period_z, words)
        rows[at + MOMENT] = slots.moment[i] * slots.ux[i]
        rows[at + MOMENT + 1] = slots.moment[i] * slots.uy[i]
        rows[at + MOMENT + 2] = slots.moment[i] * slots.uz[i]
        rows[at + RADIUS] = slots.radius[i]


@njit(cache=True, error_model="numpy", inline="always")
def pack_far_row(number, patch, rows, words):
    """Make the row that pads lists: without a moment and far beyond every range."""
    at = WORDS * number
    words[at] = fixed_point(0.0, patch.side_x, words)
    words[at + 1] = fixed_point(0.0, patch.side_y, words)
    words[at + 2] = fixed_point(0.44 * patch.period_z, patch.period_z, words)
    for k in range(3, WORDS):
        rows[at + k] = 0.0
    rows[at + RADIUS] = 0.5


def far_period(thickness, reach):
    """Return the period of the fixed-point z: the far row is out of range of any particle."""
    return 8.0 * (thickness + math.ceil(reach) + 8.0)
