"""Smooth part of the dipole sum on a mesh: spreading, kernels between transforms, gathering.

Array kernels without checks, by design. Particles spread in the order of their grid columns, slab
by slab; slabs of one round do not meet, so that the sum at each grid point has a fixed order
and the bits do not depend on the number of threads.
"""

import numpy as np
from numba import njit

from sim.kernels.dipoles.mesh_windows import find_columns, place_weights, sort_by_column
from sim.kernels.vectors.calls import kernel
from sim.kernels.vectors.eight_lanes import EIGHT, load8, spread8, store8
from sim.kernels.vectors.rows import store_sums

u64 = np.uint64

GATHER_BLOCKS = 64


@njit(cache=True, error_model="numpy", inline="always")
def spread_slab(begin, end, order, x, y, z, mx, my, mz, shape, window, stride, grid):
    """Add the charges of the dipoles of a slab, m . grad of the window, to the grid."""
    real = grid.dtype.type
    span, width = u64(shape.span), u64(shape.width)
    weights = np.empty(9 * shape.span, grid.dtype)
    first = np.empty(3, np.int64)
    points_x, points_y = u64(shape.points_x), u64(shape.points_y)
    wy, dy, wz, dz = u64(3) * span, u64(4) * span, u64(6) * span, u64(7) * span
    for k in range(begin, end):
        i = order[k]
        place_weights(x[i], y[i], z[i], shape, window, weights, first)
        ux, uy, uz = real(-mx[i]), real(-my[i]), real(-mz[i])
        chunk = u64(0)
        while chunk < span:
            window_z, slope_z = load8(weights, wz + chunk), load8(weights, dz + chunk)
            a = u64(first[0])
            for m in range(width):
                w = weights[m]
                along_x, along_y, along_z = ux * weights[span + m], uy * w, uz * w
                b = u64(first[1])
                for n in range(width):
                    at = (a * points_y + b) * stride + u64(first[2]) + chunk
                    s = spread8(along_x * weights[wy + n] + along_y * weights[dy + n])
                    t = spread8(along_z * weights[wy + n])
                    store8(grid, at, load8(grid, at) + s * window_z + t * slope_z)
                    b += u64(1)
                    if b == points_y:
                        b = u64(0)
                a += u64(1)
                if a == points_x:
                    a = u64(0)
            chunk += u64(EIGHT)


@kernel
def clear_plane(plane, film):
    """Empty one plane of the grid."""
    film.grid[plane] = 0.0


