"""Pair laws as plain formulas in reduced units: lengths in d0, energies in kT.

Each function is ordinary text over ``where`` and ``rsqrt`` without a branch on the
distance, so that the same lines serve numpy arrays, compiled scalars and vectors.
A *push* is -(1/r) dU/dr, the factor that multiplies the vector r_i - r_j in the
force on i.
"""

import math

from numba.extending import register_jitable

from sim.kernels.words import rsqrt, where

SOFT_CORE = 0
SURFACTANT = 1

# The repulsive branch of the 12-6 potential ends at its minimum, r = 2^(1/6) s.
SOFT_CORE_REACH2 = 2.0 ** (1.0 / 3.0)
# Beyond this relative compression the layers' logarithm is continued as a constant: cores
# would have to interpenetrate deeply, and the guards of the step stop the run long before.
DEEPEST_COMPRESSION = 0.5


@register_jitable
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


@register_jitable
def soft_core_push(r2, diameter, strength):
    """Return the push of the soft core, U = 4 e [(s/r)^12 - (s/r)^6] + e below 2^(1/6) s.

    The repulsive part of the 12-6 potential, cut and shifted at its minimum (Weeks,
    Chandler and Andersen, J. Chem. Phys. 54, 5237 (1971)). ``strength`` is e in kT.
    """
    y = rsqrt(r2)
    inverse2 = y * y
    x2 = diameter * diameter * inverse2
    x6 = x2 * x2 * x2
    push = 24.0 * strength * (2.0 * x6 - 1.0) * x6 * inverse2
    return where(r2 < SOFT_CORE_REACH2 * diameter * diameter, push, 0.0)


@register_jitable
def soft_core_energy(r2, diameter, strength):
    """Return the energy of the soft core in kT; see ``soft_core_push``."""
    x2 = diameter * diameter / r2
    x6 = x2 * x2 * x2
    energy = 4.0 * strength * (x6 - 1.0) * x6 + strength
    return where(r2 < SOFT_CORE_REACH2 * diameter * diameter, energy, 0.0)


@register_jitable
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


@register_jitable
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


@register_jitable
def brush_log(distance, contact):
    """Return ln(contact/distance) = 2 atanh((contact - distance)/(contact + distance))."""
    z = (contact - distance) / (contact + distance)
    return twice_atanh(where(z < DEEPEST_COMPRESSION, z, DEEPEST_COMPRESSION))


@register_jitable
def brush_push(r2, radius_i, radius_j, shell, grafting):
    """Return the push of two surfactant layers, F/kT = pi dc^2 zeta/(2 delta) ln(dt/r).

    R. E. Rosensweig, Ferrohydrodynamics (1985), section 2.5, in its centre-distance form:
    core diameter dc, contact dt = dc + 2 delta, zeta molecules an area (``grafting``).
    """
    y = rsqrt(r2)
    distance, contact, core = brush_contact(r2 * y, radius_i, radius_j, shell)
    stiffness = (0.5 * math.pi) * grafting / shell * core * core
    force = stiffness * brush_log(distance, contact)
    return where(distance < contact, force * y, 0.0)


@register_jitable
def brush_energy(r2, radius_i, radius_j, shell, grafting):
    """Return the energy of two surfactant layers in kT; see ``brush_push``."""
    distance, contact, core = brush_contact(r2 * rsqrt(r2), radius_i, radius_j, shell)
    stiffness = (0.5 * math.pi) * grafting / shell * core * core
    energy = stiffness * (contact - distance * (1.0 + brush_log(distance, contact)))
    return where(distance < contact, energy, 0.0)
