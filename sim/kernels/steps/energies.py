"""Energies of a state, in scalar double precision. No checks by design.

The loop over pairs hands numbers to what it calls, no named tuples of arrays: passing these on
for each pair took ten times as long as the arithmetic.
"""

import numpy as np
from numba import njit

from sim.kernels.laws.motion import missing_field
from sim.kernels.laws.pairs import ADDED, SURFACTANT, brush_energy, soft_core_energy
from sim.kernels.laws.screened import dipole_factors
from sim.kernels.steps.added_forces import add_energies, body_energy
from sim.kernels.steps.layout import CUTOFF
from sim.kernels.steps.lists import block_bounds
from sim.kernels.vectors.calls import kernel

# Columns of the result; those of the added pair laws are the last.
NAMES = ("dipolar", "steric", "windows", "field", "gravity", *ADDED)
DIPOLAR, STERIC, WINDOWS, FIELD, GRAVITY, FIRST_ADDED = range(6)
COLUMNS = len(NAMES)


@njit(cache=True, error_model="numpy", inline="always")
def dipole_energy(gap, r2, u, v, cutoff2, screening):
    """Return the energy of two dipoles of unit moment in range; ``gap`` is r_i - r_j."""
    b, c, _ = dipole_factors(r2, cutoff2, screening)
    mine = u[0] * gap[0] + u[1] * gap[1] + u[2] * gap[2]
    theirs = v[0] * gap[0] + v[1] * gap[1] + v[2] * gap[2]
    return b * (u[0] * v[0] + u[1] * v[1] + u[2] * v[2]) - c * mine * theirs


@njit(cache=True, error_model="numpy", inline="always")
def steric_energy(r2, radius_i, radius_j, laws):
    """Return the steric energy of two particles."""
    if laws.steric == SURFACTANT:
        return brush_energy(r2, radius_i, radius_j, laws.shell, laws.grafting, laws.core_stiffness)
    return soft_core_energy(r2, radius_i + radius_j, laws.strength)


@njit(cache=True, error_model="numpy", inline="always")
def add_pair_energies(first, end, slots, neighbours, patch, laws, screening, out):
    """Add the energies of the pairs of which one slot is in ``first`` to ``end``, the other later.

    The list holds each pair from both sides.
    """
    x, y, z, radius, moment = slots.x, slots.y, slots.z, slots.radius, slots.moment
    ux, uy, uz = slots.ux, slots.uy, slots.uz
    start, number, entries = neighbours.start, neighbours.count, neighbours.entries
    side_x, side_y = patch.side_x, patch.side_y
    cutoff2, reach2 = laws.cutoff * laws.cutoff, laws.added_reach * laws.added_reach
    dipolar = steric = 0.0
    added = out[FIRST_ADDED:]
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
            if r2 < reach2:
                add_energies(r2, radius[i], radius[j], laws, added)
    out[DIPOLAR] += dipolar
    out[STERIC] += steric


@njit(cache=True, error_model="numpy", inline="always")
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


@kernel
def block_energies(block, film):
    """Write the energies of a block in kT: dipolar, steric, windows, field and the added forces.

    Dipolar: pairs and, with a cut-off, half the field beyond it, else half that of the exact sum
    or of the mesh in ``long_range``; field: moments in the applied one.
    """
    totals, slots, patch, laws = film.totals, film.slots, film.patch, film.laws
    first, end = block_bounds(block, totals.thrown.size, slots.x.size)
    end = min(end, film.count)
    out = totals.energy[block]
    out[:] = 0.0
    add_pair_energies(first, end, slots, film.neighbours, patch, laws, film.energy_screening, out)
    for i in range(first, end):
        slot_energies(i, slots, patch, laws, film.applied, film.magnetisation, film.long_range, out)
