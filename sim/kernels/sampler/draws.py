"""Random numbers of the sampler: a pure function of (seed, stream, sweep, move, draw).

Philox 4x32-10 as in `sim.kernels.steps.noise`, of other counters. A move starts its own sequence,
so that what one move draws shifts no other.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.steps.noise import philox

u64 = np.uint64
# Words: seed, stream, sweep, move, block of the next four words, words used of the present four,
# and these four.
SEED, STREAM, SWEEP, MOVE, BLOCK, USED, FIRST = range(7)
SHARE = 2.0**-32


@njit(cache=True, error_model="numpy")
def begin_move(random):
    """Start the sequence of the next move."""
    random[MOVE] += u64(1)
    random[BLOCK] = u64(0)
    random[USED] = u64(4)


@njit(cache=True, error_model="numpy")
def refill(random):
    """Draw the next four words of a move."""
    a, b, c, d = philox(random[BLOCK], random[MOVE], random[SWEEP], random[STREAM], random[SEED])
    random[FIRST] = a
    random[FIRST + 1] = b
    random[FIRST + 2] = c
    random[FIRST + 3] = d
    random[BLOCK] += u64(1)
    random[USED] = u64(0)


@njit(cache=True, error_model="numpy", inline="always")
def uniform(random):
    """Return a number between 0 and 1, both excluded."""
    if random[USED] >= u64(4):
        refill(random)
    word = random[FIRST + np.int64(random[USED])]
    random[USED] += u64(1)
    return (np.float64(word) + 0.5) * SHARE


@njit(cache=True, error_model="numpy")
def below(random, count):
    """Return a whole number from 0 to ``count`` - 1."""
    return min(count - 1, np.int64(uniform(random) * count))


@njit(cache=True, error_model="numpy")
def normal(random):
    """Return a standard normal number (Box and Muller, 1958)."""
    r = math.sqrt(-2.0 * math.log(uniform(random)))
    return r * math.cos(2.0 * math.pi * uniform(random))


@njit(cache=True, error_model="numpy")
def around(random, axis, cosine):
    """Return the unit vector at a cosine to the unit vector ``axis``, turned at random about it."""
    fx, fy, fz = axis
    sine = math.sqrt(max(0.0, 1.0 - cosine * cosine))
    turn = 2.0 * math.pi * uniform(random)
    if abs(fx) < 0.6:
        ax, ay, az = 0.0, fz, -fy
    else:
        ax, ay, az = -fz, 0.0, fx
    scale = 1.0 / math.sqrt(ax * ax + ay * ay + az * az)
    ax, ay, az = ax * scale, ay * scale, az * scale
    bx, by, bz = fy * az - fz * ay, fz * ax - fx * az, fx * ay - fy * ax
    c, s = sine * math.cos(turn), sine * math.sin(turn)
    return (
        cosine * fx + c * ax + s * bx,
        cosine * fy + c * ay + s * by,
        cosine * fz + c * az + s * bz,
    )


@njit(cache=True, error_model="numpy")
def in_field(random, moment, field):
    """Return a moment drawn from the Boltzmann law exp(m . field) of its directions.

    The cosine has the density exp(k c), k = m |field|, whose distribution is inverted.
    """
    bx, by, bz = field
    size = math.sqrt(bx * bx + by * by + bz * bz)
    k = moment * size
    share = uniform(random)
    if k < 1.0e-6:
        cosine = 2.0 * share - 1.0
        axis = (0.0, 0.0, 1.0)
    else:
        cosine = 1.0 + math.log(share + (1.0 - share) * math.exp(-2.0 * k)) / k
        axis = (bx / size, by / size, bz / size)
    ex, ey, ez = around(random, axis, min(1.0, max(-1.0, cosine)))
    return moment * ex, moment * ey, moment * ez


@njit(cache=True, error_model="numpy")
def log_directions(k):
    """Return ln(sinh(k)/k), the logarithm of the mean of exp(k c) over all directions."""
    if k < 1.0e-3:
        return k * k / 6.0
    return k + math.log((1.0 - math.exp(-2.0 * k)) / (2.0 * k))
