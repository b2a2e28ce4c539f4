"""Cells of the sampler: which particles stand near a place. No checks by design."""

import math

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.sampler.layout import NONE, X, Y, Z
from sim.kernels.vectors.ops import where

NEXT, PREVIOUS, CELL = range(3)


@njit(cache=True, error_model="numpy")
def indices_of(cells, film, x, y, z):
    """Return the three indices of the cell of a place whose x and y lie in the patch."""
    ix = min(cells.x - 1, max(0, np.int64(x / film.side_x * cells.x)))
    iy = min(cells.y - 1, max(0, np.int64(y / film.side_y * cells.y)))
    iz = min(cells.z - 1, max(0, np.int64(z / film.thickness * cells.z)))
    return ix, iy, iz


@njit(cache=True, error_model="numpy")
def cell_of(cells, film, x, y, z):
    """Return the cell of a place whose x and y lie in the patch."""
    ix, iy, iz = indices_of(cells, film, x, y, z)
    return (ix * cells.y + iy) * cells.z + iz


@njit(cache=True, error_model="numpy")
def put(cells, i, cell):
    """Put a particle first in a cell."""
    head, links = cells.head, cells.links
    after = head[cell]
    links[i, NEXT] = after
    links[i, PREVIOUS] = NONE
    links[i, CELL] = cell
    if after != NONE:
        links[after, PREVIOUS] = i
    head[cell] = i


@njit(cache=True, error_model="numpy")
def take(cells, i):
    """Take a particle out of its cell."""
    head, links = cells.head, cells.links
    before, after = links[i, PREVIOUS], links[i, NEXT]
    if before == NONE:
        head[links[i, CELL]] = after
    else:
        links[before, NEXT] = after
    if after != NONE:
        links[after, PREVIOUS] = before


@njit(cache=True, error_model="numpy")
def fill(cells, film):
    """Put all particles into their cells, in the same order whatever was there before."""
    cells.head[:] = NONE
    rows = film.rows
    for i in range(rows.shape[0] - 1, -1, -1):
        put(cells, i, cell_of(cells, film, rows[i, X], rows[i, Y], rows[i, Z]))


@njit(cache=True, error_model="numpy")
def follow(cells, film, i):
    """Bring a particle into the cell where its row now says that it is."""
    rows = film.rows
    cell = cell_of(cells, film, rows[i, X], rows[i, Y], rows[i, Z])
    if cell != cells.links[i, CELL]:
        take(cells, i)
        put(cells, i, cell)


@njit(cache=True, error_model="numpy", inline="always")
def around(index, count, wide):
    """Return the first cell and the end of those about ``index`` on a side that repeats.

    All, where these would meet themselves.
    """
    if count < 2 * wide + 1:
        return 0, count
    return index - wide, index + wide + 1


@njit(cache=True, error_model="numpy", inline="always")
def repeated(index, count):
    """Return the cell that an index less than a period beside the row stands for."""
    if index < 0:
        return index + count
    return index - count if index >= count else index


@njit(cache=True, error_model="numpy")
def particles_near(cells, film, x, y, z, reach, found):
    """Fill ``found`` with the particles nearer to a place than ``reach``; return their number.

    The one walk over cells of the sampler. ``reach`` is that of the cells at most, ``found`` one
    longer than the film has particles.
    """
    head, links, rows = cells.head, cells.links, film.rows
    side_x, side_y = film.side_x, film.side_y
    reach2 = reach * reach
    ix, iy, iz = indices_of(cells, film, x, y, z)
    first_x, end_x = around(ix, cells.x, math.ceil(reach * cells.x / side_x))
    first_y, end_y = around(iy, cells.y, math.ceil(reach * cells.y / side_y))
    first_z, end_z = max(0, iz - 1), min(cells.z, iz + 2)
    number = 0
    for jx in range(first_x, end_x):
        row = repeated(jx, cells.x) * cells.y
        for jy in range(first_y, end_y):
            column = (row + repeated(jy, cells.y)) * cells.z
            for cell in range(column + first_z, column + end_z):
                j = head[cell]
                while j != NONE:
                    dx = wrapped(x - rows[j, X], side_x)
                    dy = wrapped(y - rows[j, Y], side_y)
                    dz = z - rows[j, Z]
                    # written in any case, and counted without a branch that none could foretell
                    found[number] = j
                    number += dx * dx + dy * dy + dz * dz < reach2
                    j = links[j, NEXT]
    return number


@register_jitable(forceinline=True)
def wrapped(length, side):
    """Return a difference of two places of the patch to the nearest image."""
    half = 0.5 * side
    length = where(length > half, length - side, length)
    return where(length < -half, length + side, length)


@njit(cache=True, error_model="numpy", inline="always")
def inside(length, side):
    """Return a coordinate brought back into the patch."""
    back = length - side * np.floor(length / side)
    return 0.0 if back >= side else back
