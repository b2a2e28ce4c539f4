"""Plain sum of point dipoles within a cutoff, nearest images in x and y, z open.

Array kernels without checks, by design.
"""

import math

import numpy as np
from numba import njit, prange


@njit(cache=True, error_model="numpy")
def cutoff_row(i, positions, moments, width_x, width_y, cutoff, field, force):
    """Set row i to field and force of all nearest images within the cutoff."""
    bx = by = bz = fx = fy = fz = 0.0
    ax = moments[i, 0]
    ay = moments[i, 1]
    az = moments[i, 2]
    for j in range(positions.shape[0]):
        if j == i:
            continue
        rx = positions[i, 0] - positions[j, 0]
        ry = positions[i, 1] - positions[j, 1]
        rz = positions[i, 2] - positions[j, 2]
        rx -= width_x * np.rint(rx / width_x)
        ry -= width_y * np.rint(ry / width_y)
        r2 = rx * rx + ry * ry + rz * rz
        if r2 > cutoff * cutoff:
            continue
        inverse2 = 1.0 / r2
        b = inverse2 * math.sqrt(inverse2)
        c = 3.0 * b * inverse2
        d = 5.0 * c * inverse2
        cx = moments[j, 0]
        cy = moments[j, 1]
        cz = moments[j, 2]
        mi = ax * rx + ay * ry + az * rz
        mj = cx * rx + cy * ry + cz * rz
        bx += c * mj * rx - b * cx
        by += c * mj * ry - b * cy
        bz += c * mj * rz - b * cz
        radial = c * (ax * cx + ay * cy + az * cz) - d * mi * mj
        fx += radial * rx + c * (mj * ax + mi * cx)
        fy += radial * ry + c * (mj * ay + mi * cy)
        fz += radial * rz + c * (mj * az + mi * cz)
    field[i, 0] = bx
    field[i, 1] = by
    field[i, 2] = bz
    force[i, 0] = fx
    force[i, 1] = fy
    force[i, 2] = fz


@njit(cache=True, error_model="numpy", parallel=True)
def cutoff_field_force(positions, moments, width_x, width_y, cutoff, field, force):
    """Field at, and force on, each dipole from the nearest images within the cutoff.

    Parameters
    ----------
    positions, moments : float64 (N, 3)
    width_x, width_y, cutoff : float
        Sides of the periodic patch and the range, in the unit of the positions.
    field, force : float64 (N, 3)
        Results, overwritten.
    """
    for i in prange(positions.shape[0]):
        cutoff_row(np.int64(i), positions, moments, width_x, width_y, cutoff, field, force)
