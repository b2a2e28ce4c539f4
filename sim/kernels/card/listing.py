"""Listing the neighbours of slots on the card. No checks by design.

The list holds each pair from both sides, in the order of the cells and of the slots in them.
"""

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import (
    CLOSEST,
    FOUR,
    FULL,
    REFERENCE_WORDS,
    WARP,
    entry_at,
)
from sim.kernels.card.sorting import close_list, film_cells, is_due, is_last, listed_side
from sim.kernels.card.tools import (
    LANES,
    atomic_max,
    index,
    kernel,
    load_words,
    store_words,
    sync,
    thread,
    wrapped,
)
from sim.kernels.steps.lists import around

i32 = np.int32
i64 = np.int64
u64 = np.uint64
NONE_FOUND = i32(0), i32(0), i32(0), i32(0), i32(0)


@register_jitable(forceinline=True)
def columns_around(cells, span):
    """Return the first shift to a neighbouring cell of a periodic row and the one after the last.

    In short rows each cell is visited once.
    """
    return (-span, span + 1) if cells > 2 * span else (0, cells)


def list_kernel(real, shares, in_step):
    """Return the kernel that lists neighbours, for rows of a float type.

    ``shares`` threads go through the candidates of a slot in turns, each with a list of its own.
    Where threads go ``in_step``, those of a warp go through whole columns of cells around all of
    their slots: they look at more candidates, but at the same one at once, which is read once.
    """
    lane = LANES[real]

    # Far entries are written four at once, from the last three that a thread remembers. Where there
    # is too little room entries overwrite others: the list is not used then. An index without a
    # sign costs no look at it.

    @register_jitable(forceinline=True)
    def list_column(film, base, first, end, i, v, mine, found):
        """List those slots of a column of cells that are in reach; return what is found so far."""
        apart, close, p, q, r = found
        touch2, reach2 = film.patch.touch * film.patch.touch, film.patch.reach * film.patch.reach
        room, front = i32(film.room), entry_at(film, v, 0)
        j, at = i32(first), (base + first) * REFERENCE_WORDS
        for _ in range(i32((end - first + shares - 1) // shares)):
            x, y, z, _ = load_words(film.reference, at)
            dx = lane(wrapped(mine[0], x)) * film.unit_x
            dy = lane(wrapped(mine[1], y)) * film.unit_y
            dz = lane(wrapped(mine[2], z)) * film.unit_z
            r2 = dx * dx + dy * dy + dz * dz
            if r2 < reach2:
                if r2 >= touch2:
                    if apart & (FOUR - 1) == FOUR - 1:
                        to = front + i64(min(apart, room - i32(1)) >> 2) * (FOUR * WARP)
                        store_words(film.entries, to, (p, q, r, j))
                    p, q, r = q, r, j
                    apart = i32(apart + 1)
                elif j != i:
                    to = max(room - i32(1) - close, i32(0))
                    film.entries[u64(entry_at(film, v, i64(to)))] = j
                    close = i32(close + 1)
            j = i32(j + shares)
            at += shares * REFERENCE_WORDS
        return apart, close, p, q, r

    @register_jitable(forceinline=True)
    def finish(film, v, found):
        """Write the last far entries of a list; return how many are apart, how many not."""
        apart, close, p, q, r = found
        rest = apart & (FOUR - 1)
        first = i64(apart - rest)
        if apart + close <= film.room and rest > 0:
            last = first + rest - 1
            film.entries[u64(entry_at(film, v, last))] = r
            if rest > 1:
                film.entries[u64(entry_at(film, v, last - 1))] = q
            if rest > 2:
                film.entries[u64(entry_at(film, v, last - 2))] = p
        return apart, close

    @register_jitable(forceinline=True)
    def list_around(film, i, v):
        """List the neighbours of a slot in a thread; return how many are apart, how many not."""
        patch, span = film.patch, film.span
        base = listed_side(film) * film.count
        place = load_words(film.reference, (base + i) * REFERENCE_WORDS)
        mine_x, mine_y, level = film_cells(film, place)
        low, high = max(level - span, i64(0)), min(level + span, i64(patch.cells_z - 1))
        begin_x, end_x = columns_around(patch.cells_x, span)
        begin_y, end_y = columns_around(patch.cells_y, span)
        share, slot = v % shares, i32(i)
        found = NONE_FOUND
        for shift_y in range(begin_y, end_y):
            b, _ = around(mine_y + shift_y, patch.cells_y, 0.0)
            for shift_x in range(begin_x, end_x):
                a, _ = around(mine_x + shift_x, patch.cells_x, 0.0)
                bottom = (b * patch.cells_x + a) * patch.cells_z
                first, end = film.cell_start[bottom + low], film.cell_start[bottom + high + 1]
                found = list_column(film, base, first + share, end, slot, v, place, found)
        return finish(film, v, found)

    @register_jitable(forceinline=True)
    def columns_of_warp(film, base, v, mine_y):
        """Return the first and the last column along x of a warp's slots in this row of them."""
        begin = v - v % WARP
        lowest, highest = begin // shares, min((begin + WARP - 1) // shares, film.count - 1)
        left, row, _ = film_cells(
            film, load_words(film.reference, (base + lowest) * REFERENCE_WORDS)
        )
        right, last_row, _ = film_cells(
            film, load_words(film.reference, (base + highest) * REFERENCE_WORDS)
        )
        return left if row == mine_y else i64(0), (
            right if last_row == mine_y else i64(film.patch.cells_x - 1)
        )

    @register_jitable(forceinline=True)
    def list_in_step(film, i, v):
        """List the neighbours of a slot from what all threads of a warp look at."""
        patch, span, cells = film.patch, film.span, i64(film.patch.cells_x)
        base = listed_side(film) * film.count
        place = load_words(film.reference, (base + i) * REFERENCE_WORDS)
        _, mine_y, _ = film_cells(film, place)
        left, right = columns_of_warp(film, base, v, mine_y)
        left, right = left - span, right + span
        if right - left >= cells - 1:  # all of the row, each column once
            left, right = i64(0), cells - 1
        begin_y, end_y = columns_around(patch.cells_y, span)
        begin_x, end_x = i64(-1 if left < 0 else 0), i64(2 if right >= cells else 1)
        share, slot = v % shares, i32(i)
        found = NONE_FOUND
        for shift_y in range(begin_y, end_y):
            b, _ = around(mine_y + shift_y, patch.cells_y, 0.0)
            for image in range(begin_x, end_x):  # what lies over an edge comes from the other side
                a = max(left - image * cells, i64(0))
                a_last = min(right - image * cells, cells - 1)
                row = b * cells
                first = film.cell_start[(row + a) * patch.cells_z]
                end = film.cell_start[(row + a_last + 1) * patch.cells_z]
                found = list_column(film, base, first + share, end, slot, v, place, found)
        return finish(film, v, found)

    list_slot = list_in_step if in_step else list_around

    @kernel
    def list_pairs(film):
        """List the neighbours of each slot: apart from the front, those that may touch behind."""
        v = index()
        i = v // shares
        if not is_due(film):  # all threads of a block have the same film
            return
        if i < film.count:
            apart, close = list_slot(film, i, v)
            if apart + close > film.room or close * shares > film.near_room:
                atomic_max(film.flags, FULL, i64(apart + close))
                atomic_max(film.flags, CLOSEST, i64(close * shares))
                apart = close = i32(0)
            film.apart[v] = apart
            film.close[v] = close
        sync()
        if thread() == 0 and is_last(film):
            close_list(film)

    return list_pairs
