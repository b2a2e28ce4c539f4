"""Packing slots into the rows that the pair loop reads: fixed-point position, radius and moment.

A row of eight words: x, y, z as integers in units of (period)/2^bits, so that the wrap of an
integer subtraction is the minimum image; the radius; the moment's three components; one
word to spare. 32-bit words for single-precision pairs, 64-bit words for double.
"""

import math

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.vectors.rows import WORDS, as_fixed_point, as_words, load_for, store_rows

u64 = np.uint64
# Where the radius stands in a row, and where the moment begins.
RADIUS, MOMENT = 3, 4
# Where the row that pads lists stands, in periods of z.
FAR_SHARE = 0.44


@njit(cache=True, error_model="numpy", inline="always")
def unit_of(period, rows):
    """Return the length of one unit of a fixed-point word."""
    return period / 4294967296.0 if rows.itemsize == 4 else period / 18446744073709551616.0


@njit(cache=True, error_model="numpy", inline="always")
def pack_rows(first, end, slots, patch, rows):
    """Write the rows of the slots from ``first`` up to ``end``, whole vectors of them."""
    inverse_x, inverse_y = 1.0 / patch.side_x, 1.0 / patch.side_y
    inverse_z = 1.0 / patch.period_z
    for i in range(u64(first), u64(end), u64(64 // rows.itemsize)):
        m = load_for(rows, slots.moment, i)
        words = (
            as_fixed_point(rows, load_for(rows, slots.x, i), inverse_x),
            as_fixed_point(rows, load_for(rows, slots.y, i), inverse_y),
            as_fixed_point(rows, load_for(rows, slots.z, i), inverse_z),
            as_words(rows, load_for(rows, slots.radius, i)),
            as_words(rows, m * load_for(rows, slots.ux, i)),
            as_words(rows, m * load_for(rows, slots.uy, i)),
            as_words(rows, m * load_for(rows, slots.uz, i)),
            as_words(rows, 0.0 * m),
        )
        store_rows(rows, u64(WORDS) * i, words)


@register_jitable(forceinline=True)
def pack_far_row(number, rows, words):
    """Make the row that pads lists: without a moment and far beyond every range."""
    at = WORDS * number
    for k in range(WORDS):
        words[at + k] = 0
    words[at + 2] = np.int64(FAR_SHARE * 2.0 ** (8 * rows.itemsize))
    rows[at + RADIUS] = 0.5


def far_period(thickness, reach):
    """Return the period of the fixed-point z: the far row is out of range of any particle."""
    return 8.0 * (thickness + math.ceil(reach) + 8.0)
