"""Reads a picture of a film as an array of brightness, of any depth, grey or in colour."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.arrays import Floats
from analysis.files.checks import NUMBER, largest
from analysis.micrograph.picture_values import SMALLEST_SIDE, PictureError, read_values

__all__ = ["Picture", "PictureError", "read_picture"]

BAND_PIXELS = 1_000_000
"""Pixels that become floats at once."""

LARGEST_SIDE = 2048
"""Pixels along a side above which pixels are averaged in squares."""

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Weights of red, green and blue; Recommendation ITU-R BT.709 (from memory)."""


@dataclass(frozen=True)
class Picture:
    """Brightness of a picture.

    Attributes
    ----------
    brightness : (rows, columns) array
        Any unit; the first row is the lowest, so that y runs up.
    pixel : float
        Side of a pixel in m, after any averaging.
    pixels : tuple of int
        Columns and rows in the file.
    averaged : int
        Pixels along the side of the squares that were averaged; 1 for none.
    name : str
        The file.
    """

    brightness: Floats
    pixel: float
    pixels: tuple[int, int]
    averaged: int
    name: str

    @property
    def sides(self) -> Floats:
        """Width and height in m, (2,)."""
        return np.array(self.brightness.shape[::-1]) * self.pixel


def read_picture(path: Path, pixel: float) -> Picture:
    """Read a picture file.

    Parameters
    ----------
    path : Path
        TIFF of whole numbers or floats of any depth; PNG, JPEG or another format that pillow
        knows, 8 bit, or grey of 16 bit. Grey or colour, one picture, opaque.
    pixel : float
        Side of a pixel in m.

    Returns
    -------
    Picture
        Colours as luminance; pictures with a side above ``LARGEST_SIDE`` pixels are averaged in
        squares.

    Raises
    ------
    PictureError
        Where the file is missing, no picture, too small, too large, of one brightness, or where it
        holds what is no brightness.
    """
    if not path.is_file():
        raise PictureError(f"a picture must be a file such as film.png; {path} is not.")
    raw = read_values(path)
    rows, columns = raw.shape[:2]
    side = math.ceil(max(rows, columns) / LARGEST_SIDE)
    if min(rows, columns) // side < SMALLEST_SIDE:
        raise PictureError(
            f"{path} must be less than {LARGEST_SIDE // SMALLEST_SIDE} times as long as wide; it "
            f"has {columns} x {rows} pixels."
        )
    raw = _brightness(raw, side)
    if not largest(raw) <= NUMBER:
        raise PictureError(
            f"{path} must hold finite brightness of at most {NUMBER:g}; it holds a value that is "
            "larger or not a number."
        )
    # Two numbers of single precision that differ at all differ by more than this.
    if not np.ptp(raw) > 1e-9 * np.abs(raw).max():
        raise PictureError(f"{path} must show something; every pixel is equally bright.")
    return Picture(raw[::-1].copy(), pixel * side, (columns, rows), side, path.name)


def _brightness(raw: NDArray[Any], side: int) -> Floats:
    """Return the luminance as means of squares of pixels.

    What does not fill a square at the edge is left out. A few rows at a time become floats: a
    large picture does not take eight times its memory.
    """
    rows, columns = (n // side for n in raw.shape[:2])
    out = np.empty((rows, columns))
    band = max(1, BAND_PIXELS // (side * side * columns))
    for first in range(0, rows, band):
        last = min(first + band, rows)
        part = raw[first * side : last * side, : columns * side].astype(np.float64)
        grey = part @ LUMINANCE if part.ndim == 3 else part
        out[first:last] = grey.reshape(last - first, side, columns, side).mean(axis=(1, 3))
    return out
