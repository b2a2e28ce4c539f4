"""An inner step of a block: as ``motion``, from sums that lie one kind after the other.

No checks by design.
"""

import numpy as np
from numba import njit

from sim.kernels.steps.added_forces import body_force_and_field
from sim.kernels.steps.layout import BLOCK
from sim.kernels.steps.motion import LANES, displace, with_surroundings
from sim.kernels.vectors.types import load

u64 = np.uint64


@njit(cache=True, error_model="numpy", inline="always")
def add_held(first, count, slots, held, pairs, sums):
    """Fill six rows of sums, force and field: those of the near pairs and what is kept.

    Parameters
    ----------
    first, count : int
        The slots of this block.
    held : float64 array, shape (7, slots)
        Kept sums: force without its part along the moment, that part's factor, field.
    pairs : float array, shape (8 * 256,)
        As ``near_sums`` leaves them.
    sums : float64 array, shape (8 * 256,)
        Results, laid out as ``pairs``.
    """
    for k in range(count):
        i = first + k
        along = held[3, i] * slots.moment[i]
        sums[k] = held[0, i] + along * slots.ux[i] + pairs[k]
        sums[BLOCK + k] = held[1, i] + along * slots.uy[i] + pairs[BLOCK + k]
        sums[2 * BLOCK + k] = held[2, i] + along * slots.uz[i] + pairs[2 * BLOCK + k]
    for axis in range(3, 6):
        for k in range(count):
            sums[axis * BLOCK + k] = held[axis + 1, first + k] + pairs[axis * BLOCK + k]


@njit(cache=True, error_model="numpy", inline="always")
def add_body(first, count, slots, patch, laws, applied, sums):
    """Add weight, the pull of the field's gradient, and its field off the mid-plane."""
    for k in range(count):
        force, field = body_force_and_field(first + k, slots, patch, laws, applied)
        for axis in range(3):
            sums[axis * BLOCK + k] += force[axis]
            sums[(axis + 3) * BLOCK + k] += field[axis]


@njit(cache=True, error_model="numpy", inline="always")
def move_inner(
    first, count, slots, sums, fresh, applied, magnetisation, patch, laws, drift2, travel2
):
    """Move and turn ``count`` slots (a multiple of 8) from ``first``, as ``motion.move`` does.

    Parameters
    ----------
    sums : float64 array, shape (8 * 256,)
        Force and field as ``add_held`` leaves them.
    fresh, applied, magnetisation, drift2, travel2
        As those of ``motion.move``.
    """
    for k in range(u64(0), u64(count), u64(LANES)):
        i = u64(first) + k
        force = load(sums, k), load(sums, k + u64(BLOCK)), load(sums, k + u64(2 * BLOCK))
        field = (
            load(sums, k + u64(3 * BLOCK)),
            load(sums, k + u64(4 * BLOCK)),
            load(sums, k + u64(5 * BLOCK)),
        )
        force, field = with_surroundings(
            i, force, field, slots, applied, magnetisation, patch, laws
        )
        displace(i, k, force, field, slots, fresh, laws, drift2, travel2)
