"""The numbers that stand in a picture file, as the file means them.

TIFF, the format of cameras on microscopes, is read by tifffile: signed and unsigned whole numbers
and floats of any depth, of either byte order. Packed TIFFs that it has no decoder for, PNG, JPEG
and the like are read by pillow, but only in the modes in which pillow keeps every number; what it
would cut down to 8 bits is refused. Sizes are looked at before anything is unpacked.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.common.errors import InputError

MOST_PIXELS = 200_000_000
"""Pixels that a picture may have."""

MOST_BYTES = 400_000_000
"""Bytes that a picture may unpack to."""

SMALLEST_SIDE = 64
"""Pixels along a side from which on a picture can show a spacing."""

TIFF_HEADS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")

GREY_DARK, GREY, COLOUR, PALETTE = 0, 1, 2, 3
"""Photometric interpretations of TIFF 6.0 (1992) that are read: 0 is white, 0 is black, ..."""

REDUCED = 1
"""Bit of NewSubfileType of TIFF 6.0 for a smaller copy of another page."""


class PictureError(InputError):
    """A file that cannot be measured as a picture: one sentence that names it and says why."""


def read_values(path: Path) -> NDArray[Any]:
    """Return the numbers of a picture file.

    Parameters
    ----------
    path : Path
        A picture.

    Returns
    -------
    (rows, columns) or (rows, columns, 3) array
        Grey, or red, green and blue, in the type and the unit of the file; the first row is the
        uppermost. Palettes are looked up; grey that counts from white is turned over.

    Raises
    ------
    PictureError
        Where the file is no picture, holds several, is too small or too large, or holds something
        that is no brightness: complex numbers, layers, inks, pixels that are transparent.
    """
    with _told_in_one_sentence(path):
        with path.open("rb") as file:
            head = file.read(4)
        return _tiff(path) if head in TIFF_HEADS else _other(path)


@contextmanager
def _told_in_one_sentence(path: Path) -> Iterator[None]:
    """Turn whatever a file from somewhere makes of a reader into an error of the file."""
    try:
        with warnings.catch_warnings():
            # pillow warns of pictures that take much memory; ours were looked at before.
            warnings.simplefilter("ignore")
            yield
    except PictureError:
        raise
    except MemoryError as error:
        raise PictureError(f"{path} must fit into memory; there is not enough for it.") from error
    except Exception as error:  # readers of pictures raise anything on a spoilt file
        raise PictureError(
            f"{path} must be a picture such as PNG, TIFF or JPEG; it cannot be read as one."
        ) from error


def _check_size(path: Path, columns: int, rows: int, bytes_each: float) -> None:
    """Refuse what is too small or too large, before it is unpacked."""
    if min(rows, columns) < SMALLEST_SIDE:
        raise PictureError(
            f"{path} must be at least {SMALLEST_SIDE} pixels wide and high; it has "
            f"{columns} x {rows}."
        )
    size = rows * columns * bytes_each
    if rows * columns > MOST_PIXELS or size > MOST_BYTES:
        raise PictureError(
            f"{path} must have at most {MOST_PIXELS // 1_000_000} million pixels and "
            f"{MOST_BYTES // 1_000_000} MB unpacked; it has {columns} x {rows} pixels and "
            f"{size / 1e6:.0f} MB."
        )


def _tiff(path: Path) -> NDArray[Any]:
    """Return the numbers of a TIFF."""
    import tifffile

    with tifffile.TiffFile(path) as file:
        # A page may come with smaller copies of itself.
        pages = [page.aspage() for page in file.pages[:1000]]
        whole = [page for page in pages if not int(page.subfiletype) & REDUCED] or pages[:1]
        if len(whole) != 1:
            raise PictureError(
                f"{path} must hold one picture; it holds {len(whole)}. Save the one to be measured "
                "as a file of its own."
            )
        page = whole[0]
        channels, kind = int(page.samplesperpixel), int(page.photometric)
        _check_size(
            path, int(page.imagewidth), int(page.imagelength), channels * page.bitspersample / 8
        )
        if page.imagedepth != 1:
            raise PictureError(f"{path} must be flat; it holds {page.imagedepth} layers.")
        if page.dtype is None or page.dtype.kind not in "biuf":
            raise PictureError(f"{path} must hold real numbers; it holds others ({page.dtype}).")
        if kind not in (GREY_DARK, GREY, COLOUR, PALETTE):  # such as the colours of JPEG
            return _unpacked(path, page.dtype, page.bitspersample)
        try:
            raw = page.asarray()
        except ValueError:  # no decoder for its packing
            return _unpacked(path, page.dtype, page.bitspersample)
        if page.planarconfig == tifffile.PLANARCONFIG.SEPARATE and channels > 1:
            raw = np.moveaxis(raw, 0, -1)
        if kind == PALETTE:
            raw = np.moveaxis(np.asarray(page.colormap), 0, -1)[raw]
    values = _opaque(raw, path)
    return _turned_over(values, page.bitspersample) if kind == GREY_DARK else values


def _turned_over(values: NDArray[Any], bits: int) -> NDArray[Any]:
    """Return grey that counts from white as grey that counts from black."""
    if values.dtype.kind == "u":
        return np.asarray(values.dtype.type(2**bits - 1) - values)
    if values.dtype.kind == "i":
        return np.asarray(~values)
    return np.asarray(~values if values.dtype.kind == "b" else -values)


def _unpacked(path: Path, dtype: np.dtype[Any], bits: int) -> NDArray[Any]:
    """Return the numbers of a TIFF for whose packing only pillow has a decoder."""
    # Pillow keeps these; of signed and wider whole numbers it mistakes the sign.
    if bits == 8 and dtype == np.uint8:
        return _other(path)
    if bits in (16, 32) and dtype.newbyteorder("=") in (np.uint16, np.float32):
        return _other(path)
    raise PictureError(
        f"{path} must be a TIFF without compression, or with deflate; its numbers ({dtype}) are "
        "packed in a way that cannot be read."
    )


def _other(path: Path) -> NDArray[Any]:
    """Return the numbers of a picture that pillow reads."""
    from PIL import Image

    limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None  # _check_size has its own
    try:
        with Image.open(path) as picture:
            _check_size(path, *picture.size, len(picture.getbands()) * _bytes_of(picture.mode))
            if (many := int(getattr(picture, "n_frames", 1))) != 1:
                raise PictureError(
                    f"{path} must hold one picture; it holds {many}. Save the one to be measured "
                    "as a file of its own."
                )
            if _cut_down(picture):
                raise PictureError(
                    f"{path} must be grey where it has 16 bits, or a TIFF; colours of 16 bits "
                    "cannot be read from it."
                )
            return _opaque(_in_full(picture, path), path)
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def _bytes_of(mode: str) -> int:
    """Bytes a band that pillow keeps of a pixel."""
    return 2 if mode.startswith("I;16") else 4 if mode in ("I", "F") else 1


def _cut_down(picture: Any) -> bool:
    """Return whether pillow would keep but 8 of the 16 bits of a colour."""
    if picture.mode not in ("RGB", "RGBA", "LA"):
        return False
    tiles = [str(tile[3]) for tile in picture.tile if len(tile) > 3]
    return any(";16" in tile for tile in tiles)


def _in_full(picture: Any, path: Path) -> NDArray[Any]:
    """Return the numbers of a picture of pillow's, its palette looked up."""
    mode = str(picture.mode)
    if mode in ("P", "PA"):
        return np.asarray(picture.convert("RGBA"))
    if "transparency" in picture.info:
        clear = picture.info["transparency"]
        if mode in ("L", "RGB", "1"):
            return np.asarray(picture.convert("RGBA"))
        if (np.asarray(picture) == clear).any():
            raise PictureError(f"{path} must be opaque; some of its pixels are transparent.")
    if mode == "YCbCr":
        return np.asarray(picture.convert("RGB"))
    if mode in ("1", "L", "LA", "RGB", "RGBA", "I", "F") or mode.startswith("I;16"):
        return np.asarray(picture)
    raise PictureError(f"{path} must be a grey or colour picture; its pixels are {mode}.")


def _opaque(raw: NDArray[Any], path: Path) -> NDArray[Any]:
    """Return grey, or red, green and blue; the share of a pixel that is not seen must be one."""
    if raw.ndim == 2:
        return raw
    if raw.ndim != 3 or not 1 <= raw.shape[2] <= 4:
        many = raw.shape[2] if raw.ndim == 3 else math.prod(raw.shape[2:])
        raise PictureError(f"{path} must be a grey or colour picture; it has {many} channels.")
    if raw.shape[2] in (2, 4) and np.ptp(raw[..., -1].astype(np.float64)) > 0:
        raise PictureError(
            f"{path} must be opaque; its pixels are transparent to different degrees."
        )
    return raw[..., 0] if raw.shape[2] < 3 else raw[..., :3]
