"""Short-range part of the dipole sum beside a mesh, by cells: what `dipole_sum` adds to the clouds.

Array kernels without checks, by design. Each row is written by one thread, in a fixed order.
"""

import math

import numpy as np
from numba import njit, prange

from sim.kernels.laws.screened import screened_radial


@njit(cache=True, error_model="numpy")
def cell_of(value, side, cells, periodic):
    """Return the cell of a coordinate in a row of cells."""
    part = value / side if side > 0.0 else 0.0
    if periodic:
        part -= math.floor(part)
    return min(max(int(part * cells), 0), cells - 1)


@njit(cache=True, error_model="numpy")
def sort_cells(positions, sides, thickness, cells, starts, order, sorted_cells):
    """Sort particles by cell, stably; ``starts`` gets one entry more than there are cells."""
    count = positions.shape[0]
    keys = np.empty(count, np.int64)
    starts[:] = 0
    for i in range(count):
        a = cell_of(positions[i, 0], sides[0], cells[0], True)
        b = cell_of(positions[i, 1], sides[1], cells[1], True)
        c = cell_of(positions[i, 2], thickness, cells[2], False)
        keys[i] = (a * cells[1] + b) * cells[2] + c
        starts[keys[i] + 1] += 1
    for n in range(starts.size - 1):
        starts[n + 1] += starts[n]
    place = starts[:-1].copy()
    for i in range(count):
        order[place[keys[i]]] = i
        sorted_cells[place[keys[i]]] = keys[i]
        place[keys[i]] += 1


@njit(cache=True, error_model="numpy")
def add_pair(i, j, positions, moments, sides, cutoff2, table, sums):
    """Add to ``sums`` what dipole j does to dipole i: field and force."""
    rx = positions[i, 0] - positions[j, 0]
    ry = positions[i, 1] - positions[j, 1]
    rz = positions[i, 2] - positions[j, 2]
    rx -= sides[0] * np.rint(rx / sides[0])
    ry -= sides[1] * np.rint(ry / sides[1])
    r2 = rx * rx + ry * ry + rz * rz
    if r2 >= cutoff2:
        return
    b, c, d = screened_radial(r2, cutoff2, table)
    ax, ay, az = moments[i, 0], moments[i, 1], moments[i, 2]
    cx, cy, cz = moments[j, 0], moments[j, 1], moments[j, 2]
    mi = ax * rx + ay * ry + az * rz
    mj = cx * rx + cy * ry + cz * rz
    sums[0] += c * mj * rx - b * cx
    sums[1] += c * mj * ry - b * cy
    sums[2] += c * mj * rz - b * cz
    radial = c * (ax * cx + ay * cy + az * cz) - d * mi * mj
    sums[3] += radial * rx + c * (mj * ax + mi * cx)
    sums[4] += radial * ry + c * (mj * ay + mi * cy)
    sums[5] += radial * rz + c * (mj * az + mi * cz)


@njit(cache=True, error_model="numpy", parallel=True)
def add_near_field_force(
    positions, moments, sides, cutoff, table, cells, starts, order, sorted_cells, field, force
):
    """Add the short-range part to field and force.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
    sides : float64 (2,)
    cutoff : float
        At most half the shorter side: one image of each pair.
    table : float64
        Of `screened_radial`.
    cells : int64 (3,)
        Numbers of cells, none narrower than the cutoff unless alone.
    starts, order, sorted_cells : int64
        From `sort_cells`.
    field, force : float64 (N, 3)
        Added to.
    """
    cutoff2 = cutoff * cutoff
    for k in prange(positions.shape[0]):
        i = order[k]
        sums = np.zeros(6)
        cell = sorted_cells[k]
        c = cell % cells[2]
        b = (cell // cells[2]) % cells[1]
        a = cell // (cells[2] * cells[1])
        low, high = max(c - 1, 0), min(c + 1, cells[2] - 1)
        # One cell or two in a row: each neighbour is visited once.
        for shift_a in range(-1 if cells[0] > 2 else 0, min(cells[0], 2)):
            for shift_b in range(-1 if cells[1] > 2 else 0, min(cells[1], 2)):
                row = (a + shift_a + cells[0]) % cells[0] * cells[1]
                row = (row + (b + shift_b + cells[1]) % cells[1]) * cells[2]
                for n in range(starts[row + low], starts[row + high + 1]):
                    if order[n] != i:
                        add_pair(i, order[n], positions, moments, sides, cutoff2, table, sums)
        for axis in range(3):
            field[i, axis] += sums[axis]
            force[i, axis] += sums[3 + axis]
