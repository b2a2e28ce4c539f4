"""One Brownian step of a block of slots, all in double precision. No checks by design.

Translation: x' = x + dt mu F + sqrt(2 D dt) (R_n + R_{n+1})/2, the averaged-noise scheme of
B. Leimkuhler and C. Matthews, Appl. Math. Res. Express 2013, 34: one force per step, second
order in the averages. Rotation: the moment turns by the finite rotation vector
dt D_rot (m x B) + sqrt(2 D_rot dt) (R_n + R_{n+1})/2, which keeps its length.
"""

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.laws.pairs import soft_core_push
from sim.kernels.steps.layout import CUTOFF
from sim.kernels.vectors.ops import rsqrt, where
from sim.kernels.vectors.rows import WORDS, load_rows
from sim.kernels.vectors.types import load, load_single, spread, store, store_single

u64 = np.uint64
LANES = 8


@register_jitable(forceinline=True)
def rotate(ux, uy, uz, wx, wy, wz):
    """Return (u turned by the rotation vector w, of length 1): Rodrigues' formula.

    cos(t), sin(t)/t and (1 - cos t)/t^2 by their series in t^2 to t^18: to 1e-8 up to half a
    turn, and the result is brought back to unit length.
    """
    t = wx * wx + wy * wy + wz * wz
    cosine = -1.0 / 6402373705728000.0
    sine = -1.0 / 121645100408832000.0
    for k in (20922789888000.0, -87178291200.0, 479001600.0, -3628800.0, 40320.0, -720.0, 24.0):
        cosine = cosine * t + 1.0 / k
    for k in (355687428096000.0, -1307674368000.0, 6227020800.0, -39916800.0, 362880.0, -5040.0,
              120.0):  # fmt: skip
        sine = sine * t + 1.0 / k
    sine = (sine * t - 1.0 / 6.0) * t + 1.0
    versine = 0.5 - cosine * t  # (1 - cos t)/t^2, from the series without its first two terms
    cosine = 1.0 - t * versine
    along = (ux * wx + uy * wy + uz * wz) * versine
    vx = ux * cosine + (wy * uz - wz * uy) * sine + wx * along
    vy = uy * cosine + (wz * ux - wx * uz) * sine + wy * along
    vz = uz * cosine + (wx * uy - wy * ux) * sine + wz * along
    length = rsqrt(vx * vx + vy * vy + vz * vz)
    return vx * length, vy * length, vz * length


@register_jitable(forceinline=True)
def missing_field(z, thickness, cutoff):
    """Return the factors (in the plane, across) of M for the field beyond a spherical cut-off.

    A uniformly magnetised slab less the sphere of radius ``cutoff`` around a point at height
    z: in the plane pi [(c1 - c1^3/3) + (c2 - c2^3/3)], across
    2 pi [(c1^3 + c2^3)/3 - c1 - c2] with c = min(1, distance to the window/cutoff); deep
    inside 4 pi/3 and -8 pi/3 (surface charges of the sphere and of the windows).
    """
    c1 = z / cutoff
    c2 = (thickness - z) / cutoff
    c1 = where(c1 < 1.0, c1, 1.0)
    c2 = where(c2 < 1.0, c2, 1.0)
    cubes = (c1 * c1 * c1 + c2 * c2 * c2) * (1.0 / 3.0)
    plane = np.pi * (c1 + c2 - cubes)
    across = (2.0 * np.pi) * (cubes - c1 - c2)
    return plane, across


@register_jitable(forceinline=True)
def with_surroundings(i, force, field, slots, applied, magnetisation, patch, laws):
    """Return force and field on eight slots with windows, applied field, field beyond a cut-off."""
    (fx, fy, fz), (bx, by, bz) = force, field
    z, radius = load(slots.z, i), load(slots.radius, i)
    below = z + radius
    above = patch.thickness - z + radius
    windows = below * soft_core_push(below * below, 2.0 * radius, laws.window_strength)
    windows = windows - above * soft_core_push(above * above, 2.0 * radius, laws.window_strength)
    plane = across = spread(0.0)
    if laws.long_range == CUTOFF:
        plane, across = missing_field(z, patch.thickness, laws.cutoff)
    bx = bx + applied[0] + plane * magnetisation[0]
    by = by + applied[1] + plane * magnetisation[1]
    bz = bz + applied[2] + across * magnetisation[2]
    return (fx, fy, fz + windows), (bx, by, bz)


