"""Long arrays and files in pieces on all cores: the same numbers as at once."""

import zlib

import numpy as np
import pytest

from analysis.common import blocks, heaps
from sim.files import checkpoint
from sim.kernels.card import overlaid


@pytest.fixture
def short_pieces(monkeypatch):
    """Have arrays of a thousand rows and files of a kilobyte fall into many pieces."""
    monkeypatch.setattr(blocks, "BLOCK", 100)
    monkeypatch.setattr(blocks, "usable_cores", lambda: 4)


@pytest.mark.parametrize("count", [1, 99, 100, 101, 1003])
def test_a_function_of_each_row_gives_the_bits_that_it_gives_at_once(short_pieces, count):
    """Beside numpy on the whole arrays."""
    places, sizes = np.random.default_rng(1).uniform(1.0, 2.0, (2, count, 3))

    def law(places, sizes):
        return places**3 / np.sqrt(sizes) + np.exp(-sizes)

    assert np.array_equal(blocks.of_each(law, places, sizes), law(places, sizes))
    largest = blocks.largest_of_each(law, places, sizes)
    assert largest == law(places, sizes).max()


def test_what_a_piece_raises_is_raised(short_pieces):
    def law(values):
        if values[0] > 500.0:
            raise ValueError("too large")
        return values

    with pytest.raises(ValueError, match="too large"):
        blocks.of_each(law, np.arange(1000.0))


@pytest.fixture
def small_pieces_of_files(short_pieces, monkeypatch):
    monkeypatch.setattr(checkpoint, "_PIECE_BITS", 6)
    monkeypatch.setattr(checkpoint, "_PIECE", 2**6)
    checkpoint._piece_behind.cache_clear()
    yield
    checkpoint._piece_behind.cache_clear()


@pytest.mark.parametrize("size", [0, 1, 63, 64, 65, 640, 1000])
def test_the_checksum_of_pieces_is_that_of_the_file(small_pieces_of_files, tmp_path, size):
    """Beside zlib's CRC-32 of all bytes at once."""
    content = np.random.default_rng(size).bytes(size)
    path = tmp_path / "file"
    path.write_bytes(content + b"behind")
    assert checkpoint._checksum(path, size) == (zlib.crc32(content), b"behind")


def test_a_checkpoint_is_read_as_it_was_saved_but_for_what_is_spared(
    small_pieces_of_files, tmp_path
):
    numbers = np.random.default_rng(1).normal(size=(40, 3))
    engine = {"x": numbers, "processor": "gpu", "card": {"x": numbers.T.astype("<f4")}}
    path = tmp_path / "checkpoint.h5"
    checkpoint.save(path, checkpoint.Checkpoint("run", 3, 1, {"steps": 3}, engine))
    whole = checkpoint.load(path, {"cpu": ("x",)}).engine
    assert np.array_equal(whole["x"], numbers)
    assert np.array_equal(whole["card"]["x"], engine["card"]["x"])
    assert whole["card"]["x"].dtype == np.float32
    spared = checkpoint.load(path, {"gpu": ("x",)}).engine
    assert "x" not in spared
    assert np.array_equal(spared["card"]["x"], engine["card"]["x"])


@pytest.mark.parametrize("place", [0, 1, 93, 97, 99, 100, 250])
def test_heaps_are_found_across_pieces(short_pieces, monkeypatch, tmp_path, place):
    """One with a free object of size 0, which HDF5 never leaves (File Format 3, section III.E)."""
    monkeypatch.setattr(heaps, "PIECE", 100)
    heap = heaps.HEAD + (64).to_bytes(8, "little") + bytes(48)
    path = tmp_path / "file"
    path.write_bytes(b"G" * place + heap + bytes(200))
    assert heaps.endless_heap(path)
    path.write_bytes(b"x" * place + heap[1:] + bytes(200))
    assert not heaps.endless_heap(path)


def test_arrays_of_a_group_lie_apart_and_those_of_others_in_the_same_memory():
    """Own bookkeeping."""
    groups = [
        {"grid": ((3, 5), np.dtype("f4")), "whole": ((7,), np.dtype("i8"))},
        {"grid": ((3, 5), np.dtype("f4")), "waves": ((2, 4), np.dtype("c8"))},
        {"key": ((1000,), np.dtype("i4"))},
        {},
    ]
    memory = np.zeros(overlaid.bytes_of(groups), np.uint8)
    assert memory.size == 8 * overlaid.LINE  # 4000 bytes
    found = overlaid.parts_of(memory, groups)
    assert {name: part.shape for name, part in found.items()} == {
        "grid": (3, 5), "whole": (7,), "waves": (2, 4), "key": (1000,),
    }  # fmt: skip
    assert found["waves"].dtype == np.complex64
    assert not np.shares_memory(found["grid"], found["whole"])
    assert not np.shares_memory(found["grid"], found["waves"])
    assert np.shares_memory(found["whole"], found["waves"])
    assert np.shares_memory(found["grid"], found["key"])
