"""Reads a picture of a film as an array of brightness, of any depth, grey or in colour."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SMALLEST_SIDE = 64
"""Pixels along a side from which on a picture can show a spacing."""

LARGEST_SIDE = 2048
"""Pixels along a side above which pixels are averaged in squares."""

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Weights of red, green and blue; Recommendation ITU-R BT.709 (from memory)."""


class PictureError(ValueError):
    """A file that cannot be measured as a picture: one sentence that names it and says why."""


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
        PNG, TIFF, JPEG or another format that pillow knows; 8 or 16 bit, grey or colour.
    pixel : float
        Side of a pixel in m.

    Returns
    -------
    Picture
        Colours as luminance, transparency ignored; pictures with a side above ``LARGEST_SIDE``
        pixels are averaged in squares.

    Raises
    ------
    PictureError
        Where the file is missing, no picture, too small, too large, or of one brightness.
    """
    if not path.is_file():
        raise PictureError(f"a picture must be a file such as film.png; {path} is not.")
    raw = _read(path)
    if raw.ndim == 3:
        raw = raw[..., :3] @ LUMINANCE if raw.shape[2] >= 3 else raw[..., 0]
    if raw.ndim != 2:
        raise PictureError(f"{path} must be a grey or colour picture; it has {raw.ndim} axes.")
    rows, columns = raw.shape
    if min(rows, columns) < SMALLEST_SIDE:
        raise PictureError(
            f"{path} must be at least {SMALLEST_SIDE} pixels wide and high; it has "
            f"{columns} x {rows}."
        )
    if not np.isfinite(raw).all():
        raise PictureError(f"{path} must hold finite brightness; it holds a value that is not.")
    side = math.ceil(max(rows, columns) / LARGEST_SIDE)
    raw = _averaged(raw, side)
    if min(raw.shape) < SMALLEST_SIDE:
        raise PictureError(
            f"{path} must be less than {LARGEST_SIDE // SMALLEST_SIDE} times as long as wide; it "
            f"has {columns} x {rows} pixels."
        )
    if not np.ptp(raw) > 1e-9 * np.abs(raw).max():
        raise PictureError(f"{path} must show something; every pixel is equally bright.")
    return Picture(raw[::-1].copy(), pixel * side, (columns, rows), side, path.name)


def _read(path: Path) -> Floats:
    """Return the numbers of a picture file, (rows, columns) or (rows, columns, channels)."""
    from matplotlib.image import imread
    from PIL import Image

    try:
        with warnings.catch_warnings():
            # pillow warns of pictures that take much memory to unpack; ours may be that large.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            return np.asarray(imread(path), dtype=np.float64)
    except Image.DecompressionBombError as error:
        most = 2 * (Image.MAX_IMAGE_PIXELS or 0) // 1_000_000
        raise PictureError(
            f"{path} must have at most {most} million pixels; it has more."
        ) from error
    except (OSError, SyntaxError, ValueError, EOFError, TypeError) as error:
        raise PictureError(
            f"{path} must be a picture such as PNG, TIFF or JPEG; it cannot be read as one."
        ) from error


def _averaged(raw: Floats, side: int) -> Floats:
    """Return means of squares of pixels; what does not fill a square at the edge is left out."""
    if side == 1:
        return raw
    rows, columns = (n // side for n in raw.shape)
    squares = raw[: rows * side, : columns * side].reshape(rows, side, columns, side)
    return np.asarray(squares.mean(axis=(1, 3)))