@register_jitable(forceinline=True)
def forces_and_fields(i, k, lanes, slots, sums, applied, magnetisation, patch, laws):
    """Return (force, field) on eight slots from ``i``, row ``k`` of the sums, as they stand.

    The sums, with the part along the moment put back, and what acts on each particle by itself:
    windows, applied field, field beyond a cut-off. Every scheme of motion takes them from here.
    """
    for lane in range(LANES):
        lanes[lane] = np.uint32(WORDS) * (np.uint32(k) + np.uint32(lane))
    fx, fy, fz, s, bx, by, bz, _ = load_rows(sums, lanes, u64(0))
    along = s * load(slots.moment, i)
    fx = fx + along * load(slots.ux, i)
    fy = fy + along * load(slots.uy, i)
    fz = fz + along * load(slots.uz, i)
    return with_surroundings(
        i, (fx, fy, fz), (bx, by, bz), slots, applied, magnetisation, patch, laws
    )


@register_jitable(forceinline=True)
def _average(i, k, last, fresh):
    """Return normals of one axis averaged with the last ones, which they replace."""
    new, old = load_single(fresh, k), load_single(last, i)
    store_single(last, i, new)
    return 0.5 * (old + new)


@register_jitable(forceinline=True)
def average_noise(i, k, slots, fresh):
    """Return the six normals of eight slots, averaged with those of the step before."""
    last = slots.last_noise
    return (
        _average(i, k, last[0], fresh[0]),
        _average(i, k, last[1], fresh[1]),
        _average(i, k, last[2], fresh[2]),
        _average(i, k, last[3], fresh[3]),
        _average(i, k, last[4], fresh[4]),
        _average(i, k, last[5], fresh[5]),
    )


@njit(cache=True, error_model="numpy", inline="always")
def move(first, count, slots, sums, fresh, applied, magnetisation, patch, laws, drift2, travel2):
    """Move and turn ``count`` slots (a multiple of 8) from ``first``.

    Parameters
    ----------
    sums : float64 array, shape (8 count,)
        Force and field sums as ``pair_sums`` leaves them, with all other parts added.
    fresh : float32 array, shape (6, 256)
        Normals of this step; they are averaged with those of the step before, and replace them.
    applied : float64 array, shape (3,)
        Applied field.
    magnetisation : float64 array, shape (3,)
        Moment per volume, for the field beyond the cut-off.
    drift2, travel2 : float64 array, shape (256,)
        Results: squared uncapped drift, squared distance since the list was built.
    """
    lanes = np.empty(LANES, np.uint32)
    for k in range(u64(0), u64(count), u64(LANES)):
        i = u64(first) + k
        force, field = forces_and_fields(
            i, k, lanes, slots, sums, applied, magnetisation, patch, laws
        )
        displace(i, k, force, field, slots, fresh, laws, drift2, travel2)


@register_jitable(forceinline=True)
def displace(i, k, force, field, slots, fresh, laws, drift2, travel2):
    """Move and turn eight slots from ``i``, row ``k`` of the block; arrays as of ``move``."""
    (fx, fy, fz), (bx, by, bz) = force, field
    push_x, push_y, push_z, turn_x, turn_y, turn_z = average_noise(i, k, slots, fresh)
    dt = laws.dt
    cap2 = spread(laws.drift_cap * laws.drift_cap)
    x, y, z = load(slots.x, i), load(slots.y, i), load(slots.z, i)
    ux, uy, uz = load(slots.ux, i), load(slots.uy, i), load(slots.uz, i)
    pace = dt * load(slots.mobility, i)
    move_x = pace * fx
    move_y = pace * fy
    move_z = pace * fz
    length2 = move_x * move_x + move_y * move_y + move_z * move_z
    store(drift2, k, length2)
    kept = where(length2 > cap2, laws.drift_cap * rsqrt(length2), 1.0)
    kick, twist = load(slots.kick, i), load(slots.twist, i)
    x = x + kept * move_x + kick * push_x
    y = y + kept * move_y + kick * push_y
    z = z + kept * move_z + kick * push_z
    turn = dt * load(slots.turning, i) * load(slots.moment, i)
    wx = turn * (uy * bz - uz * by) + twist * turn_x
    wy = turn * (uz * bx - ux * bz) + twist * turn_y
    wz = turn * (ux * by - uy * bx) + twist * turn_z
    ux, uy, uz = rotate(ux, uy, uz, wx, wy, wz)
    store(slots.x, i, x)
    store(slots.y, i, y)
    store(slots.z, i, z)
    store(slots.ux, i, ux)
    store(slots.uy, i, uy)
    store(slots.uz, i, uz)
    away_x = x - load(slots.reference_x, i)
    away_y = y - load(slots.reference_y, i)
    away_z = z - load(slots.reference_z, i)
    store(travel2, k, away_x * away_x + away_y * away_y + away_z * away_z)
