"""Columns of lowest energy: how many chains stand in each, where nothing hinders them.

Aligned dipoles m of diameter d fill a film from window to window. A column holds c straight chains
of touching particles, each shifted by half a diameter against its four neighbours at sqrt(3)/2 d
(the body-centred lattice in which they lie lowest: R. Tao, J. M. Sun, Phys. Rev. Lett. 67, 398
(1991), from memory). Columns stand on a triangular lattice. Energies are in m^2/d^3, which is
lambda kT; lengths in diameters. Nothing moves by heat, and chains are straight.
"""

import functools
import math

import numpy as np

APART = math.sqrt(3.0) / 2.0
"""Distance of neighbouring chains of a column, diameters."""
MOST_CHAINS = 120
SHELLS = 12
"""Columns are summed so many lattice distances far; the others are spread out evenly."""


@functools.cache
def _pair(height, rho_squared, shifted):
    """Return the energy of two chains of one column at this squared distance."""
    first, second = height, height - 1 if shifted else height
    i = np.arange(first)[:, None] + 0.5
    j = np.arange(second)[None, :] + (1.0 if shifted else 0.5)
    z2 = (i - j) ** 2
    return float(np.sum((rho_squared - 2.0 * z2) * (rho_squared + z2) ** -2.5))


@functools.cache
def _alone(count):
    """Return the energy of a chain of so many particles."""
    k = np.arange(1, count)
    return float(-2.0 * np.sum((count - k) / k**3))


def _sites(chains, centre):
    """Return the places of the chains of the roundest column about a centre, (chains, 2)."""
    grid = np.arange(-9, 10)
    places = np.array([(x, y) for x in grid for y in grid])
    away = np.sum((places - np.array(centre)) ** 2, axis=1)
    return places[np.argsort(away, kind="stable")[:chains]]


def _column(chains, height, centre):
    """Return (energy, particles) of one column."""
    places = _sites(chains, centre)
    odd = places.sum(axis=1) % 2
    counts = height - odd
    energy = sum(_alone(int(count)) for count in counts)
    for a in range(chains):
        for b in range(a):
            rho = APART**2 * float(np.sum((places[a] - places[b]) ** 2))
            shifted = odd[a] != odd[b]
            tall = height if shifted or not odd[a] else height - 1
            energy += _pair(int(tall), round(rho, 6), bool(shifted))
    return energy, int(counts.sum())


def _between(distance, height):
    """Return the energy of one chain with those of all other columns, one chain in each.

    Rods with a charge m/d at each end; the field of a row of dipoles between its ends falls by
    exp(-2 pi rho/d).
    """
    grid = np.arange(-SHELLS, SHELLS + 1)
    a, b = (part.ravel() for part in np.meshgrid(grid, grid))
    away = distance * np.sqrt(a**2 + a * b + b**2)
    farthest = distance * SHELLS * APART
    away = away[(away > 0.0) & (away < farthest)]
    near = np.sum(2.0 / away - 2.0 / np.hypot(away, height))
    area = APART * distance**2
    # where the sum ends, a circle holds as much area as the columns in it have
    edge = math.sqrt(area * (len(away) + 1) / math.pi)
    return near + 4.0 * math.pi / area * (math.hypot(edge, height) - edge)


def per_particle(chains, height, fraction):
    """Return (energy of a particle in m^2/d^3, distance of columns in d) of a lattice of columns.

    Parameters
    ----------
    chains : int
        In a column, at most 120.
    height : int
        Thickness of the film in diameters.
    fraction : float
        Of the film that particles fill.
    """
    best = (math.inf, math.nan)
    for centre in ((0.0, 0.0), (0.5, 0.5), (0.5, 0.0)):
        energy, particles = _column(chains, height, centre)
        area = math.pi / 6.0 * particles / (fraction * height)
        distance = math.sqrt(area / APART)
        energy += 0.5 * chains**2 * _between(distance, height)
        best = min(best, (float(energy / particles), distance))
    return best


@functools.cache
def lowest(thickness_um, diameter_um=0.5, fraction=0.04):
    """Return (chains, distance in um) of the columns of lowest energy in a film.

    The number of chains is raised until ten more in a row gain nothing.
    """
    height = round(thickness_um / diameter_um)
    best, found, idle = math.inf, (1, math.nan), 0
    for chains in range(1, MOST_CHAINS + 1):
        energy, distance = per_particle(chains, height, fraction)
        idle += 1
        if energy < best:
            best, found, idle = energy, (chains, distance * diameter_um), 0
        if idle > 10:
            break
    return found


def lowest_power(thicknesses_um):
    """Return the exponent of their distance in the thickness, by least squares in logarithms."""
    y = [math.log(lowest(one)[1]) for one in thicknesses_um]
    return float(np.polyfit(np.log(thicknesses_um), y, 1)[0])
