"""A step of particles that the flow of others carries: kick, half a move, friction, half a move.

It is the step of ``steps.momenta`` with T = 1/M, M the near part of the mobility over the
mobilities far from windows: friction keeps K = (1 - T)/(1 + T) = (M - 1)/(M + 1) of the momenta and
adds noise of spread (1 - K^2)^(1/2), all symmetric functions of one matrix. At fixed places this
leaves standard normal momenta as they are, whatever M is; kicks and moves leave the Boltzmann law
of places as they do there. So no drift kT div M has to be added, and in free diffusion, where a
move is q (p + p')/2 with q = (2 D h)^(1/2), the spread of all moves is 2 h D^(1/2) M D^(1/2).
Turning is that of ``steps.momenta`` without inertia. No checks by design.
"""

import numpy as np

from sim.kernels.laws.motion import rotate
from sim.kernels.steps.motion import LANES, forces_and_fields
from sim.kernels.steps.step import bounds
from sim.kernels.vectors.calls import get_thread_id, kernel
from sim.kernels.vectors.ops import rsqrt, where
from sim.kernels.vectors.types import load, load_single, spread, store

u64 = np.uint64


@kernel
def kick_part(block, film):
    """Kick a block, move it by half a step, and turn it."""
    first, end = bounds(block, film)
    me, slots, laws = get_thread_id(), film.slots, film.laws
    sums, fresh = film.scratch.sums[me], film.scratch.fresh[me]
    drift2, travel2 = film.scratch.drift2[me], film.scratch.travel2[me]
    cap2 = spread(laws.drift_cap * laws.drift_cap)
    lanes = np.empty(LANES, np.uint32)
    p_x, p_y, p_z = slots.momentum[0], slots.momentum[1], slots.momentum[2]
    for k in range(u64(0), u64(end - first), u64(LANES)):
        i = u64(first) + k
        (fx, fy, fz), (bx, by, bz) = forces_and_fields(
            i, k, lanes, slots, sums, film.applied, film.magnetisation, film.patch, laws
        )
        q = load(slots.kick, i)
        length2 = 0.25 * q * q * q * q * (fx * fx + fy * fy + fz * fz)
        store(drift2, k, length2)
        kept = q * where(length2 > cap2, laws.drift_cap * rsqrt(length2), 1.0)
        px = load(p_x, i) + kept * fx
        py = load(p_y, i) + kept * fy
        pz = load(p_z, i) + kept * fz
        half = 0.5 * q
        x, y = load(slots.x, i) + half * px, load(slots.y, i) + half * py
        z = load(slots.z, i) + half * pz
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
            (slots.x, x), (slots.y, y), (slots.z, z), (slots.ux, ux), (slots.uy, uy),
            (slots.uz, uz), (p_x, px), (p_y, py), (p_z, pz), (l_x, lx), (l_y, ly), (l_z, lz),
        ):  # fmt: skip
            store(target, i, value)
        x = x - load(slots.reference_x, i)
        y = y - load(slots.reference_y, i)
        z = z - load(slots.reference_z, i)
        store(travel2, k, x * x + y * y + z * z)


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
def second_half_part(block, film):
    """Move a block by the second half of a step, with the momenta after friction."""
    first, end = bounds(block, film)
    slots = film.slots
    for i in range(first, end):
        half = 0.5 * slots.kick[i]
        slots.x[i] += half * slots.momentum[0, i]
        slots.y[i] += half * slots.momentum[1, i]
        slots.z[i] += half * slots.momentum[2, i]


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
