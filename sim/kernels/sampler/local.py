"""Local moves: a particle goes a little way, its moment is drawn anew from the Boltzmann law there.

The orientation that neighbours and field ask for is drawn exactly (heat bath), so that the angle
is integrated out of the acceptance: with Z = sinh(k)/k, k = m |B|, a move from o to n is taken
with min(1, Z_n/Z_o exp(U_o - U_n + Q_o - Q_n)), U the energy without dipoles and Q that of the
moment in what it adds itself to the field beyond the cut-off. No checks by design.
"""

import math

from numba import njit

from sim.kernels.laws.motion import missing_field
from sim.kernels.sampler.cells import follow, inside
from sim.kernels.sampler.draws import begin_move, below, in_field, log_directions, uniform
from sim.kernels.sampler.energies import (
    REFUSED,
    accept,
    add_to_sums,
    distance2,
    field_at,
    find_in_range,
    height_energy,
    outer_field,
    repulsion_at,
)
from sim.kernels.sampler.layout import (
    CHANGE,
    COLUMNS,
    LOCAL,
    MOMENT,
    MX,
    MY,
    MZ,
    RADIUS,
    X,
    Y,
    Z,
)


@njit(cache=True, error_model="numpy")
def commit(film, i, row):
    """Give a particle a new row, and what follows from rows with it."""
    old = film.rows[i]
    if film.missing > 0.0:
        add_to_sums(film, old, -1.0, film.sums)
        add_to_sums(film, row, 1.0, film.sums)
    for column in range(COLUMNS):
        old[column] = row[column]
    old[X] = inside(row[X], film.side_x)
    old[Y] = inside(row[Y], film.side_y)
    follow(film.far, film, i)
    follow(film.near, film, i)


@njit(cache=True, error_model="numpy")
def body_energy(film, x, y, z, radius):
    """Return the energy of a particle at a place but for its moment; REFUSED where it overlaps.

    The added pair laws are left out.
    """
    energy = height_energy(film, z, radius)
    return energy if energy >= REFUSED else energy + repulsion_at(film, x, y, z, radius)


@njit(cache=True, error_model="numpy")
def weigh(film, i, x, y, z, number):
    """Return (added energy, field) of particle i at a place, its own moment left out.

    Of so many that are listed in range.
    """
    row, sums = film.rows[i], film.sums
    added, bx, by, bz = field_at(film, x, y, z, row[RADIUS], number)
    gx, gy, gz = outer_field(film, z)
    bx, by, bz = bx + gx, by + gy, bz + gz
    if film.missing > 0.0:
        own_plane, own_across = missing_field(row[Z], film.thickness, film.laws.cutoff)
        plane, across = missing_field(z, film.thickness, film.laws.cutoff)
        bx += film.missing * (sums[3] - own_plane * row[MX] + plane * (sums[0] - row[MX]))
        by += film.missing * (sums[4] - own_plane * row[MY] + plane * (sums[1] - row[MY]))
        bz += film.missing * (sums[5] - own_across * row[MZ] + across * (sums[2] - row[MZ]))
    return added, bx, by, bz


@njit(cache=True, error_model="numpy")
def own_missing(film, z, mx, my, mz):
    """Return the energy of a moment in what it adds itself to the field beyond the cut-off."""
    if film.missing == 0.0:
        return 0.0
    plane, across = missing_field(z, film.thickness, film.laws.cutoff)
    return -film.missing * (plane * (mx * mx + my * my) + across * mz * mz)


@njit(cache=True, error_model="numpy")
def turned(film, i, x, y, z, log_ratio):
    """Propose particle i at a place with a moment from the heat bath there, in ``fresh[0]``.

    Parameters
    ----------
    log_ratio : float
        Logarithm of the density of proposing the old place over that of the new one.

    Returns
    -------
    bool
        Whether the energies allow it.
    float
        Change of the energy.
    """
    row, fresh = film.rows[i], film.fresh[0]
    film.mark[i] = 1
    new = body_energy(film, x, y, z, row[RADIUS])
    if new >= REFUSED:
        film.mark[i] = 0
        return False, 0.0
    old = body_energy(film, row[X], row[Y], row[Z], row[RADIUS])
    fresh[X], fresh[Y], fresh[Z] = x, y, z
    number = find_in_range(film, row[X], row[Y], row[Z])
    added, ax, ay, az = weigh(film, i, row[X], row[Y], row[Z], number)
    old += added
    if distance2(film, row, fresh) > film.slack * film.slack:
        number = find_in_range(film, x, y, z)
    added, bx, by, bz = weigh(film, i, x, y, z, number)
    new += added
    film.mark[i] = 0
    moment = row[MOMENT]
    mx, my, mz = in_field(film.random, moment, (bx, by, bz))
    old += own_missing(film, row[Z], row[MX], row[MY], row[MZ])
    new += own_missing(film, z, mx, my, mz)
    weight = log_directions(moment * math.sqrt(bx * bx + by * by + bz * bz))
    weight -= log_directions(moment * math.sqrt(ax * ax + ay * ay + az * az))
    if not accept(new - old - weight - log_ratio, uniform(film.random)):
        return False, 0.0
    for column in range(COLUMNS):
        fresh[column] = row[column]
    fresh[X], fresh[Y], fresh[Z] = x, y, z
    fresh[MX], fresh[MY], fresh[MZ] = mx, my, mz
    new -= bx * mx + by * my + bz * mz
    old -= ax * row[MX] + ay * row[MY] + az * row[MZ]
    return True, new - old


@njit(cache=True, error_model="numpy")
def local_move(film):
    """Try to move a particle a little way."""
    random, rows = film.random, film.rows
    begin_move(random)
    i = below(random, rows.shape[0])
    step = film.step[0]
    x = inside(rows[i, X] + step * (2.0 * uniform(random) - 1.0), film.side_x)
    y = inside(rows[i, Y] + step * (2.0 * uniform(random) - 1.0), film.side_y)
    z = rows[i, Z] + step * (2.0 * uniform(random) - 1.0)
    film.counts[LOCAL, 0] += 1
    allowed, change = turned(film, i, x, y, z, 0.0)
    if allowed:
        film.counts[LOCAL, 1] += 1
        film.found[CHANGE] += change
        commit(film, i, film.fresh[0])
