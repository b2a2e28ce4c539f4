"""The physics of a film in slow loops: one pair after the other, one formula a function.

Nothing here is shared with ``sim``. Reduced units: lengths in d0, energies in kT; two moments at
distance r have the energy [m1.m2 - 3 (m1.n)(m2.n)]/r^3.
"""

import math

import numpy as np

WORD = 2**32


def nearest_image(separation, sides):
    """Return the separation to the nearest image; periodic in x and y, open in z."""
    result = np.array(separation, float)
    for axis in range(2):
        while result[axis] > 0.5 * sides[axis]:
            result[axis] -= sides[axis]
        while result[axis] < -0.5 * sides[axis]:
            result[axis] += sides[axis]
    return result


def dipole_pair(r, mine, theirs, cutoff):
    """Return (energy, field at i, force on i) of two dipoles, r = r_i - r_j.

    J. D. Jackson, Classical Electrodynamics, section 5.6 for the field; the force is its gradient.
    """
    distance = math.sqrt(float(np.dot(r, r)))
    if distance >= cutoff:
        return 0.0, np.zeros(3), np.zeros(3)
    n = np.asarray(r) / distance
    a, b, dot = float(np.dot(mine, n)), float(np.dot(theirs, n)), float(np.dot(mine, theirs))
    energy = (dot - 3.0 * a * b) / distance**3
    field = (3.0 * b * n - theirs) / distance**3
    force = 3.0 * (b * mine + a * theirs + dot * n - 5.0 * a * b * n) / distance**4
    return energy, field, force


def soft_core_pair(r, diameter, strength):
    """Return (energy, force on i) of the cut and shifted 12-6 repulsion."""
    distance = math.sqrt(float(np.dot(r, r)))
    if distance >= 2.0 ** (1.0 / 6.0) * diameter:
        return 0.0, np.zeros(3)
    x = diameter / distance
    energy = 4.0 * strength * (x**12 - x**6) + strength
    force = 4.0 * strength * (12.0 * x**12 - 6.0 * x**6) / distance
    return energy, force * np.asarray(r) / distance


def brush_pair(r, diameter_i, diameter_j, shell, grafting):
    """Return (energy, force on i) of two surfactant layers (Rosensweig, Ferrohydrodynamics, 1985).

    U/kT = pi/2 dc^2 zeta [2 - (l + 2)/t ln((1 + t)/(1 + l/2)) - l/t] with l = 2 s/dc,
    t = 2 delta/dc and s the gap of the cores; unequal pairs by the harmonic mean of the core
    diameters.
    """
    distance = math.sqrt(float(np.dot(r, r)))
    first, second = diameter_i - 2.0 * shell, diameter_j - 2.0 * shell
    core = 2.0 * first * second / (first + second)
    gap = distance - 0.5 * (first + second)
    if gap >= 2.0 * shell:
        return 0.0, np.zeros(3)
    length, layer = 2.0 * gap / core, 2.0 * shell / core
    logarithm = math.log((1.0 + layer) / (1.0 + 0.5 * length))
    energy = 2.0 - (length + 2.0) / layer * logarithm - length / layer
    energy *= 0.5 * math.pi * core**2 * grafting
    force = 0.5 * math.pi * core**2 * grafting / shell * logarithm
    return energy, force * np.asarray(r) / distance


def hamaker_pair(r, core_i, core_j, hamaker, smallest_gap):
    """Return (energy, force on i) of two spheres by Hamaker (Physica 4, 1058 (1937)), A in kT.

    Radii of the cores; nearer than the smallest gap the energy stays. The force from dU/dr term by
    term, not in the closed form.
    """
    distance = math.sqrt(float(np.dot(r, r)))
    held = max(distance, core_i + core_j + smallest_gap)
    p, q = held**2 - (core_i + core_j) ** 2, held**2 - (core_i - core_j) ** 2
    energy = 2 * core_i * core_j / p + 2 * core_i * core_j / q + math.log(p / q)
    slope = -4 * core_i * core_j * held * (1 / p**2 + 1 / q**2) + 2 * held * (1 / p - 1 / q)
    energy, slope = -hamaker / 6.0 * energy, -hamaker / 6.0 * slope
    if held > distance:
        slope = 0.0
    return energy, -slope * np.asarray(r) / distance


