"""Smooth part of the dipole sum on a mesh of the card. No checks by design.

Charges are spread as whole numbers, whose sum at a grid point hangs on no order. The grid lies
layer by layer, so that the transforms along the film are those of its planes. Kernels leave a film
alone whose mesh is not to be summed, and the transforms of its grid are of no use.
"""

from typing import Any, NamedTuple

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import BUFFER, CHOSEN, SIDE, SUM_DUE, WHEN_DUE, moment_after, row_at
from sim.kernels.card.tools import (
    LANES,
    atomic_add,
    index,
    kernel,
    load_words,
    local_numbers,
    of_bits,
    plain,
    shared_counts,
    sync,
    thread,
)
from sim.kernels.dipoles.mesh_windows import next_power, open_place, periodic_place

i64 = np.int64
f64 = np.float64

CHARGE_UNIT = 2.0**40
"""Whole units of the largest charge that one particle can bring to a grid point."""


class CardMeshFilm(NamedTuple):
    """Dipoles of a film on the card, and the grid that they are summed on; see `CardFilm`."""

    film: Any  # CardFilm
    shape: Any  # MeshShape
    whole: Any  # (layers, nx, ny) int64 charges
    grid: Any  # (layers, nx, ny) charges, then the potential
    charges: Any  # complex (layers, nx, ny/2 + 1)
    spectrum: Any  # complex (nz, nx, ny/2 + 1)
    influence: Any  # (nx/2 + 1, ny/2 + 1, nz/2 + 1), of a batch Shared, as the next two
    decay: Any  # float64 (nx/2 + 1, ny/2 + 1)
    layer: Any
    unit: Any  # of the whole charges; of a batch (films,)


@register_jitable(forceinline=True)
def is_summed(mesh):
    """Say whether the mesh of a film is to be summed."""
    chosen = mesh.film.flags[CHOSEN]
    return (chosen == 1) | ((chosen == WHEN_DUE) & (mesh.film.flags[SUM_DUE] != 0))


class MeshKernels(NamedTuple):
    """Kernels of a mesh of one window, and how many threads a slot takes to spread."""

    spread: Any
    gather: Any
    spreaders: int


