"""How a particle with momenta moves and turns in a step, as formulas: numbers in, numbers out.

Like `sim.kernels.laws.motion`. The step is kick - half move - friction and noise - half move, the
form of the splitting of B. Leimkuhler and C. Matthews, Appl. Math. Res. Express 2013, 34, that
takes one force per step (the kicks at the end of a step and at the start of the next are one).
Moves and kicks last h sqrt(tanh(x)/x), x = h/(2 tau), instead of h (D. A. Sivak, J. D. Chodera and
G. E. Crooks, J. Phys. Chem. B 118, 6466 (2014)): free diffusion and drift then are exact at every
step h, and where the momentum time tau is far below h the step is that of
`sim.kernels.laws.motion` with averaged noise.

Momenta are in units of their thermal spread, so in equilibrium they are standard normals. With
T = tanh(x), a move is q p with q = sqrt(2 D h T), a kick q F/kT, and friction keeps (1 - T)/(1 + T)
of p. Friction at a fixed place leaves the Boltzmann law as it is, whatever T is: near a window
mu D stands for D by T/mu in place of T, and no drift term has to be added.

Rotation: particles are spheres, which turn freely at a constant rotation vector, so the same
splitting serves (as for general bodies R. L. Davidchack, T. E. Ouldridge and M. V. Tretyakov,
J. Chem. Phys. 142, 144114 (2015)). A moment without inertia has T = 1. No checks by design.
"""

from numba.extending import register_jitable

from sim.kernels.laws.motion import kept_share, rotate
from sim.kernels.vectors.ops import rsqrt


@register_jitable(forceinline=True)
def friction(drag, noise):
    """Return (share kept, spread of the noise) of a momentum; see T above."""
    inverse = 1.0 / (1.0 + drag)
    return (1.0 - drag) * inverse, 2.0 * noise * drag * rsqrt(drag) * inverse


@register_jitable(forceinline=True)
def kept_of_kick(force, way, cap):
    """Return (share of a force that is kept, squared drift q^2 F/2 by all of it), q is ``way``."""
    fx, fy, fz = force
    length2 = 0.25 * way * way * way * way * (fx * fx + fy * fy + fz * fz)
    return kept_share(length2, cap), length2


@register_jitable(forceinline=True)
def kicked(momentum, force, way, cap):
    """Return (momentum after the kick, squared drift before the cap)."""
    px, py, pz = momentum
    fx, fy, fz = force
    share, length2 = kept_of_kick(force, way, cap)
    kept = way * share
    return (px + kept * fx, py + kept * fy, pz + kept * fz), length2


@register_jitable(forceinline=True)
def rubbed(momentum, along, across, noise, normals):
    """Return a momentum after friction and noise, by T along the windows and across them.

    ``noise`` is a factor on the three ``normals``.
    """
    px, py, pz = momentum
    keep, spread_of = friction(along, noise)
    px = keep * px + spread_of * normals[0]
    py = keep * py + spread_of * normals[1]
    keep, spread_of = friction(across, noise)
    return px, py, keep * pz + spread_of * normals[2]


@register_jitable(forceinline=True)
def turned(u, momentum, field, moment, way, drag, noise, normals):
    """Return direction and rotational momentum after a step in a field at the particle."""
    ux, uy, uz = u
    lx, ly, lz = momentum
    bx, by, bz = field
    torque = way * moment
    lx = lx + torque * (uy * bz - uz * by)
    ly = ly + torque * (uz * bx - ux * bz)
    lz = lz + torque * (ux * by - uy * bx)
    half = 0.5 * way
    ux, uy, uz = rotate(ux, uy, uz, half * lx, half * ly, half * lz)
    keep, spread_of = friction(drag, noise)
    lx = keep * lx + spread_of * normals[0]
    ly = keep * ly + spread_of * normals[1]
    lz = keep * lz + spread_of * normals[2]
    return rotate(ux, uy, uz, half * lx, half * ly, half * lz), (lx, ly, lz)