@kernel
def spread_part(number, film):
    """Spread the dipoles of a slab of this round."""
    shape, starts, grid = film.shape, film.starts, film.grid
    block = min(2, shape.blocks) * number + film.round[0]
    begin = starts[shape.points_x * block // shape.blocks * shape.points_y]
    end = starts[shape.points_x * (block + 1) // shape.blocks * shape.points_y]
    spread_slab(
        begin, end, film.order, film.x, film.y, film.z, film.mx, film.my, film.mz, shape,
        film.window, u64(grid.shape[2]), grid.reshape(-1),
    )  # fmt: skip


@kernel
def influence_plane(a, film):
    """Multiply a plane of the charges' spectrum by the influence function."""
    spectrum = film.spectrum
    points_x, _, points_z = spectrum.shape
    mirrored = min(a, points_x - a)
    for b in range(spectrum.shape[1]):
        row = spectrum[a, b]
        factors = film.influence[mirrored, b]
        for c in range(factors.size):
            row[c] *= factors[c]
        for c in range(factors.size, points_z):
            row[c] *= factors[points_z - c]


@kernel
def copies_plane(a, film):
    """Take the copies of the film in z off the potential, for a plane of in-plane wave vectors.

    The potential is that of the film and of its copies; of the film alone on return.
    """
    charges, potential = film.charges, film.spectrum
    points_x, waves, layers = charges.shape
    mirrored = min(a, points_x - a)
    powers = np.empty(layers, potential.real.dtype)
    for b in range(waves):
        weight = film.layer[mirrored, b]
        if weight == 0.0:
            continue
        power = 1.0
        for c in range(layers):
            powers[c] = power
            power *= film.decay[mirrored, b]
        bottom = 0j
        top = 0j
        for c in range(layers):
            bottom += charges[a, b, c] * powers[c]
            top += charges[a, b, c] * powers[layers - 1 - c]
        bottom *= weight
        top *= weight
        row = potential[a, b]
        for c in range(layers):
            row[c] -= powers[layers - 1 - c] * bottom + powers[c] * top


@njit(cache=True, error_model="numpy", inline="always")
def gather_chunk(
    chunk, span, width, first, points_x, points_y, stride, weights, potential, ux, uy, uz, sums
):
    """Write field and minus the force of a dipole from one vector of layers, at ``sums[0:6]``."""
    zero = spread8(potential.dtype.type(0.0))
    bx = by = bz = xx = xy = yy = zero
    a = u64(first[0])
    for m in range(width):
        flat = slope = bend = zero
        b = u64(first[1])
        for n in range(width):
            value = load8(potential, (a * points_y + b) * stride + u64(first[2]) + chunk)
            flat = flat + weights[u64(3) * span + n] * value
            slope = slope + weights[u64(4) * span + n] * value
            bend = bend + weights[u64(5) * span + n] * value
            b += u64(1)
            if b == points_y:
                b = u64(0)
        w, d, e = weights[m], weights[span + m], weights[span + span + m]
        bx = bx + d * flat
        by = by + w * slope
        bz = bz + w * flat
        xx = xx + e * flat
        xy = xy + d * slope
        yy = yy + w * bend
        a += u64(1)
        if a == points_x:
            a = u64(0)
    w = load8(weights, u64(6) * span + chunk)
    d = load8(weights, u64(7) * span + chunk)
    e = load8(weights, u64(8) * span + chunk)
    fx = (ux * xx + uy * xy) * w + uz * bx * d
    fy = (ux * xy + uy * yy) * w + uz * by * d
    fz = (ux * bx + uy * by) * d + uz * bz * e
    store_sums(sums, u64(0), (bx * w, by * w, bz * d, fx, fy, fz, zero, zero))


@njit(cache=True, error_model="numpy", inline="always")
def gather_block(
    begin, end, order, x, y, z, mx, my, mz, total_z, shape, window, stride, potential, field, force
):
    """Set field and force of a block of dipoles, less the field of each one's own cloud."""
    real = potential.dtype.type
    span, width = u64(shape.span), u64(shape.width)
    weights = np.empty(9 * shape.span, potential.dtype)
    sums = np.empty(8, potential.dtype)
    first = np.empty(3, np.int64)
    points_x, points_y = u64(shape.points_x), u64(shape.points_y)
    for k in range(begin, end):
        i = order[k]
        place_weights(x[i], y[i], z[i], shape, window, weights, first)
        field[i, 0] = shape.own * mx[i]
        field[i, 1] = shape.own * my[i]
        field[i, 2] = shape.own * mz[i] - shape.uniform * total_z
        for axis in range(3):
            force[i, axis] = 0.0
        chunk = u64(0)
        while chunk < span:
            gather_chunk(
                chunk, span, width, first, points_x, points_y, stride, weights, potential,
                real(mx[i]), real(my[i]), real(mz[i]), sums,
            )  # fmt: skip
            for axis in range(3):
                field[i, axis] += sums[axis]
                force[i, axis] -= sums[3 + axis]
            chunk += u64(EIGHT)


@kernel
def gather_part(block, film):
    """Set field and force of a block of dipoles from the potential on the grid."""
    begin = film.count * block // GATHER_BLOCKS
    end = film.count * (block + 1) // GATHER_BLOCKS
    gather_block(
        begin, end, film.order, film.x, film.y, film.z, film.mx, film.my, film.mz, film.total[0],
        film.shape, film.window, u64(film.grid.shape[2]), film.grid.reshape(-1), film.field,
        film.force,
    )  # fmt: skip


@kernel
def columns_part(block, film):
    """Write the first grid column under the window of each dipole of a block."""
    begin = film.count * block // GATHER_BLOCKS
    end = film.count * (block + 1) // GATHER_BLOCKS
    find_columns(begin, end, film.x, film.y, film.shape, film.columns)


@kernel
def sort_columns(number, film):
    """Sort the dipoles by column, and add up their moments across the film."""
    sort_by_column(film.count, film.columns, film.starts, film.order)
    total = 0.0
    for i in range(film.count):
        total += film.mz[i]
    film.total[0] = total
