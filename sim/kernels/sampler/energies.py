"""Energies of the sampler: of one particle at a place, of a change, of the whole film.

The energy of pairs takes dipoles within the cut-off of the laws, and where ``missing`` is not 0
the field beyond it by the mean moment, as `sim.kernels.steps.energies` does: summed over the film
that is -(1/2 V) F.S with S the sum of all moments and F that of f(z) times them. No checks by
design.
"""

import math

from numba import njit

from sim.kernels.laws.motion import missing_field
from sim.kernels.laws.pairs import (
    SOFT_CORE_REACH2,
    SURFACTANT,
    buoyant_weight,
    dipole_radial,
    gradient_force,
    soft_core_energy,
)
from sim.kernels.sampler.cells import around, indices_of, wrapped
from sim.kernels.sampler.layout import MX, MY, MZ, NONE, RADIUS, X, Y, Z
from sim.kernels.steps.added_forces import add_energies
from sim.kernels.steps.energies import steric_energy

# Refused: no state of the film.
REFUSED = 1.0e9
NEXT = 0


@njit(cache=True, error_model="numpy", inline="always")
def pair_steric(r2, radius_i, radius_j, film):
    """Return the repulsion of two particles, or REFUSED where their cores would lie too deep."""
    laws = film.laws
    shell = laws.shell if laws.steric == SURFACTANT else 0.0
    least = film.nearest * (radius_i + radius_j - 2.0 * shell)
    if r2 < least * least:
        return REFUSED
    size = radius_i + radius_j
    if r2 >= SOFT_CORE_REACH2 * size * size:
        return 0.0
    return steric_energy(r2, radius_i, radius_j, laws)


@njit(cache=True, error_model="numpy")
def added_energy(r2, radius_i, radius_j, film):
    """Return the energy of the added pair laws of two particles in range."""
    each = film.added
    each[:] = 0.0
    add_energies(r2, radius_i, radius_j, film.laws, each)
    energy = 0.0
    for law in range(each.size):
        energy += each[law]
    return energy


@njit(cache=True, error_model="numpy")
def repulsion_at(film, x, y, z, radius):
    """Return the repulsion of a particle at a place by all that are not marked."""
    cells, rows, mark = film.near, film.rows, film.mark
    head, links = cells.head, cells.links
    side_x, side_y = film.side_x, film.side_y
    ix, iy, iz = indices_of(cells, film, x, y, z)
    first_x, end_x = around(ix, cells.x)
    first_y, end_y = around(iy, cells.y)
    energy = 0.0
    for jx in range(first_x, end_x):
        for jy in range(first_y, end_y):
            column = ((jx + cells.x) % cells.x * cells.y + (jy + cells.y) % cells.y) * cells.z
            for jz in range(max(0, iz - 1), min(cells.z, iz + 2)):
                j = head[column + jz]
                while j != NONE:
                    if mark[j] == 0:
                        dx = wrapped(x - rows[j, X], side_x)
                        dy = wrapped(y - rows[j, Y], side_y)
                        dz = z - rows[j, Z]
                        r2 = dx * dx + dy * dy + dz * dz
                        energy += pair_steric(r2, radius, rows[j, RADIUS], film)
                        if energy >= REFUSED:
                            return REFUSED
                    j = links[j, NEXT]
    return energy


@njit(cache=True, error_model="numpy")
def field_at(film, x, y, z, radius):
    """Return (added energy, field) at a place from all in range that are not marked."""
    cells, rows, mark, laws = film.far, film.rows, film.mark, film.laws
    head, links = cells.head, cells.links
    side_x, side_y = film.side_x, film.side_y
    cutoff2, added2 = laws.cutoff * laws.cutoff, laws.added_reach * laws.added_reach
    ix, iy, iz = indices_of(cells, film, x, y, z)
    first_x, end_x = around(ix, cells.x)
    first_y, end_y = around(iy, cells.y)
    energy = bx = by = bz = 0.0
    for jx in range(first_x, end_x):
        for jy in range(first_y, end_y):
            column = ((jx + cells.x) % cells.x * cells.y + (jy + cells.y) % cells.y) * cells.z
            for jz in range(max(0, iz - 1), min(cells.z, iz + 2)):
                j = head[column + jz]
                while j != NONE:
                    if mark[j] == 0:
                        dx = wrapped(x - rows[j, X], side_x)
                        dy = wrapped(y - rows[j, Y], side_y)
                        dz = z - rows[j, Z]
                        r2 = dx * dx + dy * dy + dz * dz
                        if r2 < cutoff2:
                            b, c, _ = dipole_radial(r2, cutoff2)
                            c *= rows[j, MX] * dx + rows[j, MY] * dy + rows[j, MZ] * dz
                            bx += c * dx - b * rows[j, MX]
                            by += c * dy - b * rows[j, MY]
                            bz += c * dz - b * rows[j, MZ]
                        if r2 < added2:
                            energy += added_energy(r2, radius, rows[j, RADIUS], film)
                    j = links[j, NEXT]
    return energy, bx, by, bz


@njit(cache=True, error_model="numpy")
def outer_field(film, z):
    """Return the applied field at a height, that of a gradient across the film included."""
    applied = film.applied
    bx, by, bz = applied[0], applied[1], applied[2]
    if film.laws.body_forces:
        gx, gy, gz = gradient_force(applied, 0.0, 0.0, z - 0.5 * film.thickness)
        bx, by, bz = bx + gx, by + gy, bz + gz
    return bx, by, bz


