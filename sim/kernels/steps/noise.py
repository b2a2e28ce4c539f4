"""Counter-based normal noise: a pure function of (seed, step, particle), on any thread.

Philox 4x32-10 (J. K. Salmon, M. A. Moraes, R. O. Dror and D. E. Shaw, "Parallel random
numbers: as easy as 1, 2, 3", SC11 (2011)) keyed by the 64 bits of the seed, with the counter
(particle, low and high word of the step, stream); Box-Muller pairs from single-precision
polynomials. The two loops over a block are kept apart so that the compiler vectorises them.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.steps.layout import AXES, BLOCK
from sim.kernels.vectors.casts import bits_of_float, float_of_bits

__all__ = ["AXES", "BLOCK", "normals", "philox"]

u64 = np.uint64
f32 = np.float32
i32 = np.int32


@njit(error_model="numpy", inline="always")
def philox(counter_0, counter_1, counter_2, counter_3, seed):
    """Return four 32-bit random words (held in uint64) for a counter and a 64-bit seed."""
    low = u64(0xFFFFFFFF)
    key_0 = seed & low
    key_1 = seed >> u64(32)
    for _ in range(10):
        product_0 = u64(0xD2511F53) * u64(counter_0)
        product_1 = u64(0xCD9E8D57) * u64(counter_2)
        counter_0 = u64(product_1 >> u64(32)) ^ u64(counter_1) ^ key_0
        counter_2 = u64(product_0 >> u64(32)) ^ u64(counter_3) ^ key_1
        counter_1 = product_1 & low
        counter_3 = product_0 & low
        key_0 = (key_0 + u64(0x9E3779B9)) & low
        key_1 = (key_1 + u64(0xBB67AE85)) & low
    return counter_0, counter_1, counter_2, counter_3


@njit(error_model="numpy", inline="always", fastmath=True)
def _log(u):
    """Return ln(u) of a positive normal float32, to 1e-7 (minimax polynomial on [0.71, 1.41])."""
    bits = bits_of_float(u) - i32(0x3F3504F3)
    exponent = i32(bits >> i32(23))
    x = float_of_bits(i32(i32(bits & i32(0x7FFFFF)) + i32(0x3F3504F3))) - f32(1)
    p = f32(7.0376836292e-2)
    p = p * x + f32(-1.1514610310e-1)
    p = p * x + f32(1.1676998740e-1)
    p = p * x + f32(-1.2420140846e-1)
    p = p * x + f32(1.4249322787e-1)
    p = p * x + f32(-1.6668057665e-1)
    p = p * x + f32(2.0000714765e-1)
    p = p * x + f32(-2.4999993993e-1)
    p = p * x + f32(3.3333331174e-1)
    x2 = x * x
    return f32(exponent) * f32(0.69314718) + (x + (p * x * x2 - f32(0.5) * x2))


@njit(error_model="numpy", inline="always", fastmath=True)
def _cosine_sine(turn):
    """Return (cos, sin) of ``turn`` * 2 pi / 2^32 for a 32-bit word read as a signed number."""
    turn = i32(turn)
    quadrant = i32(i32(turn + i32(0x20000000)) >> i32(30))
    rest = i32(i32(i32(turn + i32(0x20000000)) & i32(0x3FFFFFFF)) - i32(0x20000000))
    t = f32(rest) * f32(6.283185307 / 4294967296.0)
    t2 = t * t
    sine = f32(-1.9515295891e-4) * t2 + f32(8.3321608736e-3)
    sine = (sine * t2 + f32(-1.6666654611e-1)) * t2 * t + t
    cosine = f32(2.443315711809948e-5) * t2 + f32(-1.388731625493765e-3)
    cosine = ((cosine * t2 + f32(4.166664568298827e-2)) * t2 + f32(-0.5)) * t2 + f32(1)
    odd = (quadrant & i32(1)) != i32(0)
    c = sine if odd else cosine
    s = cosine if odd else sine
    c = -c if i32(quadrant ^ i32(quadrant >> i32(1))) & i32(1) else c
    s = -s if (quadrant & i32(2)) else s
    return c, s


@njit(error_model="numpy", inline="always", fastmath=True)
def normal_pair(a, b):
    """Return two standard normal float32 from two 32-bit words (Box and Muller, 1958)."""
    u = f32(i32(a >> u64(8))) * f32(2.0**-24) + f32(2.0**-25)
    r = math.sqrt(max(f32(-2) * _log(u), f32(0)))
    c, s = _cosine_sine(b)
    return r * c, r * s


@njit(cache=True, error_model="numpy", fastmath=True, inline="always")
def normals(identity, first, count, step, seed, words, out):
    """Fill ``out[0:6, 0:count]`` with normals of the particles ``identity[first:first + count]``.

    Parameters
    ----------
    identity : uint32 array
        Particle number in each slot.
    first, count : int
        The slots of this block; ``count`` at most 256.
    step, seed : uint64
        Step number and seed.
    words : uint32 array, shape (6, 256)
        Work space.
    out : float32 array, shape (6, 256)
        Three normals for translation, three for rotation.
    """
    low = u64(0xFFFFFFFF)
    step_0 = step & low
    step_1 = step >> u64(32)
    for k in range(count):
        a, b, c, d = philox(u64(identity[first + k]), step_0, step_1, u64(0), seed)
        words[0, k] = a
        words[1, k] = b
        words[2, k] = c
        words[3, k] = d
    for k in range(count):
        a, b, _, _ = philox(u64(identity[first + k]), step_0, step_1, u64(1), seed)
        words[4, k] = a
        words[5, k] = b
    for pair in range(3):
        for k in range(count):
            x, y = normal_pair(u64(words[2 * pair, k]), u64(words[2 * pair + 1, k]))
            out[2 * pair, k] = x
            out[2 * pair + 1, k] = y
