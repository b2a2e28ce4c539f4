"""One step with momenta: inertial dynamics, and mobilities that depend on the place.

The formulas, and where they come from, are those of ``sim.kernels.laws.momenta``; here are the
loads and stores around them. No checks by design.
"""

import numpy as np
from numba import njit

from sim.kernels.laws.hindrance import hindered
from sim.kernels.laws.momenta import kicked, rubbed, turned
from sim.kernels.steps.motion import LANES, forces_and_fields
from sim.kernels.vectors.types import load, load_single, store

u64 = np.uint64


@njit(cache=True, error_model="numpy", inline="always")
def move_with_momenta(
    first, count, slots, sums, fresh, applied, magnetisation, patch, laws, drift2, travel2
):
    """Move and turn ``count`` slots (a multiple of 8) from ``first``, and change their momenta.

    Parameters are those of ``motion.move``, ``fresh`` (6, 256) the new normals; the slots'
    ``kick`` and ``twist`` are q, their ``drag`` T.
    """
    lanes = np.empty(LANES, np.uint32)
    p_x, p_y, p_z = slots.momentum[0], slots.momentum[1], slots.momentum[2]
    l_x, l_y, l_z = slots.momentum[3], slots.momentum[4], slots.momentum[5]
    for k in range(u64(0), u64(count), u64(LANES)):
        i = u64(first) + k
        force, field = forces_and_fields(
            i, k, lanes, slots, sums, applied, magnetisation, patch, laws
        )
        way = load(slots.kick, i)
        momentum = load(p_x, i), load(p_y, i), load(p_z, i)
        (px, py, pz), length2 = kicked(momentum, force, way, laws.drift_cap)
        store(drift2, k, length2)
        half = 0.5 * way
        x = load(slots.x, i) + half * px
        y = load(slots.y, i) + half * py
        z = load(slots.z, i) + half * pz
        along = across = load(slots.drag[0], i)
        if laws.hindered:
            by_side, by_height = hindered(z, patch.thickness, load(slots.radius, i))
            along = along / by_side
            across = across / by_height
        normals = load_single(fresh[0], k), load_single(fresh[1], k), load_single(fresh[2], k)
        px, py, pz = rubbed((px, py, pz), along, across, laws.noise, normals)
        x, y, z = x + half * px, y + half * py, z + half * pz
        (ux, uy, uz), (lx, ly, lz) = turned(
            (load(slots.ux, i), load(slots.uy, i), load(slots.uz, i)),
            (load(l_x, i), load(l_y, i), load(l_z, i)),
            field, load(slots.moment, i), load(slots.twist, i), load(slots.drag[1], i), laws.noise,
            (load_single(fresh[3], k), load_single(fresh[4], k), load_single(fresh[5], k)),
        )  # fmt: skip
        for target, value in (
            (slots.x, x), (slots.y, y), (slots.z, z), (slots.ux, ux), (slots.uy, uy),
            (slots.uz, uz), (p_x, px), (p_y, py), (p_z, pz), (l_x, lx), (l_y, ly), (l_z, lz),
        ):  # fmt: skip
            store(target, i, value)
        x = x - load(slots.reference_x, i)
        y = y - load(slots.reference_y, i)
        z = z - load(slots.reference_z, i)
        store(travel2, k, x * x + y * y + z * z)
