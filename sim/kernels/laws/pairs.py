"""Pair laws as plain formulas in reduced units: lengths in d0, energies in kT.

Each function is ordinary text over ``where`` and ``rsqrt`` without a branch on the
distance, so that the same lines serve numpy arrays, compiled scalars and vectors.
A *push* is -(1/r) dU/dr, the factor that multiplies the vector r_i - r_j in the
force on i. An added law has a push and an energy of (r^2, radii, shell) and of
constants of its own, and stands in `ADDED`.
"""

import math

from numba.extending import register_jitable

from sim.kernels.vectors.ops import fma, log, rsqrt, where

SOFT_CORE = 0
SURFACTANT = 1

# The repulsive branch of the 12-6 potential ends at its minimum, r = 2^(1/6) s.
SOFT_CORE_REACH2 = 2.0 ** (1.0 / 3.0)
# Beyond this relative compression the layers' logarithm is continued as a constant: cores
# would have to interpenetrate deeply, and the guards of the step stop the run long before.
DEEPEST_COMPRESSION = 0.5
# exp(-x) is taken as zero beyond this, where it is 1e-7.
FARTHEST_DECAY = 16.0


@register_jitable(forceinline=True)
def dipole_radial(r2, cutoff2):
    """Return the radial factors (1/r^3, 3/r^5, 15/r^7) of two point dipoles within a cut-off.

    Energy ``B (m_i.m_j) - C (m_i.d)(m_j.d)``, field on i ``C (m_j.d) d - B m_j``, force on
    i ``[C (m_i.m_j) - D (m_i.d)(m_j.d)] d + C [(m_j.d) m_i + (m_i.d) m_j]`` with
    d = r_i - r_j (J. D. Jackson, Classical Electrodynamics, section 4.1; D = 5 C/r^2).
    """
    y = rsqrt(r2)
    inverse2 = y * y
    b = where(r2 < cutoff2, y * inverse2, 0.0)
    c = 3.0 * b * inverse2
    d = 5.0 * c * inverse2
    return b, c, d


@register_jitable(forceinline=True)
def soft_core_push(r2, diameter, strength):
    """Return the push of the soft core, U = 4 e [(s/r)^12 - (s/r)^6] + e below 2^(1/6) s.

    The repulsive part of the 12-6 potential, cut and shifted at its minimum (Weeks,
    Chandler and Andersen, J. Chem. Phys. 54, 5237 (1971)). ``strength`` is e in kT.
    """
    y = rsqrt(r2)
    inverse2 = y * y
    s2 = diameter * diameter
    x6 = s2 * s2 * s2 * (inverse2 * inverse2 * inverse2)
    push = x6 * inverse2 * (48.0 * strength * x6 - 24.0 * strength)
    return where(r2 < SOFT_CORE_REACH2 * diameter * diameter, push, 0.0)


@register_jitable(forceinline=True)
def soft_core_energy(r2, diameter, strength):
    """Return the energy of the soft core in kT; see ``soft_core_push``."""
    x2 = diameter * diameter / r2
    x6 = x2 * x2 * x2
    energy = 4.0 * strength * (x6 - 1.0) * x6 + strength
    return where(r2 < SOFT_CORE_REACH2 * diameter * diameter, energy, 0.0)


@register_jitable(forceinline=True)
def twice_atanh(z):
    """Return 2 atanh(z) by its series to z^23: exact to 1e-12 for |z| < 1/3, 1e-8 at 1/2."""
    z2 = z * z
    series = 1.0 / 23.0
    series = series * z2 + 1.0 / 21.0
    series = series * z2 + 1.0 / 19.0
    series = series * z2 + 1.0 / 17.0
    series = series * z2 + 1.0 / 15.0
    series = series * z2 + 1.0 / 13.0
    series = series * z2 + 1.0 / 11.0
    series = series * z2 + 1.0 / 9.0
    series = series * z2 + 1.0 / 7.0
    series = series * z2 + 1.0 / 5.0
    series = series * z2 + 1.0 / 3.0
    return 2.0 * z * (series * z2 + 1.0)


@register_jitable(forceinline=True)
def brush_contact(r, radius_i, radius_j, shell):
    """Return (effective distance, contact distance, effective core) of two coated spheres.

    Unequal spheres by Derjaguin's rule: the core of the equivalent equal pair is the
    harmonic mean 2 a b/(a + b) of the two core diameters at the same gap between cores.
    """
    core_i = 2.0 * (radius_i - shell)
    core_j = 2.0 * (radius_j - shell)
    core = 2.0 * core_i * core_j / (core_i + core_j)
    distance = r - 0.5 * (core_i + core_j) + core
    return distance, core + 2.0 * shell, core


