"""Brightness is what stands in the file, of any depth; what cannot be read is one sentence.

The files are written by tifffile (TIFF 6.0) and pillow; the truth is the array that was written.
"""

import contextlib
import struct
import zlib

import numpy as np
import pytest
import tifffile
from PIL import Image

from analysis.micrograph import picture_values
from analysis.micrograph.picture import LUMINANCE, PictureError, read_picture

SHAPE = (70, 90)


def waves(low, high, dtype):
    """Return a wave between two values, different in every row."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return (low + (high - low) * (0.5 + 0.5 * np.sin(0.3 * x + 0.01 * y))).astype(dtype)


def read(path):
    """Return the brightness with the uppermost row first, as it was written."""
    return read_picture(path, 1e-7).brightness[::-1]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("packing", [None, "zlib"])
@pytest.mark.parametrize(
    ("dtype", "low", "high"),
    [
        ("u1", 3, 200), ("i1", -100, 100), ("u2", 10, 60000), ("i2", -30000, 20000),
        ("u4", 5, 4e9), ("i4", -2e9, 1e9), ("f4", 0.0, 1.0), ("f4", -3e4, 7e5), ("f8", 1e-3, 2e-3),
        ("f2", 0.0, 1.0), ("u8", 5, 2**40),
    ],
)  # fmt: skip
def test_grey_tiff_of_any_depth(tmp_path, order, packing, dtype, low, high):
    written = waves(low, high, dtype)
    path = tmp_path / "grey.tif"
    tifffile.imwrite(path, written, byteorder=order, compression=packing, photometric="minisblack")
    assert np.array_equal(read(path), written.astype(float))


def test_packed_tiff_that_only_pillow_unpacks_keeps_its_numbers_or_is_refused(tmp_path):
    path = tmp_path / "lzw.tif"
    for written in (waves(0, 255, "u1"), waves(10, 60000, "u2"), waves(-2.0, 300.0, "f4")):
        Image.fromarray(written).save(path, compression="tiff_lzw")
        assert np.array_equal(read(path), written.astype(float))
    Image.fromarray(waves(-2e9, 1e9, "i4")).save(path, compression="tiff_lzw")
    with pytest.raises(PictureError, match="without compression, or with deflate"):
        read(path)


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("dtype", ["u1", "u2", "f4"])
def test_colour_tiff_is_luminance(tmp_path, planar, dtype):
    high = {"u1": 255, "u2": 60000, "f4": 1.0}[dtype]
    parts = [waves(0, high, dtype), waves(high, 0, dtype), waves(0.5 * high, 0.2 * high, dtype)]
    colour = np.stack(parts, axis=-1 if planar == "contig" else 0)
    tifffile.imwrite(tmp_path / "c.tif", colour, photometric="rgb", planarconfig=planar)
    truth = sum(w * part.astype(float) for w, part in zip(LUMINANCE, parts, strict=True))
    assert read(tmp_path / "c.tif") == pytest.approx(truth, rel=1e-12)


def test_palette_white_is_zero_and_single_bits(tmp_path):
    indices = waves(0, 255, "u1")
    table = np.random.default_rng(3).integers(0, 65536, (3, 256)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "p.tif", indices, photometric="palette", colormap=table)
    assert read(tmp_path / "p.tif") == pytest.approx(LUMINANCE @ table[:, indices].swapaxes(0, 1))
    tifffile.imwrite(tmp_path / "w.tif", waves(0, 900, "u2"), photometric="miniswhite")
    assert np.array_equal(read(tmp_path / "w.tif"), 65535.0 - waves(0, 900, "u2"))
    paletted = Image.fromarray(indices)
    paletted.putpalette(np.repeat(np.arange(255, -1, -1), 3).astype(np.uint8).tobytes())
    paletted.save(tmp_path / "p.png")
    assert read(tmp_path / "p.png") == pytest.approx(255.0 - indices)
    Image.fromarray(indices > 100).save(tmp_path / "b.png")
    assert np.array_equal(read(tmp_path / "b.png") > 0, indices > 100)


def test_png_of_sixteen_bits_and_alpha(tmp_path):
    written = waves(7, 65000, "u2")
    Image.fromarray(written).save(tmp_path / "g.png")
    assert np.array_equal(read(tmp_path / "g.png"), written.astype(float))
    grey = waves(0, 255, "u1")
    clear = np.full_like(grey, 255)
    Image.fromarray(np.dstack([grey, grey, grey, clear])).save(tmp_path / "a.png")
    assert read(tmp_path / "a.png") == pytest.approx(grey.astype(float))
    clear[5] = 0
    for name, channels in (("a.png", [grey] * 3), ("la.png", [grey])):
        Image.fromarray(np.dstack([*channels, clear])).save(tmp_path / name)
        with pytest.raises(PictureError, match="must be opaque"):
            read(tmp_path / name)
    tifffile.imwrite(
        tmp_path / "a.tif", np.dstack([grey, clear]), photometric="minisblack",
        planarconfig="contig", extrasamples=["unassalpha"],
    )  # fmt: skip
    with pytest.raises(PictureError, match="must be opaque"):
        read(tmp_path / "a.tif")


def deep_png(path):
    """Write a PNG of colours of 16 bits, of which pillow would keep 8 (PNG, third edition)."""

    def chunk(name, data):
        total = struct.pack(">I", zlib.crc32(name + data))
        return struct.pack(">I", len(data)) + name + data + total

    rows, columns = SHAPE
    colour = np.repeat(waves(0, 300, ">u2")[..., None], 3, axis=2)
    lines = b"".join(b"\0" + row.tobytes() for row in colour)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", columns, rows, 16, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(lines))
        + chunk(b"IEND", b"")
    )


def complex_tiff(path):
    tifffile.imwrite(path, waves(0, 1, "f4") + 1j * waves(1, 0, "f4").astype("c8"))


def pages(path):
    tifffile.imwrite(path, np.stack([waves(0, 9, "u1")] * 3), photometric="minisblack")


def animation(path):
    frames = [Image.fromarray(waves(0, high, "u1")) for high in (90, 200)]
    frames[0].save(path, format="GIF", save_all=True, append_images=frames[1:])


def inks(path):
    Image.fromarray(np.dstack([waves(0, 255, "u1")] * 4), mode=None).convert("CMYK").save(path)


def channels(path):
    five = np.dstack([waves(0, 255, "u1")] * 5)
    tifffile.imwrite(path, five, photometric="minisblack", planarconfig="contig")


def gap(path):
    written = waves(0, 1, "f4")
    written[3, 3] = np.nan
    tifffile.imwrite(path, written)


@pytest.mark.parametrize(
    ("name", "write", "said"),
    [
        ("deep.png", deep_png, "colours of 16 bits cannot be read"),
        ("c.tif", complex_tiff, "must hold real numbers"),
        ("pages.tif", pages, "must hold one picture; it holds 3"),
        ("move.gif", animation, "must hold one picture; it holds 2"),
        ("inks.jpg", inks, "its pixels are CMYK"),
        ("five.tif", channels, "5 channels"),
        ("gap.tif", gap, "finite brightness"),
    ],
)
def test_what_is_no_brightness_is_refused(tmp_path, name, write, said):
    path = tmp_path / name
    write(path)
    with pytest.raises(PictureError, match=said) as caught:
        read(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_smaller_copies_of_a_page_do_not_count(tmp_path):
    written = waves(0, 60000, "u2")
    with tifffile.TiffWriter(tmp_path / "copies.tif") as file:
        file.write(written, photometric="minisblack", metadata=None)
        file.write(written[::2, ::2], photometric="minisblack", subfiletype=1, metadata=None)
    assert np.array_equal(read(tmp_path / "copies.tif"), written.astype(float))


def test_spoilt_tiff_is_one_sentence(tmp_path):
    path = tmp_path / "cut.tif"
    tifffile.imwrite(path, waves(0, 60000, "u2"), compression="zlib")
    content = path.read_bytes()
    rng = np.random.default_rng(4)
    for keep in (5, 30, 150, len(content) // 2):
        path.write_bytes(content[:keep])
        with pytest.raises(PictureError, match=r"cut\.tif must"):
            read(path)
    for _ in range(60):
        spoilt = np.frombuffer(content, np.uint8).copy()
        spoilt[rng.integers(0, 300, 3)] ^= rng.integers(1, 256, 3, dtype=np.uint8)
        path.write_bytes(spoilt.tobytes())
        with contextlib.suppress(PictureError):  # any other error fails
            read(path)


def test_size_is_looked_at_before_anything_is_unpacked(tmp_path, monkeypatch):
    # 30000 x 30000 pixels of one brightness: 1 MB of file, 900 MB of numbers.
    def chunk(name, data):
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", 0)

    head = struct.pack(">IIBBBBB", 30000, 30000, 8, 0, 0, 0, 0)
    head = struct.pack(">I", 13) + b"IHDR" + head + struct.pack(">I", zlib.crc32(b"IHDR" + head))
    (tmp_path / "bomb.png").write_bytes(b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", b""))
    with pytest.raises(PictureError, match="at most 200 million pixels and 400 MB unpacked; it"):
        read(tmp_path / "bomb.png")
    monkeypatch.setattr(picture_values, "MOST_BYTES", 70 * 90 * 2 - 1)
    for dtype in ("u2", "f4"):
        tifffile.imwrite(tmp_path / "large.tif", waves(0, 9, dtype))
        with pytest.raises(PictureError, match="it has 90 x 70 pixels"):
            read(tmp_path / "large.tif")