@kernel
def clear_charges(mesh):
    """Empty the whole charges, and the sum of the moments."""
    i = index()
    layers, nx, ny = mesh.grid.shape
    if not is_summed(mesh):
        return
    if i < layers * nx * ny:
        mesh.whole[i // (nx * ny), i // ny % nx, i % ny] = 0
    if i == 0:
        mesh.film.moments[2] = 0


@kernel
def charges_of(mesh):
    """Turn whole charges into numbers."""
    i = index()
    layers, nx, ny = mesh.grid.shape
    if i < layers * nx * ny and is_summed(mesh):
        c, a, b = i // (nx * ny), i // ny % nx, i % ny
        mesh.grid[c, a, b] = mesh.whole[c, a, b] * mesh.unit


@kernel
def influence_waves(mesh):
    """Multiply the charges' spectrum by the influence function."""
    i = index()
    nz, nx, waves = mesh.spectrum.shape
    if i < nz * nx * waves and is_summed(mesh):
        c, a, b = i // (nx * waves), i // waves % nx, i % waves
        factor = mesh.influence[min(a, nx - a), b, min(c, nz - c)]
        mesh.spectrum[c, a, b] = mesh.spectrum[c, a, b] * factor


@kernel
def copies_waves(mesh):
    """Take the copies of the film in z off the potential, a thread a wave vector of the plane."""
    i = index()
    layers, nx, waves = mesh.charges.shape
    if i >= nx * waves or not is_summed(mesh):
        return
    a, b = i // waves, i % waves
    mirrored = min(a, nx - a)
    weight, decay = mesh.layer[mirrored, b], mesh.decay[mirrored, b]
    if weight == 0.0:
        return
    bottom = top = 0j
    power = 1.0
    for c in range(layers):
        bottom += mesh.charges[c, a, b] * power
        top += mesh.charges[layers - 1 - c, a, b] * power
        power *= decay
    bottom *= weight
    top *= weight
    power = 1.0
    for c in range(layers):
        mesh.spectrum[c, a, b] -= power * top
        mesh.spectrum[layers - 1 - c, a, b] -= power * bottom
        power *= decay


def mesh_kernels(real, width, span, window, induced):
    """Return the kernels of a mesh.

    Parameters
    ----------
    real : str
        Float type of the rows.
    width, span : int
        Grid points under a window, and in a row of its table.
    window : array
        Polynomials of the window, of the grid's float type; constants of the kernels.
    induced : bool
        Whether moments are induced, and their sum is known; far below saturation whole units are
        too coarse for it.
    """
    lane = LANES[window.dtype.name]
    number = window.dtype.type
    few, all_of_them = 4 * width, 9 * width
    terms = window.size // span
    inner = np.ascontiguousarray(window.reshape(terms, span)[:, :width]).ravel()

    @register_jitable(forceinline=True)
    def window_at(m, t):
        """Return window, first and second derivative at a grid point, in grid points."""
        value, slope, bend = lane(inner[m]), lane(0.0), lane(0.0)
        for k in range(1, terms):
            value, slope, bend = next_power(value, slope, bend, t, lane(inner[k * width + m]))
        return value, slope, bend

    @register_jitable(forceinline=True)
    def fill(weights, at, offset, inverse, bends):
        """Write window and first derivative at the points of one axis, and the second if wanted."""
        for m in range(width):
            value, slope, bend = window_at(m, lane(offset))
            weights[at + m] = plain(value)
            weights[at + width + m] = plain(slope * lane(inverse))
            if bends:
                weights[at + 2 * width + m] = plain(bend * lane(2.0 * inverse * inverse))

    @register_jitable(forceinline=True)
    def place_slot(mesh, i):
        """Return the first grid point of a slot, its offsets from there, and its moment."""
        film, shape = mesh.film, mesh.shape
        at = row_at(film, film.flags[BUFFER], i)
        x, y, z, _ = load_words(film.rows, at)
        mx, my, mz, _ = load_words(film.rows, at + moment_after(film))
        a, tx = periodic_place(x * film.unit_x, shape.side_x, shape.points_x, width)
        b, ty = periodic_place(y * film.unit_y, shape.side_y, shape.points_y, width)
        c, tz = open_place(z * film.unit_z, shape.thickness, shape.inverse_z, width, shape.layers)
        moment = f64(plain(of_bits(mx))), f64(plain(of_bits(my))), f64(plain(of_bits(mz)))
        return (i64(a), i64(b), i64(c)), (tx, ty, tz), moment

    @kernel
    def spread(mesh):
        """Add the charges of each slot, m . grad of the window, to the grid.

        A thread has the points at one place along y, so that neighbours write side by side.
        """
        v = index()
        film, shape = mesh.film, mesh.shape
        counts = shared_counts()
        if not is_summed(mesh):  # all threads of a block have the same film
            return
        if thread() == 0:
            counts[0] = 0
        sync()
        i, n = v // width, v % width
        if i < film.count:
            weights = local_numbers(few, number)
            (a, b, c), (tx, ty, tz), (mx, my, mz) = place_slot(mesh, i)
            fill(weights, 0, tx, shape.inverse_x, False)
            fill(weights, 2 * width, tz, shape.inverse_z, False)
            w, d, _ = window_at(n, lane(ty))
            d = d * lane(shape.inverse_y)
            if n == 0:
                atomic_add(counts, 0, np.int32(mz * film.units_a_moment))
            ux, uy, uz = lane(-mx), lane(-my), lane(-mz)
            per_unit = lane(1.0 / mesh.unit)
            at_y = b + n if b + n < shape.points_y else b + n - shape.points_y
            for m in range(width):
                along = lane(weights[m])
                flat = ux * lane(weights[width + m]) * w + uy * along * d
                steep = uz * along * w
                at_x = a + m if a + m < shape.points_x else a + m - shape.points_x
                for k in range(width):
                    wz, dz = lane(weights[2 * width + k]), lane(weights[3 * width + k])
                    charge = (flat * wz + steep * dz) * per_unit
                    atomic_add(mesh.whole, (c + k, at_x, at_y), i64(plain(charge)))
        sync()
        if thread() == 0:
            atomic_add(film.moments, 2, i64(counts[0]))

    @kernel
    def gather(mesh):
        """Keep field and force of the clouds with each slot, less those of its own cloud."""
        i = index()
        film, shape = mesh.film, mesh.shape
        if i >= film.count or not is_summed(mesh):
            return
        weights = local_numbers(all_of_them, number)
        (a, b, c), (tx, ty, tz), (mx, my, mz) = place_slot(mesh, i)
        fill(weights, 0, tx, shape.inverse_x, True)
        fill(weights, 3 * width, ty, shape.inverse_y, True)
        fill(weights, 6 * width, tz, shape.inverse_z, True)
        zero = lane(0.0)
        bx = by = bz = xx = xy = yy = xz = yz = zz = zero
        for m in range(width):
            wx, dx = lane(weights[m]), lane(weights[width + m])
            ex = lane(weights[2 * width + m])
            at_x = a + m if a + m < shape.points_x else a + m - shape.points_x
            for n in range(width):
                wy, dy = lane(weights[3 * width + n]), lane(weights[4 * width + n])
                ey = lane(weights[5 * width + n])
                at_y = b + n if b + n < shape.points_y else b + n - shape.points_y
                flat = steep = bent = zero
                for k in range(width):
                    value = lane(mesh.grid[c + k, at_x, at_y])
                    flat = flat + lane(weights[6 * width + k]) * value
                    steep = steep + lane(weights[7 * width + k]) * value
                    bent = bent + lane(weights[8 * width + k]) * value
                bx, by, bz = bx + dx * wy * flat, by + wx * dy * flat, bz + wx * wy * steep
                xx, xy, yy = xx + ex * wy * flat, xy + dx * dy * flat, yy + wx * ey * flat
                xz, yz, zz = xz + dx * wy * steep, yz + wx * dy * steep, zz + wx * wy * bent
        ux, uy, uz = lane(mx), lane(my), lane(mz)
        total_z = film.moments[2] * film.moment_unit
        if induced:
            total_z = film.magnetisation[2] / film.back_volume
        smooth, side = film.smooth, film.flags[SIDE]
        smooth[side, 0, i] = -plain(ux * xx + uy * xy + uz * xz)
        smooth[side, 1, i] = -plain(ux * xy + uy * yy + uz * yz)
        smooth[side, 2, i] = -plain(ux * xz + uy * yz + uz * zz)
        smooth[side, 3, i] = plain(bx) + shape.own * mx
        smooth[side, 4, i] = plain(by) + shape.own * my
        smooth[side, 5, i] = plain(bz) + shape.own * mz - shape.uniform * total_z

    return MeshKernels(spread, gather, width)