@register_jitable(forceinline=True)
def brush_log(distance, contact):
    """Return ln(contact/distance) = 2 atanh((contact - distance)/(contact + distance))."""
    z = (contact - distance) / (contact + distance)
    return twice_atanh(where(z < DEEPEST_COMPRESSION, z, DEEPEST_COMPRESSION))


@register_jitable(forceinline=True)
def brush_push(r2, radius_i, radius_j, shell, grafting, core_stiffness=0.0):
    """Return the push of two surfactant layers, F/kT = pi dc^2 zeta/(2 delta) ln(dt/r).

    R. E. Rosensweig, Ferrohydrodynamics (1985), section 2.5, in its centre-distance form:
    core diameter dc, contact dt = dc + 2 delta, zeta molecules per area (``grafting``). Cores that
    touch push as a spring of ``core_stiffness`` besides.
    """
    y = rsqrt(r2)
    distance, contact, core = brush_contact(r2 * y, radius_i, radius_j, shell)
    stiffness = (0.5 * math.pi) * grafting / shell * core * core
    force = stiffness * brush_log(distance, contact)
    force = force + where(distance < core, core_stiffness * (core - distance), 0.0)
    return where(distance < contact, force * y, 0.0)


@register_jitable(forceinline=True)
def add_pair(sums, gap, mine, theirs, factors, push):
    """Return the sums of force and field on one of two particles, with what this pair adds.

    Parameters
    ----------
    sums : seven numbers
        F_x, F_y, F_z, S, E_x, E_y, E_z so far: the force on i is F + S m_i, the field at it E.
    gap : three numbers
        r_i - r_j.
    mine, theirs : three numbers each
        The moments m_i and m_j.
    factors : three numbers
        (B, C, D) as of ``dipole_radial``.
    push
        Of the repulsion, along the gap.
    """
    fx, fy, fz, s, ex, ey, ez = sums
    dx, dy, dz = gap
    ux, uy, uz = mine
    vx, vy, vz = theirs
    b, c, d = factors
    along_mine = ux * dx + uy * dy + uz * dz
    along_theirs = vx * dx + vy * dy + vz * dz
    c_theirs, c_mine = c * along_theirs, c * along_mine
    along = push + c * (ux * vx + uy * vy + uz * vz) - d * along_mine * along_theirs
    return (
        fma(along, dx, fma(c_mine, vx, fx)),
        fma(along, dy, fma(c_mine, vy, fy)),
        fma(along, dz, fma(c_mine, vz, fz)),
        s + c_theirs,
        fma(c_theirs, dx, fma(-b, vx, ex)),
        fma(c_theirs, dy, fma(-b, vy, ey)),
        fma(c_theirs, dz, fma(-b, vz, ez)),
    )


@register_jitable(forceinline=True)
def brush_energy(r2, radius_i, radius_j, shell, grafting, core_stiffness=0.0):
    """Return the energy of two surfactant layers in kT; see ``brush_push``."""
    distance, contact, core = brush_contact(r2 * rsqrt(r2), radius_i, radius_j, shell)
    stiffness = (0.5 * math.pi) * grafting / shell * core * core
    energy = stiffness * (contact - distance * (1.0 + brush_log(distance, contact)))
    pressed = where(distance < core, core - distance, 0.0)
    energy = energy + 0.5 * core_stiffness * pressed * pressed
    return where(distance < contact, energy, 0.0)


@register_jitable(forceinline=True)
def van_der_waals_terms(r, radius_i, radius_j, shell):
    """Return (R_i R_j, r^2 - (R_i + R_j)^2, r^2 - (R_i - R_j)^2) of the cores of two particles."""
    core_i, core_j = radius_i - shell, radius_j - shell
    together, apart = core_i + core_j, core_i - core_j
    return core_i * core_j, (r - together) * (r + together), (r - apart) * (r + apart)


@register_jitable(forceinline=True)
def van_der_waals_push(r2, radius_i, radius_j, shell, hamaker, smallest_gap):
    """Return the push of the van der Waals attraction of two cores, A in kT.

    H. C. Hamaker, Physica 4, 1058 (1937): with p = r^2 - (R1 + R2)^2, q = r^2 - (R1 - R2)^2,
    U = -(A/6) [2 R1 R2/p + 2 R1 R2/q + ln(p/q)], so that dU/dr = (32 A/3) r (R1 R2)^3/(p q)^2.
    Cores nearer than ``smallest_gap``, where the law diverges, are in touch: the energy stays.
    """
    y = rsqrt(r2)
    r = r2 * y
    nearest = radius_i + radius_j - 2.0 * shell + smallest_gap
    held = where(r > nearest, r, nearest)
    product, p, q = van_der_waals_terms(held, radius_i, radius_j, shell)
    ratio = 4.0 * product / (p * q)
    push = (-2.0 / 3.0) * hamaker * product * ratio * ratio
    return where(r > nearest, push, 0.0)