def yukawa_pair(r, radius_i, radius_j, charging, screening):
    """Return (energy, force on i) of two charged spheres, with sqrt(l_B) Z = charging a^2."""
    distance = math.sqrt(float(np.dot(r, r)))
    energy = math.exp(-screening * distance) / distance
    for radius in (radius_i, radius_j):
        energy *= charging * radius**2 * math.exp(screening * radius) / (1.0 + screening * radius)
    return energy, energy * (screening + 1.0 / distance) * np.asarray(r) / distance


def window_pair(z, diameter, thickness, strength):
    """Return (energy, force along z) of a particle between its two windows."""
    radius = 0.5 * diameter
    low, push = soft_core_pair(np.array([0.0, 0.0, z + radius]), diameter, strength)
    high, pull = soft_core_pair(np.array([0.0, 0.0, z - thickness - radius]), diameter, strength)
    return low + high, push[2] + pull[2]


def steric_pair(system, r, i, j):
    """Return (energy, force on i) of the repulsion that the system names."""
    if not system.repulsion.is_soft:
        diameters = 2.0 * system.radius[i], 2.0 * system.radius[j]
        return brush_pair(r, *diameters, system.repulsion.shell, system.repulsion.grafting)
    return soft_core_pair(r, system.radius[i] + system.radius[j], system.repulsion.strength)


def film_sums(system, positions, moments):
    """Return a dict of all pair sums: energies (dipolar, steric, windows), force, field.

    ``force`` and ``field`` come from pairs within the cut-off; ``window_force`` is along z.
    """
    count = len(positions)
    total = {"dipolar": 0.0, "steric": 0.0, "windows": 0.0}
    force, field, window_force = np.zeros((count, 3)), np.zeros((count, 3)), np.zeros(count)
    for i in range(count):
        for j in range(count):
            if i == j:
                continue
            r = nearest_image(positions[i] - positions[j], system.sides)
            dipolar, at_i, pull = dipole_pair(r, moments[i], moments[j], system.cutoff)
            steric, push = steric_pair(system, r, i, j)
            total["dipolar"] += 0.5 * dipolar
            total["steric"] += 0.5 * steric
            force[i] += pull + push
            field[i] += at_i
        energy, window_force[i] = window_pair(
            positions[i][2], 2.0 * system.radius[i], system.thickness, system.window_strength
        )
        total["windows"] += energy
    return {**total, "force": force, "field": field, "window_force": window_force}


def slab_less_sphere(z, thickness, cutoff, magnetisation, steps=400):
    """Return the field at height z of an endless magnetised slab with a sphere cut out around it.

    Layer by layer (midpoint rule in the height s over the point): an endless sheet of dipoles gives
    no field, and a disc of radius q gives on its axis, by integrating (3 s^2/r^2 - 1)/r^3 over it,
    2 pi q^2/(q^2 + s^2)^(3/2) across and minus half of that in the plane; a sheet with a hole gives
    the opposite of the disc. Here q^2 + s^2 is the squared radius of the sphere.
    """
    magnetisation = np.asarray(magnetisation, float)
    field = np.zeros(3)
    width = thickness / steps
    for k in range(steps):
        s = (k + 0.5) * width - z
        inside2 = cutoff**2 - s**2
        if inside2 <= 0.0:
            continue
        disc = 2.0 * math.pi * inside2 / cutoff**3
        field[2] -= disc * magnetisation[2] * width
        field[:2] += 0.5 * disc * magnetisation[:2] * width
    return field


def turned(u, w):
    """Return u turned by the rotation vector w (axis times angle)."""
    angle = math.sqrt(float(np.dot(w, w)))
    if angle == 0.0:
        return np.array(u, float)
    axis = np.asarray(w) / angle
    along = axis * np.dot(axis, u)
    return along + (u - along) * math.cos(angle) + np.cross(axis, u) * math.sin(angle)


def philox_words(counter, key):
    """Return the four words of Philox 4x32-10 (Salmon et al., SC11, 2011) in plain integers."""
    c0, c1, c2, c3 = counter
    k0, k1 = key
    for _ in range(10):
        high0, low0 = divmod(0xD2511F53 * c0, WORD)
        high1, low1 = divmod(0xCD9E8D57 * c2, WORD)
        c0, c1, c2, c3 = high1 ^ c1 ^ k0, low1, high0 ^ c3 ^ k1, low0
        k0, k1 = (k0 + 0x9E3779B9) % WORD, (k1 + 0xBB67AE85) % WORD
    return c0, c1, c2, c3
