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
from sim.kernels.sampler.cells import particles_near, wrapped
from sim.kernels.sampler.draws import uniform
from sim.kernels.sampler.layout import CLOSE, IN_RANGE, MX, MY, MZ, RADIUS, X, Y, Z
from sim.kernels.steps.added_forces import add_energies
from sim.kernels.steps.energies import steric_energy

# Refused: no state of the film.
REFUSED = 1.0e9


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
    rows, mark, beside = film.rows, film.mark, film.beside[CLOSE]
    energy = 0.0
    for k in range(particles_near(film.near, film, x, y, z, film.near.reach, beside)):
        j = beside[k]
        if mark[j] == 0:
            dx = wrapped(x - rows[j, X], film.side_x)
            dy = wrapped(y - rows[j, Y], film.side_y)
            dz = z - rows[j, Z]
            r2 = dx * dx + dy * dy + dz * dz
            energy += pair_steric(r2, radius, rows[j, RADIUS], film)
            if energy >= REFUSED:
                return REFUSED
    return energy


@njit(cache=True, error_model="numpy")
def find_in_range(film, x, y, z):
    """List all that a place within ``slack`` of this one has in range; return their number."""
    return particles_near(film.far, film, x, y, z, film.far.reach, film.beside[IN_RANGE])


@njit(cache=True, error_model="numpy")
def field_at(film, x, y, z, radius, number):
    """Return (added energy, field) at a place, of so many listed in range that are not marked."""
    rows, mark, laws, beside = film.rows, film.mark, film.laws, film.beside[IN_RANGE]
    cutoff2, added2 = laws.cutoff * laws.cutoff, laws.added_reach * laws.added_reach
    energy = bx = by = bz = 0.0
    for k in range(number):
        j = beside[k]
        if mark[j] == 0:
            dx = wrapped(x - rows[j, X], film.side_x)
            dy = wrapped(y - rows[j, Y], film.side_y)
            dz = z - rows[j, Z]
            r2 = dx * dx + dy * dy + dz * dz
            b, c, _ = dipole_radial(r2, cutoff2)
            c *= rows[j, MX] * dx + rows[j, MY] * dy + rows[j, MZ] * dz
            bx += c * dx - b * rows[j, MX]
            by += c * dy - b * rows[j, MY]
            bz += c * dz - b * rows[j, MZ]
            if r2 < added2:
                energy += added_energy(r2, radius, rows[j, RADIUS], film)
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
    number = find_in_range(film, row[X], row[Y], row[Z])
    added, bx, by, bz = field_at(film, row[X], row[Y], row[Z], row[RADIUS], number)
    gx, gy, gz = outer_field(film, row[Z])
    return energy + added - row[MX] * (bx + gx) - row[MY] * (by + gy) - row[MZ] * (bz + gz)


@njit(cache=True, error_model="numpy")
def distance2(film, a, b):
    """Return the squared distance of two rows to the nearest image."""
    dx = wrapped(a[X] - b[X], film.side_x)
    dy = wrapped(a[Y] - b[Y], film.side_y)
    dz = a[Z] - b[Z]
    return dx * dx + dy * dy + dz * dz


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
def close_energy(film, row):
    """Return of `place_energy` windows, weight, field and all close pairs; REFUSED in overlap."""
    rows, beside = film.rows, film.beside[CLOSE]
    energy = height_energy(film, row[Z], row[RADIUS])
    if energy >= REFUSED:
        return REFUSED
    for k in range(particles_near(film.near, film, row[X], row[Y], row[Z], film.close, beside)):
        if film.mark[beside[k]] == 0:
            energy += pair_energy(film, row, rows[beside[k]])
            if energy >= 0.5 * REFUSED:
                return REFUSED
    gx, gy, gz = outer_field(film, row[Z])
    return energy - row[MX] * gx - row[MY] * gy - row[MZ] * gz


@njit(cache=True, error_model="numpy")
def change_among(film, count):
    """Return (whole change, that of close pairs) of the energies between groups of a set.

    Members of one group keep their distances and mutual directions. REFUSED in overlap.
    """
    rows, fresh, members, group = film.rows, film.fresh, film.members, film.group
    close2 = film.close * film.close
    change = close = 0.0
    for a in range(count):
        for b in range(a):
            if group[a] == group[b]:
                continue
            new = pair_energy(film, fresh[a], fresh[b])
            if new >= 0.5 * REFUSED:
                return REFUSED, REFUSED
            mine, theirs = rows[members[a]], rows[members[b]]
            old = pair_energy(film, mine, theirs)
            change += new - old
            if distance2(film, fresh[a], fresh[b]) < close2:
                close += new
            if distance2(film, mine, theirs) < close2:
                close -= old
    return change, close


@njit(cache=True, error_model="numpy")
def whole_change(film, count):
    """Return the change of the energy of a set with the rest, the field beyond range included."""
    rows, fresh, members = film.rows, film.fresh, film.members
    change = 0.0
    for a in range(count):
        change += place_energy(film, fresh[a]) - place_energy(film, rows[members[a]])
    if film.missing > 0.0:
        sums = film.sums.copy()
        for a in range(count):
            add_to_sums(film, fresh[a], 1.0, sums)
            add_to_sums(film, rows[members[a]], -1.0, sums)
        change += missing_energy(film, sums) - missing_energy(film, film.sums)
    return change


@njit(cache=True, error_model="numpy")
def allowed(film, count, log_ratio):
    """Say whether energies allow the proposed rows of a set, and by how much they change.

    In two stages: close pairs, windows and field first, which refuse most and cost least, then
    what they leave out. Each is a state's own number, so that the product of both chances,
    min(1, exp(-dU1)) min(1, exp(-(dU - dU1))), keeps detailed balance as that of dU does (J. A.
    Christen and C. Fox, J. Comput. Graph. Stat. 14, 795 (2005)). ``log_ratio``: logarithm of the
    density of proposing the old state over that of the new one.
    """
    rows, fresh, members = film.rows, film.fresh, film.members
    change, close = change_among(film, count)
    if close >= 0.5 * REFUSED:
        return False, 0.0
    mark_members(film, count)
    for a in range(count):
        close += close_energy(film, fresh[a])
        if close >= 0.5 * REFUSED:
            clear_marks(film, count)
            return False, 0.0
    for a in range(count):
        close -= close_energy(film, rows[members[a]])
    passed = accept(close - log_ratio, uniform(film.random))
    if passed:
        change += whole_change(film, count)
        passed = accept(change - close, uniform(film.random))
    clear_marks(film, count)
    return passed, change


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
