"""Forces that a run may add: van der Waals and electrostatic pairs, gravity, a field gradient.

They have loops of their own, so that runs without them pay nothing. No checks by design.
"""

import numpy as np
from numba import njit

from sim.kernels.laws.pairs import (
    buoyant_weight,
    electrostatic_energy,
    electrostatic_push,
    gradient_force,
    van_der_waals_energy,
    van_der_waals_push,
)
from sim.kernels.steps.pair_sums import load_pairs, own_row, units_of
from sim.kernels.vectors.ops import where
from sim.kernels.vectors.rows import WORDS, store_sums
from sim.kernels.vectors.types import spread

u64 = np.uint64


@njit(cache=True, error_model="numpy", inline="always")
def added_pair_sums(first, end, rows, words, neighbours, patch, laws, sums):
    """Fill eight sums a slot: the force of the added pair laws, then zeros.

    Arguments as those of ``sim.kernels.steps.pair_sums``.
    """
    units = units_of(patch, rows)
    reach2 = laws.added_reach * laws.added_reach
    lanes = u64(64 // rows.itemsize)
    zero = spread(rows.dtype.type(0.0))
    for i in range(first, end):
        place, radius, _ = own_row(rows, words, i)
        fx = fy = fz = zero
        k = u64(neighbours.start[i])
        stop = k + u64(neighbours.count[i])
        while k < stop:
            (dx, dy, dz), r2, radius_j, _ = load_pairs(rows, neighbours.entries, k, place, units)
            k += lanes
            push = van_der_waals_push(
                r2, radius, radius_j, laws.shell, laws.hamaker, laws.smallest_gap
            )
            push = push + electrostatic_push(r2, radius, radius_j, laws.charging, laws.screening)
            push = where(r2 < reach2, push, zero)
            fx = fx + push * dx
            fy = fy + push * dy
            fz = fz + push * dz
        store_sums(sums, u64(WORDS * (i - first)), (fx, fy, fz, zero, zero, zero, zero, zero))


@njit(cache=True, error_model="numpy", inline="always")
def add_forces(begin, count, slots, rows, words, neighbours, patch, laws, applied, pairs, sums):
    """Add to the sums of ``count`` slots from ``begin`` what the laws switch on.

    ``applied`` holds the field and its gradient as ``field_at`` writes them, ``pairs`` is work
    space for ``added_pair_sums``; ``sums`` float64 as ``pair_sums`` leaves them.
    """
    if laws.added_pairs:
        added_pair_sums(begin, begin + count, rows, words, neighbours, patch, laws, pairs)
        for k in range(WORDS * count):
            sums[k] += pairs[k]
    if laws.body_forces:
        for k in range(count):
            force, field = body_force_and_field(begin + k, slots, patch, laws, applied)
            for axis in range(3):
                sums[WORDS * k + axis] += force[axis]
                sums[WORDS * k + 4 + axis] += field[axis]


@njit(cache=True, error_model="numpy", inline="always")
def body_force_and_field(i, slots, patch, laws, applied):
    """Return weight and gradient force of one slot, and the gradient's field off the mid-plane.

    The field at height z is that of the mid-plane and dB/dz times the distance from it; along the
    film it stays uniform, as a periodic patch must have it.
    """
    weight = buoyant_weight(slots.radius[i], laws.shell, laws.core_weight, laws.shell_weight)
    m = slots.moment[i]
    pull = gradient_force(applied, m * slots.ux[i], m * slots.uy[i], m * slots.uz[i])
    field = gradient_field(slots.z[i], patch, applied)
    down = (laws.down_x, laws.down_y, laws.down_z)
    force = (
        weight * down[0] + pull[0],
        weight * down[1] + pull[1],
        weight * down[2] + pull[2],
    )
    return force, field


@njit(cache=True, error_model="numpy", inline="always")
def gradient_field(z, patch, applied):
    """Return the field of the gradient at height z, zero in the mid-plane."""
    return gradient_force(applied, 0.0, 0.0, z - 0.5 * patch.thickness)


@njit(cache=True, error_model="numpy", inline="always")
def added_pair_energy(r2, radius_i, radius_j, laws):
    """Return (van der Waals, electrostatic) energy of two particles in kT."""
    if r2 >= laws.added_reach * laws.added_reach:
        return 0.0, 0.0
    a, b = radius_i, radius_j
    drawn = van_der_waals_energy(r2, a, b, laws.shell, laws.hamaker, laws.smallest_gap)
    return drawn, electrostatic_energy(r2, a, b, laws.charging, laws.screening)


@njit(cache=True, error_model="numpy", inline="always")
def body_energy(i, slots, patch, laws, applied):
    """Return (weight, gradient) energy of one slot in kT, from the parts across the film alone.

    Forces along a periodic film have no energy function.
    """
    weight = buoyant_weight(slots.radius[i], laws.shell, laws.core_weight, laws.shell_weight)
    field = gradient_field(slots.z[i], patch, applied)
    m = slots.moment[i]
    turned = slots.ux[i] * field[0] + slots.uy[i] * field[1] + slots.uz[i] * field[2]
    return -weight * laws.down_z * slots.z[i], -m * turned
