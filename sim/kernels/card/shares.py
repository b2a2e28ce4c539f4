"""Which threads sum the pairs of which slots. No checks by design.

In large films each thread takes the list of one slot, in small ones several share the neighbours
of a slot: there are more threads to wait for memory at once. What they find is added in their
order, so that the sum hangs on nothing but the number of shares.
"""

from typing import NamedTuple

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import BUFFER
from sim.kernels.card.tools import (
    BLOCK,
    LANES,
    block,
    index,
    plain,
    shared_numbers,
    shared_wholes,
    sync,
    thread,
)

i64 = np.int64
SUMS = 7


class SlotSums(NamedTuple):
    """Functions of (film, going), which all threads of a block call.

    Each returns a slot and the sums over its pairs, the slot -1 where a thread has none, or where
    the film is not ``going``. That of near pairs is of (film, going, buffer); it returns the row of
    the slot, too, and adds to the sums that inner steps keep.
    """

    whole: object
    far: object
    near: object


def slot_sums(choice, loops):
    """Return the sums over the slots of a block for a choice and its pair loops."""
    made = _shared(choice, loops) if choice.shares > 1 else _alone(choice, loops)
    near = _near_shared if choice.near_shares > 1 else _near_alone
    return SlotSums(*made, near(choice, loops))


def _kept_of(lane):
    """Return the function of a thread that reads the sums that inner steps keep."""

    @register_jitable(forceinline=True)
    def kept_of(film, i):
        held = film.held
        return (
            lane(held[0, i]), lane(held[1, i]), lane(held[2, i]), lane(held[3, i]),
            lane(held[4, i]), lane(held[5, i]), lane(held[6, i]),
        )  # fmt: skip

    return kept_of


def _near_alone(choice, loops):
    kept_of, read, near = _kept_of(LANES[choice.real]), loops.read, loops.near

    @register_jitable(forceinline=True)
    def near_sums(film, going, buffer):
        k, base = index(), buffer * film.count
        i = k if k < film.count and going else i64(-1)
        at = max(i, i64(0))
        own, total = read(film, base, at), kept_of(film, at)
        if i >= 0:
            total = near(film, base, i, own, total, i64(0))
        return i, own, total

    return near_sums


def _near_shared(choice, loops):
    lane, shares = LANES[choice.real], choice.near_shares
    kept_of, read, near = _kept_of(lane), loops.read, loops.near
    together = _together(choice, shares)
    slots, size, number = BLOCK // shares, SUMS * BLOCK, np.dtype(choice.real).type

    @register_jitable(forceinline=True)
    def near_sums(film, going, buffer):
        numbers = shared_numbers(size, number)
        v, base = index(), buffer * film.count
        slot = block() * slots + thread()
        at = slot if thread() < slots and slot < film.count else i64(0)
        # these are on their way while threads wait for each other
        own, (a, b, c, d, e, f, g) = read(film, base, at), kept_of(film, at)
        zero = lane(0.0)
        total = (zero, zero, zero, zero, zero, zero, zero)
        if v < film.count * shares and going:
            i = v // shares
            total = near(film, base, i, read(film, base, i), total, v % shares)
        i, (p, q, r, s, t, u, w) = together(film, going, total, numbers)
        return i, own, (a + p, b + q, c + r, d + s, e + t, f + u, g + w)

    return near_sums


def _alone(choice, loops):
    lane = LANES[choice.real]
    read, whole, far = loops.read, loops.whole, loops.far

    @register_jitable(forceinline=True)
    def whole_sums(film, going):
        zero = lane(0.0)
        total = (zero, zero, zero, zero, zero, zero, zero)
        k, i = index(), i64(-1)
        if k < film.count and going:
            i = k
            base = film.flags[BUFFER] * film.count
            total = whole(film, base, i, read(film, base, i))
        return i, total

    @register_jitable(forceinline=True)
    def far_sums(film, going):
        zero = lane(0.0)
        total = (zero, zero, zero, zero, zero, zero, zero)
        k, i = index(), i64(-1)
        if k < film.count and going:
            i = k
            base = film.flags[BUFFER] * film.count
            total, found = far(film, base, i, read(film, base, i), i)
            film.near_count[i] = found
        return i, total

    return whole_sums, far_sums


def _together(choice, shares):
    """Return what adds up what threads have found that share a slot."""
    lane, slots = LANES[choice.real], BLOCK // shares

    @register_jitable(forceinline=True)
    def found_by(numbers, k):
        """Return what a thread has found."""
        return (
            lane(numbers[k]), lane(numbers[BLOCK + k]), lane(numbers[2 * BLOCK + k]),
            lane(numbers[3 * BLOCK + k]), lane(numbers[4 * BLOCK + k]),
            lane(numbers[5 * BLOCK + k]), lane(numbers[6 * BLOCK + k]),
        )  # fmt: skip

    @register_jitable(forceinline=True)
    def together(film, going, total, numbers):
        """Add up what the threads of each slot have found; the first threads take the slots."""
        for axis in range(SUMS):
            numbers[axis * BLOCK + thread()] = plain(total[axis])
        sync()
        i = i64(-1)
        if thread() < slots:
            slot = block() * slots + thread()
            if slot < film.count and going:
                i = slot
            first = thread() * shares
            a, b, c, d, e, f, g = found_by(numbers, first)
            for k in range(first + 1, first + shares):
                p, q, r, s, t, u, v = found_by(numbers, k)
                a, b, c, d, e, f, g = a + p, b + q, c + r, d + s, e + t, f + u, g + v
            total = a, b, c, d, e, f, g
        return i, total

    return together


def _shared(choice, loops):
    lane, shares = LANES[choice.real], choice.shares
    read, whole, far, near_ones = loops.read, loops.whole, loops.far, loops.near_ones
    together = _together(choice, shares)
    size, number = SUMS * BLOCK, np.dtype(choice.real).type

    @register_jitable(forceinline=True)
    def whole_sums(film, going):
        numbers = shared_numbers(size, number)
        zero = lane(0.0)
        total = (zero, zero, zero, zero, zero, zero, zero)
        v = index()
        if v < film.count * shares and going:
            base = film.flags[BUFFER] * film.count
            total = whole(film, base, v, read(film, base, v // shares))
        return together(film, going, total, numbers)

    @register_jitable(forceinline=True)
    def far_sums(film, going):
        numbers, counts = shared_numbers(size, number), shared_wholes()
        zero = lane(0.0)
        total = (zero, zero, zero, zero, zero, zero, zero)
        v = index()
        acts = v < film.count * shares and going
        base, i, share = film.flags[BUFFER] * film.count, v // shares, v % shares
        counts[thread()] = 0
        if acts:
            counts[thread()] = near_ones(film, base, v, read(film, base, i))
        sync()
        if acts:
            before = 0  # near ones of the shares before
            for k in range(share):
                before += counts[thread() - share + k]
            near_at = i + i64(before) * film.count
            total, found = far(film, base, v, read(film, base, i), near_at)
            if share == shares - 1:
                film.near_count[i] = before + found
        return together(film, going, total, numbers)

    return whole_sums, far_sums
