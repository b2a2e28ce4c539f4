"""Energies of a state, in scalar double precision. No checks by design."""

import numpy as np
from numba import njit

from sim.kernels.added_forces import added_pair_energy, body_energy, separation
from sim.kernels.blocks import kernel
from sim.kernels.layout import CUTOFF
from sim.kernels.lists import block_bounds
from sim.kernels.motion import missing_field
from sim.kernels.pair_laws import SURFACTANT, brush_energy, soft_core_energy
from sim.kernels.screened_law import dipole_factors

# Columns of the result.
DIPOLAR, STERIC, WINDOWS, FIELD, VAN_DER_WAALS, ELECTROSTATIC, GRAVITY = range(7)
COLUMNS = 7
NAMES = ("dipolar", "steric", "windows", "field", "van_der_waals", "electrostatic", "gravity")


@njit(cache=True, error_model="numpy", inline="always")
def pair_energy(i, j, slots, patch, laws, screening):
    """Return (dipolar, steric) energy of two slots, the dipoles within their range."""
    dx, dy, dz, r2 = separation(i, j, slots, patch)
    b, c, _ = dipole_factors(r2, laws.cutoff * laws.cutoff, screening)
    mine = slots.ux[i] * dx + slots.uy[i] * dy + slots.uz[i] * dz
    theirs = slots.ux[j] * dx + slots.uy[j] * dy + slots.uz[j] * dz
    both = slots.ux[i] * slots.ux[j] + slots.uy[i] * slots.uy[j] + slots.uz[i] * slots.uz[j]
    dipolar = slots.moment[i] * slots.moment[j] * (b * both - c * mine * theirs)
    if laws.steric == SURFACTANT:
        steric = brush_energy(r2, slots.radius[i], slots.radius[j], laws.shell, laws.grafting)
    else:
        steric = soft_core_energy(r2, slots.radius[i] + slots.radius[j], laws.strength)
    return dipolar, steric


@njit(cache=True, error_model="numpy", inline="always")
def slot_energies(
    i, slots, neighbours, patch, laws, applied, magnetisation, long_range, screening, out
):
    """Add the energies of one slot to ``out``; pairs count half on either side."""
    for k in range(neighbours.start[i], neighbours.start[i] + neighbours.count[i]):
        j = neighbours.entries[k] // np.uint32(8)
        if j < slots.x.size:
            dipolar, steric = pair_energy(i, j, slots, patch, laws, screening)
            out[DIPOLAR] += 0.5 * dipolar
            out[STERIC] += 0.5 * steric
            if laws.added_pairs:
                drawn, charged = added_pair_energy(i, j, slots, patch, laws)
                out[VAN_DER_WAALS] += 0.5 * drawn
                out[ELECTROSTATIC] += 0.5 * charged
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
    totals, slots = film.totals, film.slots
    first, end = block_bounds(block, totals.thrown.size, slots.x.size)
    out = totals.energy[block]
    out[:] = 0.0
    for i in range(first, min(end, film.count)):
        slot_energies(
            i, slots, film.neighbours, film.patch, film.laws, film.applied, film.magnetisation,
            film.long_range, film.energy_screening, out,
        )  # fmt: skip
