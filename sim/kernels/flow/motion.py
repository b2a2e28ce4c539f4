"""The parts of a step of particles that the flow of others carries: forces, turning, travel.

With q = (2 D h)^(1/2) a step moves by q (M q F/2 + (p + p')/2) + h div M, where p' = M^(1/2) times
normal numbers and p is that of the step before, so that noise is averaged over two steps as in
``steps.motion``; M is the near part of the mobility over the mobilities far from windows, of the
places at the last list (``flow.near``). Turning is that of ``steps.momenta`` without inertia.
No checks by design.
"""

import numpy as np

from sim.kernels.laws.momenta import kept_of_kick
from sim.kernels.laws.motion import rotate
from sim.kernels.steps.motion import LANES, forces_and_fields
from sim.kernels.steps.step import bounds
from sim.kernels.vectors.calls import get_thread_id, kernel
from sim.kernels.vectors.types import load, load_single, spread, store

u64 = np.uint64


@kernel
def turn_part(block, film):
    """Turn a block, and keep its forces, those of too long drifts shortened."""
    first, end = bounds(block, film)
    me, slots, laws = get_thread_id(), film.slots, film.laws
    sums, fresh = film.scratch.sums[me], film.scratch.fresh[me]
    drift2, travel2 = film.scratch.drift2[me], film.scratch.travel2[me]
    lanes = np.empty(LANES, np.uint32)
    for k in range(u64(0), u64(end - first), u64(LANES)):
        i = u64(first) + k
        force, (bx, by, bz) = forces_and_fields(
            i, k, lanes, slots, sums, film.applied, film.magnetisation, film.patch, laws
        )
        kept, length2 = kept_of_kick(force, load(slots.kick, i), laws.drift_cap)
        store(drift2, k, length2)
        store(travel2, k, spread(0.0))  # places change after the step
        for axis in range(3):
            store(film.flow[axis], i, kept * force[axis])
        ux, uy, uz = load(slots.ux, i), load(slots.uy, i), load(slots.uz, i)
        g = load(slots.twist, i)
        torque = g * load(slots.moment, i)
        l_x, l_y, l_z = slots.momentum[3], slots.momentum[4], slots.momentum[5]
        lx = load(l_x, i) + torque * (uy * bz - uz * by)
        ly = load(l_y, i) + torque * (uz * bx - ux * bz)
        lz = load(l_z, i) + torque * (ux * by - uy * bx)
        half = 0.5 * g
        ux, uy, uz = rotate(ux, uy, uz, half * lx, half * ly, half * lz)
        lx, ly, lz = load_single(fresh[3], k), load_single(fresh[4], k), load_single(fresh[5], k)
        lx, ly, lz = laws.noise * lx, laws.noise * ly, laws.noise * lz
        ux, uy, uz = rotate(ux, uy, uz, half * lx, half * ly, half * lz)
        for target, value in (
            (slots.ux, ux), (slots.uy, uy), (slots.uz, uz), (l_x, lx), (l_y, ly), (l_z, lz),
        ):  # fmt: skip
            store(target, i, value)


@kernel
def travel_part(block, film):
    """Find how far a block's slots are from where they were listed."""
    first, end = bounds(block, film)
    slots = film.slots
    farthest = 0.0
    for i in range(first, end):
        x = slots.x[i] - slots.reference_x[i]
        y = slots.y[i] - slots.reference_y[i]
        z = slots.z[i] - slots.reference_z[i]
        farthest = max(farthest, x * x + y * y + z * z)
    film.totals.farthest[block] = farthest


@kernel
def force_part(block, film):
    """Keep the forces on a block, as they stand, with the slots."""
    first, end = bounds(block, film)
    lanes = np.empty(LANES, np.uint32)
    sums = film.scratch.sums[get_thread_id()]
    for k in range(u64(0), u64(end - first), u64(LANES)):
        i = u64(first) + k
        (fx, fy, fz), _ = forces_and_fields(
            i, k, lanes, film.slots, sums, film.applied, film.magnetisation, film.patch, film.laws
        )
        store(film.flow[0], i, fx)
        store(film.flow[1], i, fy)
        store(film.flow[2], i, fz)
