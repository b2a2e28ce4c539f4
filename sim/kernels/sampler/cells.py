"""Cells of the sampler: which particles stand near a place. No checks by design."""

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
def around(index, count):
    """Return the first cell and the end of those beside ``index`` on a side that repeats.

    All, where these would meet themselves.
    """
    if count < 3:
        return 0, count
    return index - 1, index + 2


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
