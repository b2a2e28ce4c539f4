"""Fields at beads and their moments, between slots and plain arrays. No checks by design."""

import math

from sim.kernels.laws.motion import missing_field
from sim.kernels.steps.added_forces import gradient_field
from sim.kernels.steps.layout import CUTOFF
from sim.kernels.steps.rows import pack_rows
from sim.kernels.steps.step import BUFFER, bounds
from sim.kernels.vectors.calls import get_thread_id, kernel
from sim.kernels.vectors.rows import WORDS


@kernel
def read_moments(number, film):
    """Copy the moments of the slots into rows."""
    slots, moments = film.slots, film.beads.moments
    for i in range(film.count):
        moments[i, 0] = slots.moment[i] * slots.ux[i]
        moments[i, 1] = slots.moment[i] * slots.uy[i]
        moments[i, 2] = slots.moment[i] * slots.uz[i]


@kernel
def write_moments(number, film):
    """Give the slots new moments, and pack their rows; a moment of 0 keeps its direction."""
    slots, moments, now = film.slots, film.beads.moments, film.flags[BUFFER]
    for i in range(film.count):
        x, y, z = moments[i, 0], moments[i, 1], moments[i, 2]
        size = math.sqrt(x * x + y * y + z * z)
        slots.moment[i] = size
        if size > 0.0:
            slots.ux[i], slots.uy[i], slots.uz[i] = x / size, y / size, z / size
    pack_rows(0, slots.x.size, slots, film.patch, film.rows[now])


@kernel
def mean_moment(number, film):
    """Write the moment per volume of the slots."""
    slots, patch, magnetisation = film.slots, film.patch, film.magnetisation
    magnetisation[:] = 0.0
    for i in range(film.count):
        magnetisation[0] += slots.moment[i] * slots.ux[i]
        magnetisation[1] += slots.moment[i] * slots.uy[i]
        magnetisation[2] += slots.moment[i] * slots.uz[i]
    volume = patch.side_x * patch.side_y * patch.thickness
    for axis in range(3):
        magnetisation[axis] /= volume


@kernel
def local_field(block, film):
    """Write the local field at each slot: the applied one and that of all other dipoles.

    Follows `step.pair_part`; ``long_range`` holds the field of the mesh or of the exact sum for
    the present moments.
    """
    first, end = bounds(block, film)
    slots, laws, patch, applied = film.slots, film.laws, film.patch, film.applied
    magnetisation, field = film.magnetisation, film.beads.field
    sums = film.scratch.sums[get_thread_id()]
    for i in range(first, min(end, film.count)):
        at = WORDS * (i - first) + 4
        for axis in range(3):
            field[i, axis] = applied[axis] + sums[at + axis]
            if laws.long_range != CUTOFF:
                field[i, axis] += film.long_range.field[i, axis]
        if laws.long_range == CUTOFF:
            plane, across = missing_field(slots.z[i], patch.thickness, laws.cutoff)
            field[i, 0] += plane * magnetisation[0]
            field[i, 1] += plane * magnetisation[1]
            field[i, 2] += across * magnetisation[2]
        if laws.body_forces:
            slope = gradient_field(slots.z[i], patch.thickness, applied)
            for axis in range(3):
                field[i, axis] += slope[axis]
