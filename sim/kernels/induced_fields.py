"""Fields at beads and their moments, between slots and plain arrays. No checks by design."""

import math

import numpy as np
from numba import njit, prange

from sim.kernels.added_forces import gradient_field
from sim.kernels.layout import BLOCKS, CUTOFF
from sim.kernels.lists import block_bounds
from sim.kernels.motion import missing_field
from sim.kernels.noise import BLOCK
from sim.kernels.pair_sums import pair_sums
from sim.kernels.rows import pack_rows
from sim.kernels.vector_rows import WORDS


@njit(cache=True, error_model="numpy")
def read_moments(slots, count, moments):
    """Copy the moments of the slots into rows."""
    for i in range(count):
        moments[i, 0] = slots.moment[i] * slots.ux[i]
        moments[i, 1] = slots.moment[i] * slots.uy[i]
        moments[i, 2] = slots.moment[i] * slots.uz[i]


@njit(cache=True, error_model="numpy")
def write_moments(slots, count, moments, patch, rows, words):
    """Give the slots new moments, and pack their rows; a moment of 0 keeps its direction."""
    for i in range(count):
        x, y, z = moments[i, 0], moments[i, 1], moments[i, 2]
        size = math.sqrt(x * x + y * y + z * z)
        slots.moment[i] = size
        if size > 0.0:
            slots.ux[i], slots.uy[i], slots.uz[i] = x / size, y / size, z / size
    pack_rows(0, slots.x.size, slots, patch, rows, words)


@njit(cache=True, error_model="numpy")
def mean_moment(slots, count, patch, magnetisation):
    """Write the moment a volume of the slots."""
    magnetisation[:] = 0.0
    for i in range(count):
        magnetisation[0] += slots.moment[i] * slots.ux[i]
        magnetisation[1] += slots.moment[i] * slots.uy[i]
        magnetisation[2] += slots.moment[i] * slots.uz[i]
    magnetisation /= patch.side_x * patch.side_y * patch.thickness


@njit(cache=True, error_model="numpy")
def field_block(
    block, slots, count, rows, words, neighbours, patch, laws, long_range, screening, applied,
    magnetisation, field,
):  # fmt: skip
    """Do one block of `local_fields`."""
    first, end = block_bounds(block, slots.x.size)
    pairs = np.empty(WORDS * BLOCK, rows.dtype)
    for begin in range(first, min(end, count), BLOCK):
        here = min(BLOCK, end - begin)
        pair_sums(begin, begin + here, rows, words, neighbours, patch, laws, screening, pairs)
        for k in range(min(here, count - begin)):
            i = begin + k
            for axis in range(3):
                field[i, axis] = applied[axis] + pairs[WORDS * k + 4 + axis]
                if laws.long_range != CUTOFF:
                    field[i, axis] += long_range.field[i, axis]
            if laws.long_range == CUTOFF:
                plane, across = missing_field(slots.z[i], patch.thickness, laws.cutoff)
                field[i, 0] += plane * magnetisation[0]
                field[i, 1] += plane * magnetisation[1]
                field[i, 2] += across * magnetisation[2]
            if laws.body_forces:
                slope = gradient_field(slots.z[i], patch, applied)
                for axis in range(3):
                    field[i, axis] += slope[axis]


@njit(cache=True, error_model="numpy", parallel=True)
def local_fields(
    slots, count, rows, words, neighbours, patch, laws, long_range, screening, applied,
    magnetisation, field,
):  # fmt: skip
    """Set the local field at each slot: the applied one and that of all other dipoles.

    Parameters
    ----------
    slots, neighbours, patch, laws, long_range : named tuples of ``layout``
        ``long_range`` holds the field of the mesh or of the exact sum for the present moments.
    count : int
    rows, words : flat array of rows, and its view as integers
        Packed with the present moments.
    screening : array or None
        See `pair_sums`.
    applied : float64 (9,)
        Field and gradient as `field_at` writes them.
    magnetisation : float64 (3,)
        Serves the field beyond a cut-off.
    field : float64 (>= count, 3)
        Overwritten.
    """
    for block in prange(BLOCKS):
        field_block(
            np.int64(block), slots, count, rows, words, neighbours, patch, laws, long_range,
            screening, applied, magnetisation, field,
        )  # fmt: skip
