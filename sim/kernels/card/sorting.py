"""Sorting slots into cells on the card, around a list of their neighbours. No checks by design.

A counting sort with whole-number atomics, whose order inside a cell is then put right, so that it
does not depend on which thread came first. Kernels do nothing to a film whose list is not due; they
are few, because steps are asked for with them ahead.
"""

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import (
    BUFFER,
    CLOSEST,
    DONE,
    FULL,
    GO,
    LIST_AGAIN,
    LIST_DUE,
    LIST_SHORT,
    LISTS,
    REFERENCE_WORDS,
    SIDE,
    STALE,
    STATUS,
    moment_after,
    row_at,
)
from sim.kernels.card.tools import (
    BLOCK,
    atomic_add,
    block,
    blocks,
    fence,
    index,
    kernel,
    load_words,
    share,
    shared_counts,
    shared_wholes,
    store_words,
    sync,
    thread,
    wrapped,
)

i32 = np.int32
u32 = np.uint32
i64 = np.int64
u64 = np.uint64


@register_jitable(forceinline=True)
def is_due(film):
    """Say whether the slots of a film are to be counted into cells."""
    return film.flags[STATUS] == LIST_DUE or film.flags[STATUS] == LIST_AGAIN


@register_jitable(forceinline=True)
def is_sorted_now(film):
    """Say whether they are to be sorted, too."""
    return film.flags[STATUS] == LIST_DUE


@register_jitable(forceinline=True)
def cell_of(word, cells):
    """Return the cell of a place in a periodic row of cells."""
    return (share(word) * i64(cells)) >> 32


@register_jitable(forceinline=True)
def film_cells(film, place):
    """Return the cells of a place along x, y and z."""
    patch = film.patch
    a, b = cell_of(place[0], patch.cells_x), cell_of(place[1], patch.cells_y)
    level = i64(place[2] * film.unit_z * patch.cells_z / patch.thickness)
    return a, b, min(max(level, i64(0)), i64(patch.cells_z - 1))


@register_jitable(forceinline=True)
def crossings(now, reference):
    """Return how often a place has left its period upwards since the list was built."""
    step = wrapped(now, reference)
    up = step > 0 and share(now) < share(reference)
    down = step < 0 and share(now) > share(reference)
    return np.int32(up) - np.int32(down)


@register_jitable(forceinline=True)
def settle(film, i, at):
    """Count the periods left behind since the last list; return the place for the next one."""
    side, buffer = film.flags[SIDE], film.flags[BUFFER]
    x, y, z, radius = load_words(film.rows, row_at(film, buffer, i))
    film.image[side, 0, i] += crossings(x, film.reference[at])
    film.image[side, 1, i] += crossings(y, film.reference[at + 1])
    film.reference[at] = x
    film.reference[at + 1] = y
    film.reference[at + 2] = z
    return x, y, z, radius


@register_jitable(forceinline=True)
def is_last(film):
    """Say, to the first thread of a block, whether all blocks of the film have come here.

    What they have written is seen by the last one, but for what it has read itself before.
    """
    fence()
    if atomic_add(film.flags, DONE, i64(1)) != blocks() - 1:
        return False
    film.flags[DONE] = 0
    return True


@register_jitable(forceinline=True)
def count_slot(film, i):
    """Find the cell of a slot and count it there."""
    at = (film.flags[SIDE] * film.count + i) * REFERENCE_WORDS
    place = settle(film, i, at) if is_sorted_now(film) else load_words(film.reference, at)
    a, b, c = film_cells(film, place)
    cell = (b * film.patch.cells_x + a) * film.patch.cells_z + c
    film.key[i] = cell
    atomic_add(film.cell_fill, cell, np.int32(1))
    if i == 0:  # what the list before was too short for
        film.flags[FULL] = 0
        film.flags[CLOSEST] = 0
        film.flags[STALE] = 0


@kernel
def count_cells(film):
    """Find the cell of each slot and count the slots of each cell, columns of z together.

    They go by the places of the list, so that a restored run finds the same order.
    """
    i = index()
    if i < film.count and is_due(film):
        count_slot(film, i)


FEW_CELLS = 1 << 14
"""Cells that one block of threads counts through."""


@kernel
def count_and_start(film):
    """Do what `count_cells` does; the last block writes where each of few cells starts."""
    sums, last = shared_wholes(), shared_counts()
    if not is_due(film):  # all threads of a block have the same film
        return
    i, t = index(), thread()
    if i < film.count:
        count_slot(film, i)
    fence()
    sync()
    if t == 0:
        last[0] = np.int32(is_last(film))
    sync()
    if last[0] == 0:
        return
    cells = film.cell_fill.size
    each = (cells + BLOCK - 1) // BLOCK
    first, end = min(t * each, cells), min((t + 1) * each, cells)
    total = np.int32(0)
    for cell in range(first, end):
        total += film.cell_fill[cell]
    sums[t] = total
    sync()
    start = np.int32(0)
    for k in range(t):
        start += sums[k]
    for cell in range(first, end):
        film.cell_start[cell] = start
        start += film.cell_fill[cell]
        film.cell_fill[cell] = 0
    if t == 0:
        film.cell_start[cells] = film.count


