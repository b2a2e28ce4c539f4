"""Energies of a state on the card, in double precision. No checks by design.

A fixed number of threads each adds up every so many slots; what they find is added in their order.
"""

import math

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import BUFFER, MOMENT, MOVE, SIDE, SIZE_WORDS, entry_at, row_at
from sim.kernels.card.motion import magnetisation_of
from sim.kernels.card.tools import index, kernel, load_words, of_bits, plain, wrapped
from sim.kernels.dipoles.induced import holding_energy
from sim.kernels.laws.motion import missing_field
from sim.kernels.laws.pairs import buoyant_weight, soft_core_energy
from sim.kernels.steps.added_forces import add_energies, gradient_field
from sim.kernels.steps.energies import (
    COLUMNS,
    DIPOLAR,
    FIELD,
    FIRST_ADDED,
    GRAVITY,
    STERIC,
    WINDOWS,
    dipole_energy,
    steric_energy,
)

THREADS = 4096
TOTAL_MOMENT = COLUMNS
"""First of the three columns after the energies: the sum of the moments."""
INDUCTION = COLUMNS + 3
"""The energy at which beads hold their moments."""
ALL_COLUMNS = COLUMNS + 4

i64 = np.int64
f64 = np.float64


def energy_kernel(choice, screening):
    """Return the kernel of energies.

    Parameters
    ----------
    choice : Choice
    screening : float64 array or None
        Table of `screened_radial` beside a mesh.
    """
    cutoff, body, laws_taken, shares = choice.cutoff, choice.body, choice.laws, choice.shares
    induced, magnetisation = choice.induced, magnetisation_of(choice.induced)

    @register_jitable(forceinline=True)
    def read(film, i):
        """Return place, radius and direction of a slot, of beads their share of saturation."""
        side = film.flags[SIDE]
        x, y, z, radius = load_words(film.rows, row_at(film, film.flags[BUFFER], i))
        ux, uy, uz = (
            f64(film.directions[side, 0, i]),
            f64(film.directions[side, 1, i]),
            f64(film.directions[side, 2, i]),
        )
        return (x, y, z), f64(plain(of_bits(radius))), (ux, uy, uz)

    @register_jitable(forceinline=True)
    def moment_of(film, i):
        """Return the size of a slot's moment, of beads that at saturation."""
        size = i * film.several
        if film.several != 0:
            size = i64(film.identity[film.flags[SIDE], i])
        return f64(film.sizes[size * SIZE_WORDS + MOMENT])

    @register_jitable(forceinline=True)
    def add_pair(film, i, j, mine, out):
        """Add half the energies of a pair."""
        place, radius, u, moment = mine
        other, their_radius, v = read(film, j)
        laws = film.laws
        cutoff2 = laws.cutoff * laws.cutoff
        dx = f64(wrapped(place[0], other[0])) * film.unit_x
        dy = f64(wrapped(place[1], other[1])) * film.unit_y
        dz = f64(wrapped(place[2], other[2])) * film.unit_z
        r2 = dx * dx + dy * dy + dz * dz
        if r2 < cutoff2:
            pair = dipole_energy((dx, dy, dz), r2, u, v, cutoff2, screening)
            out[DIPOLAR] += 0.5 * moment * moment_of(film, j) * pair
        out[STERIC] += 0.5 * steric_energy(r2, radius, their_radius, laws)
        if laws_taken > 0 and i < j and r2 < laws.added_reach * laws.added_reach:
            add_energies(r2, radius, their_radius, laws, out[FIRST_ADDED:])

    @register_jitable(forceinline=True)
    def add_own(film, i, mine, out):
        """Add the energies of a slot with all but its neighbours, and its moment."""
        place, radius, u, moment = mine
        laws, patch, applied = film.laws, film.patch, film.applied[0]
        z = f64(place[2]) * film.unit_z
        if cutoff:
            plane, across = missing_field(z, patch.thickness, laws.cutoff)
            found = magnetisation(film, film.clock[MOVE])
            missing = plane * (u[0] * found[0] + u[1] * found[1]) + across * u[2] * found[2]
            out[DIPOLAR] -= 0.5 * moment * missing
        else:
            smooth, side = film.smooth, film.flags[SIDE]
            for axis in range(3):
                out[DIPOLAR] -= 0.5 * moment * u[axis] * f64(smooth[side, 3 + axis, i])
        below, above = z + radius, patch.thickness - z + radius
        out[WINDOWS] += soft_core_energy(below * below, 2.0 * radius, laws.window_strength)
        out[WINDOWS] += soft_core_energy(above * above, 2.0 * radius, laws.window_strength)
        for axis in range(3):
            out[FIELD] -= moment * u[axis] * applied[axis]
            out[TOTAL_MOMENT + axis] += moment * u[axis]
        if body:
            weight = buoyant_weight(radius, laws.shell, laws.core_weight, laws.shell_weight)
            slope = gradient_field(z, patch.thickness, applied)
            out[GRAVITY] -= weight * laws.down_z * z
            out[FIELD] -= moment * (u[0] * slope[0] + u[1] * slope[1] + u[2] * slope[2])
        if induced:
            size = moment * math.sqrt(u[0] * u[0] + u[1] * u[1] + u[2] * u[2])
            out[INDUCTION] += holding_energy(size, moment, film.beads.core_langevin)

    @kernel
    def sum_energies(film):
        """Write the energies in kT of every so many slots, and the sum of their moments."""
        first = index()
        if first >= film.energies.shape[0]:
            return
        out = film.energies[first]
        for column in range(ALL_COLUMNS):
            out[column] = 0.0
        for i in range(first, film.count, film.energies.shape[0]):
            place, radius, u = read(film, i)
            mine = place, radius, u, moment_of(film, i)
            for v in range(i * shares, (i + 1) * shares):
                for k in range(film.apart[v]):
                    at = entry_at(film, v, k)
                    add_pair(film, i, i64(film.entries[at]), mine, out)
                for k in range(film.close[v]):
                    at = entry_at(film, v, film.room - 1 - k)
                    add_pair(film, i, i64(film.entries[at]), mine, out)
            add_own(film, i, mine, out)

    return sum_energies