@njit(cache=True, error_model="numpy")
def height_energy(film, z, radius):
    """Return what a particle at a height has of windows and weight; REFUSED outside the film."""
    laws = film.laws
    below = z + radius
    above = film.thickness - z + radius
    if z <= -0.9 * radius or above <= 0.1 * radius:
        return REFUSED
    diameter = 2.0 * radius
    energy = soft_core_energy(below * below, diameter, laws.window_strength)
    energy += soft_core_energy(above * above, diameter, laws.window_strength)
    if laws.body_forces:
        weight = buoyant_weight(radius, laws.shell, laws.core_weight, laws.shell_weight)
        energy -= weight * laws.down_z * z
    return energy


@njit(cache=True, error_model="numpy")
def place_energy(film, row):
    """Return the energy of a row with the rest, the field and the windows; REFUSED in overlap.

    All but the field beyond a cut-off.
    """
    energy = height_energy(film, row[Z], row[RADIUS])
    if energy >= REFUSED:
        return REFUSED
    energy += repulsion_at(film, row[X], row[Y], row[Z], row[RADIUS])
    if energy >= REFUSED:
        return REFUSED
    added, bx, by, bz = field_at(film, row[X], row[Y], row[Z], row[RADIUS])
    gx, gy, gz = outer_field(film, row[Z])
    return energy + added - row[MX] * (bx + gx) - row[MY] * (by + gy) - row[MZ] * (bz + gz)


@njit(cache=True, error_model="numpy")
def pair_energy(film, a, b):
    """Return the energy of two rows with each other; REFUSED in overlap."""
    laws = film.laws
    dx = wrapped(a[X] - b[X], film.side_x)
    dy = wrapped(a[Y] - b[Y], film.side_y)
    dz = a[Z] - b[Z]
    r2 = dx * dx + dy * dy + dz * dz
    energy = pair_steric(r2, a[RADIUS], b[RADIUS], film)
    if energy >= REFUSED:
        return REFUSED
    if r2 < laws.added_reach * laws.added_reach:
        energy += added_energy(r2, a[RADIUS], b[RADIUS], film)
    radial, c, _ = dipole_radial(r2, laws.cutoff * laws.cutoff)
    mine = a[MX] * dx + a[MY] * dy + a[MZ] * dz
    theirs = b[MX] * dx + b[MY] * dy + b[MZ] * dz
    energy += radial * (a[MX] * b[MX] + a[MY] * b[MY] + a[MZ] * b[MZ]) - c * mine * theirs
    return energy


@njit(cache=True, error_model="numpy")
def add_to_sums(film, row, sign, sums):
    """Add the part of one row to S and F, or take it away."""
    plane = across = 0.0
    if film.missing > 0.0:
        plane, across = missing_field(row[Z], film.thickness, film.laws.cutoff)
    for axis in range(3):
        moment = sign * row[MX + axis]
        sums[axis] += moment
        sums[3 + axis] += moment * (across if axis == 2 else plane)


@njit(cache=True, error_model="numpy")
def missing_energy(film, sums):
    """Return the energy of all moments in the field beyond the cut-off."""
    return -film.missing * (sums[0] * sums[3] + sums[1] * sums[4] + sums[2] * sums[5])


@njit(cache=True, error_model="numpy")
def mark_members(film, count):
    """Mark the members of a set by their places."""
    for a in range(count):
        film.mark[film.members[a]] = a + 1


@njit(cache=True, error_model="numpy")
def clear_marks(film, count):
    """Take the marks of the members away."""
    for a in range(count):
        film.mark[film.members[a]] = 0


@njit(cache=True, error_model="numpy")
def change_of_energy(film, count):
    """Return the energy of the proposed rows of a set less that of the present ones, or REFUSED.

    Members of one group keep their distances and mutual directions, so that only pairs of
    different groups count among them.
    """
    rows, fresh, members, group = film.rows, film.fresh, film.members, film.group
    change = 0.0
    mark_members(film, count)
    for a in range(count):
        change += place_energy(film, fresh[a])
        if change >= 0.5 * REFUSED:
            clear_marks(film, count)
            return REFUSED
    for a in range(count):
        change -= place_energy(film, rows[members[a]])
    clear_marks(film, count)
    for a in range(count):
        for b in range(a):
            if group[a] != group[b]:
                change += pair_energy(film, fresh[a], fresh[b])
                if change >= 0.5 * REFUSED:
                    return REFUSED
                change -= pair_energy(film, rows[members[a]], rows[members[b]])
    if film.missing > 0.0:
        sums = film.sums.copy()
        for a in range(count):
            add_to_sums(film, fresh[a], 1.0, sums)
            add_to_sums(film, rows[members[a]], -1.0, sums)
        change += missing_energy(film, sums) - missing_energy(film, film.sums)
    return change


@njit(cache=True, error_model="numpy")
def sum_moments(film):
    """Sum S and F anew."""
    film.sums[:] = 0.0
    for i in range(film.rows.shape[0]):
        add_to_sums(film, film.rows[i], 1.0, film.sums)


@njit(cache=True, error_model="numpy")
def total_energy(film):
    """Return the energy of all particles as the moves count it; cells and sums must be fresh."""
    rows = film.rows
    energy = missing_energy(film, film.sums)
    for i in range(rows.shape[0]):
        film.mark[i] = 1
        row = rows[i]
        gx, gy, gz = outer_field(film, row[Z])
        alone = height_energy(film, row[Z], row[RADIUS])
        alone -= row[MX] * gx + row[MY] * gy + row[MZ] * gz
        energy += 0.5 * (place_energy(film, row) + alone)
        film.mark[i] = 0
    return energy


@njit(cache=True, error_model="numpy")
def accept(energy, random_share):
    """Return whether a change of energy is taken (Metropolis and others, 1953)."""
    return energy <= 0.0 or random_share < math.exp(-energy)