CHUNK = 16
"""Cells that a thread counts through, one after the other."""
GROUP = CHUNK * BLOCK
"""Cells that a block of threads counts through."""


@register_jitable(forceinline=True)
def cells_of_chunk(film):
    """Return the first cell of a thread's chunk and the one after its last."""
    cells = film.cell_fill.size
    return min(index() * CHUNK, cells), min((index() + 1) * CHUNK, cells)


@kernel
def add_chunks(film):
    """Add up the slots of each chunk of cells, and of each group of chunks."""
    sums = shared_wholes()
    if not is_due(film):  # all threads of a block have the same film
        return
    first, end = cells_of_chunk(film)
    total = np.int32(0)
    for cell in range(first, end):
        total += film.cell_fill[cell]
    sums[thread()] = total
    if first < end:
        film.chunk_sum[index()] = total
    sync()
    if thread() == 0:
        total = np.int32(0)
        for k in range(BLOCK):
            total += sums[k]
        film.group_sum[block()] = total


@kernel
def start_groups(film):
    """Turn the sums of groups into where they start, in one block."""
    sums = shared_wholes()
    if not is_due(film):
        return
    groups = film.group_sum.size
    start = np.int32(0)
    for first in range(0, groups, BLOCK):
        group = first + thread()
        if group < groups:
            sums[thread()] = film.group_sum[group]
        sync()
        if thread() == 0:
            for k in range(min(BLOCK, groups - first)):
                total = sums[k]
                sums[k] = start
                start += total
        sync()
        if group < groups:
            film.group_sum[group] = sums[thread()]
    if thread() == 0:
        film.cell_start[film.cell_fill.size] = start


@kernel
def start_cells(film):
    """Write where each cell starts, and empty the cells for the next count."""
    sums = shared_wholes()
    if not is_due(film):
        return
    first, end = cells_of_chunk(film)
    if first < end:
        sums[thread()] = film.chunk_sum[index()]
    sync()
    if first == end:
        return
    start = film.group_sum[block()]
    for k in range(thread()):
        start += sums[k]
    for cell in range(first, end):
        film.cell_start[cell] = start
        start += film.cell_fill[cell]
        film.cell_fill[cell] = 0


@kernel
def place_slots(film):
    """Write each slot into its cell's part of the order, in whatever order threads come."""
    i = index()
    if i < film.count and is_sorted_now(film):
        cell = film.key[i]
        place = atomic_add(film.cell_fill, cell, np.int32(1))
        film.order[film.cell_start[cell] + place] = i


@kernel
def gather_slots(film):
    """Put all that belongs to a slot in its place by cells, in the other half of each array.

    In a cell slots stand in their order of before. The first of a cell empties it for the next
    count.
    """
    k = index()
    if k >= film.count or not is_sorted_now(film):
        return
    count, side, buffer = film.count, film.flags[SIDE], film.flags[BUFFER]
    other = 1 - side
    source = i64(film.order[k])
    cell = film.key[source]
    first, i = film.cell_start[cell], i64(film.cell_start[cell])
    for m in range(first, film.cell_start[cell + 1]):
        i += i64(film.order[m] < source)
    if i == first:
        film.cell_fill[cell] = 0
    to, at = row_at(film, 1 - buffer, i), row_at(film, buffer, source)
    store_words(film.rows, to, load_words(film.rows, at))
    behind = moment_after(film)
    store_words(film.rows, to + behind, load_words(film.rows, at + behind))
    words = load_words(film.reference, (side * count + source) * REFERENCE_WORDS)
    store_words(film.reference, (other * count + i) * REFERENCE_WORDS, words)
    film.identity[other, i] = film.identity[side, source]
    for axis in range(2):
        film.image[other, axis, i] = film.image[side, axis, source]
    for axis in range(3):
        film.directions[other, axis, i] = film.directions[side, axis, source]
    if film.smooth.shape[2] == count:
        for axis in range(6):
            film.smooth[other, axis, i] = film.smooth[side, axis, source]
    if film.earlier.shape[2] == count:
        for axis in range(7):
            film.earlier[other, axis, i] = film.earlier[side, axis, source]
    if film.momentum.shape[2] == count:
        for axis in range(6):
            film.momentum[other, axis, i] = film.momentum[side, axis, source]


@register_jitable(forceinline=True)
def listed_side(film):
    """Return the half of the arrays that a list which is due is made from."""
    return film.flags[SIDE] ^ i64(is_sorted_now(film))


@register_jitable(forceinline=True)
def close_list(film):
    """Take the halves that were sorted for those in use; let steps go on if there was room."""
    flags = film.flags
    if is_sorted_now(film):
        flags[SIDE] = 1 - flags[SIDE]
        flags[BUFFER] = 1 - flags[BUFFER]
        flags[LISTS] += 1
    needed = atomic_add(flags, FULL, i64(0))  # as all blocks have left it
    flags[STATUS] = GO if needed == 0 else LIST_SHORT
