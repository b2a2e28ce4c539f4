"""The vector type: every operation of compiled code against numpy, for both float types."""

import math

import numpy as np
import pytest
from numba import njit

from sim.kernels.vectors import lists as vector_lists
from sim.kernels.vectors import rows as vector_rows
from sim.kernels.vectors import types as vector
from sim.kernels.vectors.ops import fma, rsqrt, where

TYPES = [np.float32, np.float64]
LANES = {np.float32: 16, np.float64: 8}
u64 = np.uint64


@njit
def arithmetic(x, y, scalar, out):
    """Write x + y, x - y, x * y, x / y, scalar - x, x * 2 (a whole number), one vector each."""
    a, b = vector.load(x, u64(0)), vector.load(y, u64(0))
    lanes = u64(x.size)
    vector.store(out, u64(0), a + b)
    vector.store(out, lanes, a - b)
    vector.store(out, u64(2) * lanes, a * b)
    vector.store(out, u64(3) * lanes, a / b)
    vector.store(out, u64(4) * lanes, scalar - a)
    vector.store(out, u64(5) * lanes, a * 2)


@njit
def comparisons(x, y, out):
    """Write 1 where x < y, x > y, x <= y, x >= y, x < 0.25, and 0 elsewhere."""
    a, b = vector.load(x, u64(0)), vector.load(y, u64(0))
    lanes = u64(x.size)
    one, zero = vector.spread(x[0] / x[0]), vector.spread(x[0] - x[0])  # of the float type
    vector.store(out, u64(0), where(a < b, one, zero))
    vector.store(out, lanes, where(a > b, one, zero))
    vector.store(out, u64(2) * lanes, where(a <= b, one, zero))
    vector.store(out, u64(3) * lanes, where(a >= b, one, zero))
    vector.store(out, u64(4) * lanes, where(b < 0.25, a, -1.0))


@njit
def roots(x, out):
    """Write 1/sqrt(x) for a whole array."""
    k = u64(0)
    while k < u64(x.size):
        vector.store(out, k, rsqrt(vector.load(x, k)))
        k += vector_lanes(x)


