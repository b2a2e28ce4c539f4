"""How a particle moves and turns in a step, as formulas: numbers in, numbers out.

Like `sim.kernels.laws.pairs`: text without a branch, for compiled scalars and vectors. Loops over
particles, with their loads and stores, are those of each processor.

Translation: x' = x + dt mu F + sqrt(2 D dt) (R_n + R_{n+1})/2, the averaged-noise scheme of
B. Leimkuhler and C. Matthews, Appl. Math. Res. Express 2013, 34: one force per step, second
order in the averages. Rotation: the moment turns by the finite rotation vector
dt D_rot (m x B) + sqrt(2 D_rot dt) (R_n + R_{n+1})/2, which keeps its length.
"""

import math

from numba.extending import register_jitable

from sim.kernels.laws.pairs import soft_core_push
from sim.kernels.vectors.ops import rsqrt, where


@register_jitable(forceinline=True)
def rotate(ux, uy, uz, wx, wy, wz):
    """Return (u turned by the rotation vector w, of length 1): Rodrigues' formula.

    cos(t), sin(t)/t and (1 - cos t)/t^2 by their series in t^2 to t^18: to 1e-8 up to half a
    turn, and the result is brought back to unit length.
    """
    t = wx * wx + wy * wy + wz * wz
    cosine = -1.0 / 6402373705728000.0 * t + 1.0 / 20922789888000.0
    cosine = cosine * t - 1.0 / 87178291200.0
    cosine = cosine * t + 1.0 / 479001600.0
    cosine = cosine * t - 1.0 / 3628800.0
    cosine = cosine * t + 1.0 / 40320.0
    cosine = cosine * t - 1.0 / 720.0
    cosine = cosine * t + 1.0 / 24.0
    sine = -1.0 / 121645100408832000.0 * t + 1.0 / 355687428096000.0
    sine = sine * t - 1.0 / 1307674368000.0
    sine = sine * t + 1.0 / 6227020800.0
    sine = sine * t - 1.0 / 39916800.0
    sine = sine * t + 1.0 / 362880.0
    sine = sine * t - 1.0 / 5040.0
    sine = sine * t + 1.0 / 120.0
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
    plane = math.pi * (c1 + c2 - cubes)
    across = (2.0 * math.pi) * (cubes - c1 - c2)
    return plane, across


@register_jitable(forceinline=True)
def window_force(z, radius, thickness, strength):
    """Return the force of both windows along z, each a soft core of a mirror particle."""
    below = z + radius
    above = thickness - z + radius
    windows = below * soft_core_push(below * below, 2.0 * radius, strength)
    return windows - above * soft_core_push(above * above, 2.0 * radius, strength)


@register_jitable(forceinline=True)
def kept_share(length2, cap):
    """Return what is kept of a drift of this squared length, no longer than ``cap``."""
    return where(length2 > cap * cap, cap * rsqrt(length2), 1.0)


@register_jitable(forceinline=True)
def brownian_move(u, force, field, noise, pace, kick, turn, twist, cap):
    """Return (displacement, direction after the step, squared drift before the cap).

    Parameters
    ----------
    u, force, field : three numbers each
        Direction of the moment; force on the particle, field at it.
    noise : six numbers
        Averaged normals, three to move along, three to turn about.
    pace, kick : number
        dt D/D0 and sqrt(2 D dt).
    turn, twist : number
        dt D_rot m and sqrt(2 D_rot dt).
    cap : number
        Longest drift.
    """
    fx, fy, fz = force
    bx, by, bz = field
    ux, uy, uz = u
    push_x, push_y, push_z, turn_x, turn_y, turn_z = noise
    move_x = pace * fx
    move_y = pace * fy
    move_z = pace * fz
    length2 = move_x * move_x + move_y * move_y + move_z * move_z
    kept = kept_share(length2, cap)
    wx = turn * (uy * bz - uz * by) + twist * turn_x
    wy = turn * (uz * bx - ux * bz) + twist * turn_y
    wz = turn * (ux * by - uy * bx) + twist * turn_z
    moved = (
        kept * move_x + kick * push_x,
        kept * move_y + kick * push_y,
        kept * move_z + kick * push_z,
    )
    return moved, rotate(ux, uy, uz, wx, wy, wz), length2
