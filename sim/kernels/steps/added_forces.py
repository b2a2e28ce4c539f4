"""Forces that a run may add: the pair laws of `ADDED`, gravity, a gradient of the field.

They have loops of their own, so that runs without them pay nothing; of the pair laws those are
compiled up to the last one that acts, so that a law put at the end of `ADDED` changes no bit of
films without it. No checks by design.
"""

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.laws.pairs import ADDED, buoyant_weight, gradient_force
from sim.kernels.steps.pair_sums import load_pairs, own_row, units_of
from sim.kernels.vectors.ops import where
from sim.kernels.vectors.rows import WORDS, store_sums
from sim.kernels.vectors.types import spread

u64 = np.uint64


@register_jitable(forceinline=True)
def no_push(r2, radius_i, radius_j, laws, number, total):
    """Return the push of no law at all."""
    return total


def _and_push(others, law, push):
    @register_jitable(forceinline=True)
    def with_push(r2, radius_i, radius_j, laws, number, total):
        """Return a push with those of the first laws of `ADDED`, as many as asked for."""
        total = others(r2, radius_i, radius_j, laws, number, total)
        if law < number:
            total = total + push(r2, radius_i, radius_j, laws.shell, *laws.added[law])
        return total

    return with_push


@register_jitable(forceinline=True)
def no_energy(r2, radius_i, radius_j, laws, out):
    """Add the energy of no law at all."""


def _and_energy(others, law, energy):
    @register_jitable(forceinline=True)
    def with_energy(r2, radius_i, radius_j, laws, out):
        """Add the energies of further laws, as far as they act, each to a place of its own."""
        others(r2, radius_i, radius_j, laws, out)
        if laws.added_acts[law]:
            out[law] += energy(r2, radius_i, radius_j, laws.shell, *laws.added[law])

    return with_energy


# All laws in a row; how many are taken is known when a kernel of pushes is compiled.
added_push, add_energies = no_push, no_energy
for _law, (_push, _energy) in enumerate(ADDED.values()):
    added_push = _and_push(added_push, _law, _push)
    add_energies = _and_energy(add_energies, _law, _energy)


@njit(cache=True, error_model="numpy", inline="always")
def added_pair_sums(first, end, rows, words, neighbours, patch, laws, number, sums):
    """Fill eight sums per slot: the force of the added pair laws, then zeros.

    Arguments as those of ``sim.kernels.steps.pair_sums``; the ``number`` of laws is a constant
    where a kernel calls.
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
            push = added_push(r2, radius, radius_j, laws, number, zero)
            push = where(r2 < reach2, push, zero)
            fx = fx + push * dx
            fy = fy + push * dy
            fz = fz + push * dz
        store_sums(sums, u64(WORDS * (i - first)), (fx, fy, fz, zero, zero, zero, zero, zero))


@njit(cache=True, error_model="numpy", inline="always")
def add_pairs(begin, count, rows, words, neighbours, patch, laws, number, pairs, sums):
    """Add to the sums of ``count`` slots from ``begin`` those of the first pair laws of `ADDED`.

    ``pairs`` is work space for ``added_pair_sums``; ``sums`` float64 as ``pair_sums`` leaves them.
    """
    added_pair_sums(begin, begin + count, rows, words, neighbours, patch, laws, number, pairs)
    for k in range(WORDS * count):
        sums[k] += pairs[k]


@njit(cache=True, error_model="numpy", inline="always")
def add_body_forces(begin, count, slots, patch, laws, applied, sums):
    """Add to the sums of ``count`` slots from ``begin`` weight and the field's gradient.

    ``applied`` holds the field and its gradient as ``field_at`` writes them.
    """
    for k in range(count):
        force, field = body_force_and_field(begin + k, slots, patch, laws, applied)
        for axis in range(3):
            sums[WORDS * k + axis] += force[axis]
            sums[WORDS * k + 4 + axis] += field[axis]


@njit(cache=True, error_model="numpy", inline="always")
def body_force_and_field(i, slots, patch, laws, applied):
    """Return weight and gradient force of one slot, and the gradient's field off the mid-plane."""
    m = slots.moment[i]
    moment = m * slots.ux[i], m * slots.uy[i], m * slots.uz[i]
    return body_force(slots.z[i], slots.radius[i], moment, patch.thickness, laws, applied)


@register_jitable(forceinline=True)
def body_force(z, radius, moment, thickness, laws, applied):
    """Return (weight and gradient force, the gradient's field off the mid-plane) of a particle.

    The field at height z is that of the mid-plane and dB/dz times the distance from it; along the
    film it stays uniform, as a periodic patch must have it.
    """
    weight = buoyant_weight(radius, laws.shell, laws.core_weight, laws.shell_weight)
    pull = gradient_force(applied, moment[0], moment[1], moment[2])
    force = (
        weight * laws.down_x + pull[0],
        weight * laws.down_y + pull[1],
        weight * laws.down_z + pull[2],
    )
    return force, gradient_field(z, thickness, applied)


@register_jitable(forceinline=True)
def gradient_field(z, thickness, applied):
    """Return the field of the gradient at height z, zero in the mid-plane."""
    return gradient_force(applied, 0.0, 0.0, z - 0.5 * thickness)


@njit(cache=True, error_model="numpy", inline="always")
def body_energy(i, slots, patch, laws, applied):
    """Return (weight, gradient) energy of one slot in kT, from the parts across the film alone.

    Forces along a periodic film have no energy function.
    """
    weight = buoyant_weight(slots.radius[i], laws.shell, laws.core_weight, laws.shell_weight)
    field = gradient_field(slots.z[i], patch.thickness, applied)
    m = slots.moment[i]
    turned = slots.ux[i] * field[0] + slots.uy[i] * field[1] + slots.uz[i] * field[2]
    return -weight * laws.down_z * slots.z[i], -m * turned
