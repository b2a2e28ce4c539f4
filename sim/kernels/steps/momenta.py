"""One step with momenta: inertial dynamics, and mobilities that depend on the place.

The step is kick - half move - friction and noise - half move, the form of the splitting of
B. Leimkuhler and C. Matthews, Appl. Math. Res. Express 2013, 34, that takes one force per step (the
kicks at the end of a step and at the start of the next are one). Moves and kicks last
h sqrt(tanh(x)/x), x = h/(2 tau), instead of h (D. A. Sivak, J. D. Chodera and G. E. Crooks,
J. Phys. Chem. B 118, 6466 (2014)): free diffusion and drift then are exact at every step h, and
where the momentum time tau is far below h the step is that of ``motion`` with averaged noise.

Momenta are in units of their thermal spread, so in equilibrium they are standard normals. With
T = tanh(x), a move is q p with q = sqrt(2 D h T), a kick q F/kT, and friction keeps (1 - T)/(1 + T)
of p. Friction at a fixed place leaves the Boltzmann law as it is, whatever T is: near a window
mu D stands for D by T/mu in place of T, and no drift term has to be added.

Rotation: particles are spheres, which turn freely at a constant rotation vector, so the same
splitting serves (as for general bodies R. L. Davidchack, T. E. Ouldridge and M. V. Tretyakov,
J. Chem. Phys. 142, 144114 (2015)). A moment without inertia has T = 1. No checks by design.
"""

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.laws.hindrance import hindered
from sim.kernels.laws.motion import rotate
from sim.kernels.steps.motion import LANES, forces_and_fields
from sim.kernels.vectors.ops import rsqrt, where
from sim.kernels.vectors.types import load, load_single, store

u64 = np.uint64
f64 = np.float64


@register_jitable(forceinline=True)
def friction(drag, noise):
    """Return (share kept, spread of the noise) of a momentum; see T above."""
    inverse = 1.0 / (1.0 + drag)
    return (1.0 - drag) * inverse, 2.0 * noise * drag * rsqrt(drag) * inverse


@register_jitable(forceinline=True)
def kept_share(force, kick, cap):
    """Return (share of a force that is kept, squared drift q^2 F/2 by all of it)."""
    fx, fy, fz = force
    length2 = 0.25 * kick * kick * kick * kick * (fx * fx + fy * fy + fz * fz)
    return where(length2 > cap * cap, cap * rsqrt(length2), 1.0), length2


@njit(cache=True, error_model="numpy", inline="always")
def move_with_momenta(
    first, count, slots, sums, fresh, applied, magnetisation, patch, laws, drift2, travel2
):
    """Move and turn ``count`` slots (a multiple of 8) from ``first``, and change their momenta.

    Parameters are those of ``motion.move``, ``fresh`` (6, 256) the new normals; the slots'
    ``kick`` and ``twist`` are q, their ``drag`` T. The drift that is capped is q^2 F/2.
    """
    lanes = np.empty(LANES, np.uint32)
    p_x, p_y, p_z = slots.momentum[0], slots.momentum[1], slots.momentum[2]
    l_x, l_y, l_z = slots.momentum[3], slots.momentum[4], slots.momentum[5]
    for k in range(u64(0), u64(count), u64(LANES)):
        i = u64(first) + k
        (fx, fy, fz), (bx, by, bz) = forces_and_fields(
            i, k, lanes, slots, sums, applied, magnetisation, patch, laws
        )
        q = load(slots.kick, i)
        share, length2 = kept_share((fx, fy, fz), q, laws.drift_cap)
        store(drift2, k, length2)
        kept = q * share
        px = load(p_x, i) + kept * fx
        py = load(p_y, i) + kept * fy
        pz = load(p_z, i) + kept * fz
        half = 0.5 * q
        x = load(slots.x, i) + half * px
        y = load(slots.y, i) + half * py
        z = load(slots.z, i) + half * pz
        along = across = load(slots.drag[0], i)
        if laws.hindered:
            by_side, by_height = hindered(z, patch.thickness, load(slots.radius, i))
            along = along / by_side
            across = across / by_height
        keep, spread_of = friction(along, laws.noise)
        px = keep * px + spread_of * load_single(fresh[0], k)
        py = keep * py + spread_of * load_single(fresh[1], k)
        keep, spread_of = friction(across, laws.noise)
        pz = keep * pz + spread_of * load_single(fresh[2], k)
        x, y, z = x + half * px, y + half * py, z + half * pz
        ux, uy, uz = load(slots.ux, i), load(slots.uy, i), load(slots.uz, i)
        g = load(slots.twist, i)
        torque = g * load(slots.moment, i)
        lx = load(l_x, i) + torque * (uy * bz - uz * by)
        ly = load(l_y, i) + torque * (uz * bx - ux * bz)
        lz = load(l_z, i) + torque * (ux * by - uy * bx)
        half = 0.5 * g
        ux, uy, uz = rotate(ux, uy, uz, half * lx, half * ly, half * lz)
        keep, spread_of = friction(load(slots.drag[1], i), laws.noise)
        lx = keep * lx + spread_of * load_single(fresh[3], k)
        ly = keep * ly + spread_of * load_single(fresh[4], k)
        lz = keep * lz + spread_of * load_single(fresh[5], k)
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
