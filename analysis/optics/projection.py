"""The film projected along z: how much particle material light passes at each place."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CELLS_PER_DIAMETER = 6.0
MOST_CELLS = 512
"""Cells along an axis of the patch; larger patches get coarser cells."""

BLOCK = 4_000_000
"""Cells that are filled at once."""


def grid_shape(sides: Floats, diameter: float) -> tuple[int, int]:
    """Return the cells (rows along y, columns along x) that resolve particles of a diameter."""
    wanted = [int(side / diameter * CELLS_PER_DIAMETER) for side in sides]
    columns, rows = (min(MOST_CELLS, max(16, cells)) for cells in wanted)
    return rows, columns


def particle_thickness(
    positions: Floats, diameters: Floats, sides: Floats, shape: tuple[int, int]
) -> Floats:
    """Return the path through particles along z at each place of the periodic patch.

    Parameters
    ----------
    positions : (N, 3) array
        Centres in m; z is not used.
    diameters : (N,) array
        Diameters in m.
    sides : (2,) array
        Patch in m.
    shape : tuple of int
        Rows along y and columns along x.

    Returns
    -------
    shape array
        Path in m. Each sphere adds its chords at the centres of cells, scaled so that the map
        holds its volume whatever the cells.
    """
    rows, columns = shape
    cell = np.array([sides[0] / columns, sides[1] / rows])
    flat = np.zeros(rows * columns)
    # Without a cell of margin a particle smaller than a cell could miss every centre.
    reach = np.ceil(0.5 * float(np.max(diameters, initial=0.0)) / cell).astype(int) + 1
    dx, dy = (np.arange(-r, r + 1) for r in reach)
    part = max(1, BLOCK // (len(dx) * len(dy)))
    for first in range(0, len(positions), part):
        points = positions[first : first + part, :2] / cell
        radius = 0.5 * diameters[first : first + part, None, None]
        corner = np.floor(points).astype(np.int64)
        x = ((corner[:, :1] + dx + 0.5) - points[:, :1]) * cell[0]
        y = ((corner[:, 1:] + dy + 0.5) - points[:, 1:]) * cell[1]
        away = x[:, None, :] ** 2 + y[:, :, None] ** 2
        # The floor gives a particle that no centre hits to the cell that it is in.
        chord = 2 * np.sqrt(np.maximum(radius**2 - away, 0.0))
        chord[:, reach[1], reach[0]] += 1e-9 * radius[:, 0, 0]
        volume = math.pi / 6 * (2 * radius) ** 3
        chord *= volume / (chord.sum(axis=(1, 2), keepdims=True) * cell[0] * cell[1])
        column = (corner[:, :1] + dx) % columns
        row = (corner[:, 1:] + dy) % rows
        index = row[:, :, None] * columns + column[:, None, :]
        flat += np.bincount(index.ravel(), chord.ravel(), minlength=len(flat))
    return flat.reshape(shape)


def wave_vectors(shape: tuple[int, int], sides: Floats) -> tuple[Floats, Floats]:
    """Return qx (1, columns) and qy (rows, 1) of the discrete transform of a map, in rad/m."""
    rows, columns = shape
    qx = 2 * math.pi * np.fft.fftfreq(columns, sides[0] / columns)
    qy = 2 * math.pi * np.fft.fftfreq(rows, sides[1] / rows)
    return qx[None, :], qy[:, None]


def resolved(thickness: Floats, sides: Floats, wavelength: float, aperture: float) -> Floats:
    """Return a map as a microscope without aberrations shows it in light from all directions.

    Parameters
    ----------
    thickness : array
        Map of the periodic patch, rows along y.
    sides : (2,) array
        Patch in m.
    wavelength, aperture : float
        Vacuum wavelength in m and numerical aperture.

    Returns
    -------
    array
        The map without what is finer than wavelength/(2 aperture); its mean stays.

    Notes
    -----
    Transfer function of a round pupil in incoherent light, (2/pi)(arccos v - v sqrt(1 - v^2)) with
    v = q wavelength/(4 pi aperture); Goodman, Introduction to Fourier Optics, section 6.3 (from
    memory).
    """
    qx, qy = wave_vectors(thickness.shape, sides)
    v = np.minimum(np.hypot(qx, qy) * wavelength / (4 * math.pi * aperture), 1.0)
    transfer = 2 / math.pi * (np.arccos(v) - v * np.sqrt(1 - v**2))
    return np.asarray(np.fft.ifft2(np.fft.fft2(thickness) * transfer).real)