@register_jitable(forceinline=True)
def van_der_waals_energy(r2, radius_i, radius_j, shell, hamaker, smallest_gap):
    """Return the energy of the van der Waals attraction in kT; see ``van_der_waals_push``."""
    r = r2 * rsqrt(r2)
    nearest = radius_i + radius_j - 2.0 * shell + smallest_gap
    held = where(r > nearest, r, nearest)
    product, p, q = van_der_waals_terms(held, radius_i, radius_j, shell)
    return (-1.0 / 6.0) * hamaker * (2.0 * product / p + 2.0 * product / q + log(p / q))


@register_jitable(forceinline=True)
def decay(x):
    """Return exp(-x) for |x| up to 16, and zero beyond: a series to order 17 in x/16, four squares.

    Exact to 1e-14 in double precision, to 4e-6 in single.
    """
    t = where(x < FARTHEST_DECAY, x, FARTHEST_DECAY)
    t = (-1.0 / 16.0) * where(t > -FARTHEST_DECAY, t, -FARTHEST_DECAY)
    series = 1.0 + t * (1.0 / 17.0)
    series = 1.0 + t * series * (1.0 / 16.0)
    series = 1.0 + t * series * (1.0 / 15.0)
    series = 1.0 + t * series * (1.0 / 14.0)
    series = 1.0 + t * series * (1.0 / 13.0)
    series = 1.0 + t * series * (1.0 / 12.0)
    series = 1.0 + t * series * (1.0 / 11.0)
    series = 1.0 + t * series * (1.0 / 10.0)
    series = 1.0 + t * series * (1.0 / 9.0)
    series = 1.0 + t * series * (1.0 / 8.0)
    series = 1.0 + t * series * (1.0 / 7.0)
    series = 1.0 + t * series * (1.0 / 6.0)
    series = 1.0 + t * series * (1.0 / 5.0)
    series = 1.0 + t * series * (1.0 / 4.0)
    series = 1.0 + t * series * (1.0 / 3.0)
    series = 1.0 + t * series * (1.0 / 2.0)
    series = 1.0 + t * series * (1.0 / 1.0)
    series = series * series
    series = series * series
    series = series * series
    return where(x < FARTHEST_DECAY, series * series, 0.0)


@register_jitable(forceinline=True)
def electrostatic_energy(r2, radius_i, radius_j, shell, charging, screening):
    """Return the energy of two charged particles in kT, their layers screened.

    The linear theory of two double layers (E. J. W. Verwey and J. T. G. Overbeek, Theory of the
    Stability of Lyophobic Colloids (1948)) in Yukawa form:
    U/kT = l_B Z1 Z2 [e^(k a1)/(1 + k a1)] [e^(k a2)/(1 + k a2)] e^(-k r)/r with the inverse Debye
    length k (``screening``) and Z = 4 pi a^2 times the charges per area on the whole particle;
    ``charging`` is 4 pi sqrt(l_B) times these.
    """
    y = rsqrt(r2)
    strength_i = charging * radius_i * radius_i / (1.0 + screening * radius_i)
    strength_j = charging * radius_j * radius_j / (1.0 + screening * radius_j)
    return strength_i * strength_j * y * decay(screening * (r2 * y - radius_i - radius_j))


@register_jitable(forceinline=True)
def electrostatic_push(r2, radius_i, radius_j, shell, charging, screening):
    """Return the push of two charged particles, U (k + 1/r)/r; see ``electrostatic_energy``."""
    y = rsqrt(r2)
    energy = electrostatic_energy(r2, radius_i, radius_j, shell, charging, screening)
    return energy * (screening + y) * y


# The laws that a run may add to dipoles and repulsion, by name: push and energy.
ADDED = {
    "van_der_waals": (van_der_waals_push, van_der_waals_energy),
    "electrostatic": (electrostatic_push, electrostatic_energy),
}


@register_jitable(forceinline=True)
def buoyant_weight(radius, shell, core_weight, shell_weight):
    """Return the weight less buoyancy of a coated sphere, from its two weights a volume.

    ``core_weight`` and ``shell_weight`` are (4 pi/3)(density - density of the liquid) times the
    acceleration (Archimedes).
    """
    core = radius - shell
    core3 = core * core * core
    return core_weight * core3 + shell_weight * (radius * radius * radius - core3)


@register_jitable(forceinline=True)
def gradient_force(applied, mx, my, mz):
    """Return (m . grad) B of a moment, for the gradient (xx, yy, zz, xy, xz, yz) after the field.

    A field without sources in the film has a symmetric tensor (no curl), so that the same product
    is the force grad(m . B).
    """
    xx, yy, zz, xy, xz, yz = applied[3], applied[4], applied[5], applied[6], applied[7], applied[8]
    return (
        xx * mx + xy * my + xz * mz,
        xy * mx + yy * my + yz * mz,
        xz * mx + yz * my + zz * mz,
    )
