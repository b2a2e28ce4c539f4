"""Energies of a state, in scalar double precision. No checks by design.

The loop over pairs hands numbers to what it calls, no named tuples of arrays: passing these on
for each pair took ten times as long as the arithmetic.
"""

import numpy as np
from numba import njit, prange

from sim.kernels.added_forces import added_pair_energy, body_energy
from sim.kernels.layout import BLOCKS, CUTOFF
from sim.kernels.lists import block_bounds
from sim.kernels.motion import missing_field
from sim.kernels.pair_laws import (
    SURFACTANT,
    brush_energy,
    dipole_radial,
    soft_core_energy,
)
from sim.kernels.screened_law import screened_radial

# Columns of the result.
DIPOLAR, STERIC, WINDOWS, FIELD, VAN_DER_WAALS, ELECTROSTATIC, GRAVITY = range(7)
COLUMNS = 7
NAMES = ("dipolar", "steric", "windows", "field", "van_der_waals", "electrostatic", "gravity")


@njit(cache=True, error_model="numpy")
def dipole_energy(gap, r2, u, v, cutoff2, screening):
    """Return the energy of two dipoles of unit moment in range; ``gap`` is r_i - r_j."""
    if screening is None:
        b, c, _ = dipole_radial(r2, cutoff2)
    else:
        b, c, _ = screened_radial(r2, cutoff2, screening)
    mine = u[0] * gap[0] + u[1] * gap[1] + u[2] * gap[2]
    theirs = v[0] * gap[0] + v[1] * gap[1] + v[2] * gap[2]
    return b * (u[0] * v[0] + u[1] * v[1] + u[2] * v[2]) - c * mine * theirs


@njit(cache=True, error_model="numpy")
def steric_energy(r2, radius_i, radius_j, laws):
    """Return the steric energy of two particles."""
    if laws.steric == SURFACTANT:
        return brush_energy(r2, radius_i, radius_j, laws.shell, laws.grafting)
    return soft_core_energy(r2, radius_i + radius_j, laws.strength)


@njit(cache=True, error_model="numpy")
def add_pair_energies(first, end, slots, neighbours, patch, laws, screening, out):
    """Add the energies of the pairs of which one slot is in ``first`` to ``end``, the other later.

    The list holds each pair from both sides.
    """
    x, y, z, radius, moment = slots.x, slots.y, slots.z, slots.radius, slots.moment
    ux, uy, uz = slots.ux, slots.uy, slots.uz
    start, number, entries = neighbours.start, neighbours.count, neighbours.entries
    side_x, side_y, added = patch.side_x, patch.side_y, laws.added_pairs
    cutoff2 = laws.cutoff * laws.cutoff
    dipolar = steric = drawn = charged = 0.0
    for i in range(first, end):
        u = (ux[i], uy[i], uz[i])
        for k in range(start[i], start[i] + number[i]):
            j = entries[k] // np.uint32(8)
            if j <= i or j >= x.size:
                continue
            dx, dy, dz = x[i] - x[j], y[i] - y[j], z[i] - z[j]
            dx -= side_x * np.rint(dx / side_x)
            dy -= side_y * np.rint(dy / side_y)
            r2 = dx * dx + dy * dy + dz * dz
            if r2 < cutoff2:
                pair = dipole_energy((dx, dy, dz), r2, u, (ux[j], uy[j], uz[j]), cutoff2, screening)
                dipolar += moment[i] * moment[j] * pair
            steric += steric_energy(r2, radius[i], radius[j], laws)
            if added:
                pulled, pushed = added_pair_energy(r2, radius[i], radius[j], laws)
                drawn += pulled
                charged += pushed
    out[DIPOLAR] += dipolar
    out[STERIC] += steric
    out[VAN_DER_WAALS] += drawn
    out[ELECTROSTATIC] += charged


@njit(cache=True, error_model="numpy")
def slot_energies(i, slots, patch, laws, applied, magnetisation, long_range, out):
    """Add to ``out`` the energies of one slot with all but its neighbours."""
    u = (slots.ux[i], slots.uy[i], slots.uz[i])
    if laws.long_range == CUTOFF:
        plane, across = missing_field(slots.z[i], patch.thickness, laws.cutoff)
        missing = plane * (u[0] * magnetisation[0] + u[1] * magnetisation[1])
        missing += across * u[2] * magnetisation[2]
        out[DIPOLAR] -= 0.5 * slots.moment[i] * missing
    else:
        for axis in range(3):
            out[DIPOLAR] -= 0.5 * slots.moment[i] * u[axis] * long_range.field[i, axis]
    diameter = 2.0 * slots.radius[i]
    below = slots.z[i] + slots.radius[i]
    above = patch.thickness - slots.z[i] + slots.radius[i]
    out[WINDOWS] += soft_core_energy(below * below, diameter, laws.window_strength)
    out[WINDOWS] += soft_core_energy(above * above, diameter, laws.window_strength)
    for axis in range(3):
        out[FIELD] -= slots.moment[i] * u[axis] * applied[axis]
    if laws.body_forces:
        weight, turned = body_energy(i, slots, patch, laws, applied)
        out[GRAVITY] += weight
        out[FIELD] += turned


@njit(cache=True, error_model="numpy", parallel=True)
def energies(slots, count, neighbours, patch, laws, applied, magnetisation, long_range, screening):
    """Return total energies in kT: dipolar, steric, windows, field and the added forces.

    ``applied`` holds the field and its gradient as ``field_at`` writes them, ``long_range`` the
    field of the exact sum or of the mesh, ``screening`` the table of `screened_radial` beside a
    mesh, else None.

    Returns
    -------
    float64 array, shape (7,)
        Dipolar: pairs and, with a cut-off, half the field beyond it; steric; windows; moments in
        the applied field; van der Waals; electrostatic; weight.
    """
    parts = np.zeros((BLOCKS, COLUMNS))
    for block in prange(BLOCKS):
        first, end = block_bounds(np.int64(block), slots.x.size)
        end = min(end, count)
        add_pair_energies(first, end, slots, neighbours, patch, laws, screening, parts[block])
        for i in range(first, end):
            slot_energies(i, slots, patch, laws, applied, magnetisation, long_range, parts[block])
    total = np.zeros(COLUMNS)
    for block in range(BLOCKS):
        total += parts[block]
    return total