@njit
def vector_lanes(x):
    """Return how many floats of the array's type a vector holds."""
    return u64(64 // x.itemsize)


@njit
def scalar_words(x, y):
    """Use the same words on scalars."""
    return where(x < y, rsqrt(x), y)


@njit
def rounding(x, out):
    """Write the nearest whole numbers."""
    vector.store(out, u64(0), vector.nearest(vector.load(x, u64(0))))


@njit
def spreading(x, out):
    """Write the first number in all lanes."""
    vector.store(out, u64(0), vector.spread(x[0]))


@njit
def rows_to_words(table, index, start, out):
    """Write the eight words of the indexed rows, word by word."""
    words = vector_rows.load_rows(table, index, start)
    lanes = vector_lanes(table)
    vector.store(out, u64(0), words[0])
    vector.store(out, lanes, words[1])
    vector.store(out, u64(2) * lanes, words[2])
    vector.store(out, u64(3) * lanes, words[3])
    vector.store(out, u64(4) * lanes, words[4])
    vector.store(out, u64(5) * lanes, words[5])
    vector.store(out, u64(6) * lanes, words[6])
    vector.store(out, u64(7) * lanes, words[7])


@njit
def sums_of_lanes(x, start, out):
    """Write the sum over the lanes of each of eight vectors."""
    n = vector_lanes(x)
    a, b = vector.load(x, u64(0)), vector.load(x, n)
    c, d = vector.load(x, u64(2) * n), vector.load(x, u64(3) * n)
    e, f = vector.load(x, u64(4) * n), vector.load(x, u64(5) * n)
    g, h = vector.load(x, u64(6) * n), vector.load(x, u64(7) * n)
    vector_rows.store_sums(out, start, (a, b, c, d, e, f, g, h))


@njit
def fixed_difference(mine, table, index, out):
    """Write mine - word 0 of the indexed rows, both read as fixed-point integers."""
    words = vector_rows.load_rows(table, index, u64(0))
    vector.store(out, u64(0), vector_rows.wrapped_difference(mine, words[0]))


@njit
def near(close, closes, others, found, index, xs, ys, zs, start, x, y, z, touch2, reach2, me):
    """Append the near ones of 16 candidates."""
    return vector_lists.append_near(
        close, closes, others, found, index, xs, ys, zs, start, x, y, z, touch2, reach2, me
    )


def drawn(dtype, count=None, seed=1, low=-2.0, high=2.0):
    """Return random numbers, one vector of them unless told otherwise."""
    values = np.random.default_rng(seed).uniform(low, high, count or LANES[dtype])
    return values.astype(dtype)


@pytest.mark.parametrize("dtype", TYPES)
def test_arithmetic(dtype):
    x, y = drawn(dtype, seed=1), drawn(dtype, seed=2)
    out = np.zeros(6 * x.size, dtype)
    arithmetic(x, y, dtype(1.5), out)
    wanted = [x + y, x - y, x * y, x / y, dtype(1.5) - x, x * dtype(2)]
    np.testing.assert_allclose(out.reshape(6, -1), wanted, rtol=2 * np.finfo(dtype).eps)


@pytest.mark.parametrize("dtype", TYPES)
def test_comparisons(dtype):
    x, y = drawn(dtype, seed=1), drawn(dtype, seed=2)
    x[3] = y[3]
    x[5] = math.nan  # false in every comparison
    out = np.zeros(5 * x.size, dtype)
    comparisons(x, y, out)
    with np.errstate(invalid="ignore"):
        wanted = [x < y, x > y, x <= y, x >= y, np.where(y < 0.25, x, dtype(-1))]
    np.testing.assert_array_equal(out.reshape(5, -1), np.array(wanted, dtype))
    assert out[3] == 0
    assert out[2 * x.size + 3] == 1
    assert not out.reshape(5, -1)[:4, 5].any()


def test_where_takes_the_chosen_side_even_of_nan():
    # A law is evaluated on both sides; a NaN on the side not chosen must not leak.
    x = np.full(8, math.nan)
    out = np.zeros(40)
    comparisons(x, np.ones(8), out)
    assert (out[32:] == -1.0).all()
    comparisons(x, np.zeros(8), out)
    assert np.isnan(out[32:]).all()


@pytest.mark.parametrize("dtype", TYPES)
def test_reciprocal_root_to_a_few_digits_in_the_last_place(dtype):
    # Squared distances from 1e-8 to 1e8, far beyond what a film holds.
    x = np.exp(drawn(dtype, 4096, low=-18.0, high=18.0).astype(float)).astype(dtype)
    out = np.zeros_like(x)
    roots(x, out)
    exact = 1.0 / np.sqrt(x.astype(np.longdouble))
    worst = np.max(np.abs(out.astype(np.longdouble) / exact - 1.0)) / np.finfo(dtype).eps
    assert worst < 3.0


def test_scalars_and_arrays_use_the_same_words():
    assert scalar_words(0.25, 1.0) == 2.0
    assert scalar_words(4.0, 1.0) == 1.0
    np.testing.assert_array_equal(rsqrt(np.array([0.25, 4.0])), [2.0, 0.5])
    np.testing.assert_array_equal(where(np.array([True, False]), 1.0, 2.0), [1.0, 2.0])


@pytest.mark.parametrize("dtype", TYPES)
def test_nearest_whole_number(dtype):
    x = drawn(dtype)
    x[:4] = [0.5, 1.5, -0.5, -2.5]
    out = np.zeros_like(x)
    rounding(x, out)
    np.testing.assert_array_equal(out, np.rint(x))


@pytest.mark.parametrize("dtype", TYPES)
def test_spread(dtype):
    x, out = drawn(dtype), np.zeros(LANES[dtype], dtype)
    spreading(x, out)
    assert (out == x[0]).all()


@pytest.mark.parametrize("dtype", TYPES)
@pytest.mark.parametrize("start", [0, 3])
def test_rows_are_read_and_transposed(dtype, start):
    rows = drawn(dtype, 8 * 40).reshape(40, 8)
    picked = np.random.default_rng(4).integers(0, 40, LANES[dtype] + start)
    out = np.zeros(8 * LANES[dtype], dtype)
    rows_to_words(rows.ravel(), (8 * picked).astype(np.uint32), u64(start), out)
    np.testing.assert_array_equal(out.reshape(8, -1), rows[picked[start:]].T)


@pytest.mark.parametrize("dtype", TYPES)
def test_sums_over_lanes(dtype):
    x = drawn(dtype, 8 * LANES[dtype])
    out = np.full(20, 7.0, dtype)
    sums_of_lanes(x, u64(5), out)
    wanted = x.reshape(8, -1).astype(float).sum(axis=1)
    np.testing.assert_allclose(out[5:13], wanted, atol=32 * np.finfo(dtype).eps)
    assert (out[:5] == 7.0).all()
    assert (out[13:] == 7.0).all()


@pytest.mark.parametrize(("dtype", "whole"), [(np.float32, np.int32), (np.float64, np.int64)])
def test_difference_of_fixed_points_is_the_nearest_image(dtype, whole):
    lanes, period = LANES[dtype], 2.0 ** (32 if dtype is np.float32 else 64)
    places = np.linspace(0.0, 0.99, lanes)
    words = np.zeros((lanes, 8), whole)
    words[:, 0] = [int((p - round(p)) * period) for p in places]
    index = (8 * np.arange(lanes)).astype(np.uint32)
    out = np.zeros(lanes, dtype)
    mine = 0.9
    fixed_difference(whole(int((mine - 1.0) * period)), words.ravel().view(dtype), index, out)
    gap = mine - places
    np.testing.assert_allclose(out / period, gap - np.rint(gap), atol=1e-7)


def test_vectors_append_what_is_near_and_nothing_else():
    rng = np.random.default_rng(6)
    xs, ys, zs = rng.uniform(-1.0, 1.0, (3, 48)).astype(np.float32)
    numbers = rng.permutation(1000)[:48].astype(np.uint32)
    me, reach2 = numbers[20], np.float32(0.8)
    x, y, z = np.float32(0.1), np.float32(-0.2), np.float32(0.3)
    touch2 = np.float32(0.2)
    close, others = np.zeros((2, 80), np.uint32)
    closes, found = 1, 2
    for start in (0, 16, 32):
        closes, found = near(
            close, u64(closes), others, u64(found), numbers, xs, ys, zs, u64(start),
            x, y, z, touch2, reach2, np.uint32(me),
        )  # fmt: skip
    r2 = (xs - x) ** 2 + (ys - y) ** 2 + (zs - z) ** 2
    wanted = numbers[(r2 < touch2) & (numbers != me)]
    assert wanted.size > 1
    np.testing.assert_array_equal(close[1:closes], wanted)
    wanted = numbers[(r2 < reach2) & (r2 >= touch2) & (numbers != me)]
    assert 5 < wanted.size < 40
    np.testing.assert_array_equal(others[2:found], wanted)
    assert (close[:1] == 0).all()
    assert (others[:2] == 0).all()


def test_candidates_that_are_not_numbers_are_not_near():
    xs = np.full(16, math.nan, np.float32)
    close, others = np.zeros((2, 32), np.uint32)
    zero = np.float32(0)
    numbers = np.arange(16, dtype=np.uint32)
    far = np.float32(1e30)
    assert near(close, u64(0), others, u64(0), numbers, xs, xs, xs, u64(0), zero, zero, zero,
                far, far, np.uint32(99)) == (0, 0)  # fmt: skip


@njit
def packed(rows, x, inverse):
    """Write rows whose words are a fixed point, and seven times the number itself."""
    value = vector_rows.load_for(rows, x, u64(0))
    number = vector_rows.as_words(rows, value)
    fixed = vector_rows.as_fixed_point(rows, value, inverse)
    two = number * 2.0
    words = (fixed, number, two, number + 1.0, number - 1.0, -number, two + 1.0, two - 1.0)
    vector_rows.store_rows(rows, u64(8), words)


@pytest.mark.parametrize(("dtype", "whole"), [(np.float32, np.int32), (np.float64, np.int64)])
def test_rows_are_written_one_after_the_other(dtype, whole):
    lanes = LANES[dtype]
    x = np.random.default_rng(3).uniform(-20.0, 20.0, lanes)
    x[:4] = [0.0, 5.0, -5.0, np.nextafter(5.0, 0.0)]  # half a period is the far end of the words
    rows = np.full(8 * (lanes + 2), 7.0, dtype)
    packed(rows, x, 0.1)
    assert (rows[:8] == 7.0).all()
    assert (rows[-8:] == 7.0).all()
    table = rows[8:-8].reshape(lanes, 8)
    n = x.astype(dtype)
    one, two = dtype(1), dtype(2)
    wanted = [n, two * n, n + one, n - one, -n, two * n + one, two * n - one]
    np.testing.assert_allclose(table[:, 1:].T, wanted, rtol=4 * np.finfo(dtype).eps, atol=1e-6)
    share = np.ascontiguousarray(table[:, 0]).view(whole) / 2.0 ** (8 * dtype().itemsize)
    turns = x * 0.1 - share
    np.testing.assert_allclose(turns, np.rint(turns), atol=1e-8)


@njit
def singly(x, out):
    """Read single precision as double, double it, and write it back."""
    vector.store_single(out, u64(1), vector.load_single(x, u64(2)) * 2.0)


def test_single_precision_is_read_as_double_and_written_back():
    x = np.arange(12, dtype=np.float32) + np.float32(0.1)
    out = np.full(10, 7.0, np.float32)
    singly(x, out)
    np.testing.assert_array_equal(out[1:9], 2 * x[2:10])
    assert out[0] == out[9] == 7.0


@njit
def products(x, y, z, out):
    """Multiply and add, and change the sign."""
    a, b, c = vector.load(x, u64(0)), vector.load(y, u64(0)), vector.load(z, u64(0))
    vector.store(out, u64(0), -fma(a, b, c))


@pytest.mark.parametrize("dtype", TYPES)
def test_multiplying_and_adding(dtype):
    x, y, z = drawn(dtype, seed=1), drawn(dtype, seed=2), drawn(dtype, seed=3)
    out = np.zeros_like(x)
    products(x, y, z, out)
    wanted = -(x.astype(float) * y + z)
    np.testing.assert_allclose(out, wanted, atol=8 * np.finfo(dtype).eps)
    np.testing.assert_array_equal(fma(x, y, z), x * y + z)
