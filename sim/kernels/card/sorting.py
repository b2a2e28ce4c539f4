"""Sorting slots into cells on the card, and listing their neighbours. No checks by design.

A counting sort with whole-number atomics, whose order inside a cell is then put right, so that it
does not depend on which thread came first. The list holds each pair from both sides, in the order
of the cells and of the slots in them. Kernels do nothing to a film whose list is not due.
"""

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import (
    BUFFER,
    CLOSEST,
    FULL,
    GO,
    LIST_AGAIN,
    LIST_DUE,
    LIST_SHORT,
    LISTING,
    LISTS,
    REFERENCE_WORDS,
    SIDE,
    STALE,
    STATUS,
    WORDS,
)
from sim.kernels.card.tools import (
    BLOCK,
    LANES,
    atomic_add,
    atomic_max,
    block,
    index,
    kernel,
    load_words,
    share,
    shared_wholes,
    store_words,
    sync,
    thread,
    wrapped,
)
from sim.kernels.steps.lists import around

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
    x, y, z, radius = load_words(film.rows, (buffer * film.count + i) * WORDS)
    film.image[side, 0, i] += crossings(x, film.reference[at])
    film.image[side, 1, i] += crossings(y, film.reference[at + 1])
    film.reference[at] = x
    film.reference[at + 1] = y
    film.reference[at + 2] = z
    return x, y, z, radius


@kernel
def count_cells(film):
    """Find the cell of each slot and count the slots of each cell, columns of z together.

    They go by the places of the list, so that a restored run finds the same order.
    """
    i = index()
    if i >= film.count or not is_due(film):
        return
    at = (film.flags[SIDE] * film.count + i) * REFERENCE_WORDS
    place = settle(film, i, at) if is_sorted_now(film) else load_words(film.reference, at)
    a, b, c = film_cells(film, place)
    cell = (b * film.patch.cells_x + a) * film.patch.cells_z + c
    film.key[i] = cell
    atomic_add(film.cell_fill, cell, np.int32(1))


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
def order_cells(film):
    """Put the slots of each cell in order, one thread a cell, and empty it for the next count."""
    cell = index()
    if cell >= film.cell_fill.size or not is_sorted_now(film):
        return
    film.cell_fill[cell] = 0
    first, end = film.cell_start[cell], film.cell_start[cell + 1]
    for k in range(first + 1, end):
        slot = film.order[k]
        at = k
        while at > first and film.order[at - 1] > slot:
            film.order[at] = film.order[at - 1]
            at -= 1
        film.order[at] = slot


@kernel
def gather_slots(film):
    """Put all that belongs to a slot where its order says, in the other half of each array."""
    i = index()
    if i >= film.count or not is_sorted_now(film):
        return
    count, side, buffer = film.count, film.flags[SIDE], film.flags[BUFFER]
    other = 1 - side
    source = i64(film.order[i])
    for half in range(0, WORDS, 4):
        words = load_words(film.rows, (buffer * count + source) * WORDS + half)
        store_words(film.rows, ((1 - buffer) * count + i) * WORDS + half, words)
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


@kernel
def open_list(film):
    """Take the sorted halves for those in use; forget what the list before was too short for."""
    if index() != 0:
        return
    if is_sorted_now(film):
        film.flags[SIDE] = 1 - film.flags[SIDE]
        film.flags[BUFFER] = 1 - film.flags[BUFFER]
        film.flags[LISTS] += 1
    if is_due(film):
        film.flags[FULL] = 0
        film.flags[CLOSEST] = 0
        film.flags[STALE] = 0
        film.flags[STATUS] = LISTING


@kernel
def close_list(film):
    """Let steps go on, unless there was too little room."""
    if index() == 0 and film.flags[STATUS] == LISTING:
        film.flags[STATUS] = GO if film.flags[FULL] == 0 else LIST_SHORT


@register_jitable(forceinline=True)
def columns_around(cells, span):
    """Return the first shift to a neighbouring cell of a periodic row and the one after the last.

    In short rows each cell is visited once.
    """
    return (-span, span + 1) if cells > 2 * span else (0, cells)


WARP = 32
"""Threads that go in step."""


def list_kernel(real, shares, in_step):
    """Return the kernel that lists neighbours, for rows of a float type.

    ``shares`` threads go through the candidates of a slot in turns, each with a list of its own.
    Where threads go ``in_step``, those of a warp go through whole columns of cells around all of
    their slots: they look at more candidates, but at the same one at once, which is read once.
    """
    lane = LANES[real]

    # Entries are written where two marks stand; an index without a sign costs no look at it.

    @register_jitable(forceinline=True)
    def list_column(film, base, first, end, i, mine, found):
        """List those slots of a column of cells that are in reach; return marks and counts."""
        front, behind, apart, close = found
        touch2, reach2 = film.patch.touch * film.patch.touch, film.patch.reach * film.patch.reach
        stride = film.count * shares
        for j in range(first, end, i32(shares)):
            x, y, z, _ = load_words(film.reference, (base + j) * REFERENCE_WORDS)
            dx = lane(wrapped(mine[0], x)) * film.unit_x
            dy = lane(wrapped(mine[1], y)) * film.unit_y
            dz = lane(wrapped(mine[2], z)) * film.unit_z
            r2 = dx * dx + dy * dy + dz * dz
            if r2 < reach2 and j != i:
                at = front
                if r2 < touch2:
                    at = behind
                    behind -= stride
                    close = i32(close + 1)
                else:
                    front += stride
                    apart = i32(apart + 1)
                if apart + close <= film.room:
                    film.entries[u64(at)] = j
        return front, behind, apart, close

    @register_jitable(forceinline=True)
    def list_around(film, i, v):
        """List the neighbours of a slot in a thread; return how many are apart, how many not."""
        patch, span = film.patch, film.span
        base = film.flags[SIDE] * film.count
        place = load_words(film.reference, (base + i) * REFERENCE_WORDS)
        mine_x, mine_y, level = film_cells(film, place)
        low, high = max(level - span, i64(0)), min(level + span, i64(patch.cells_z - 1))
        begin_x, end_x = columns_around(patch.cells_x, span)
        begin_y, end_y = columns_around(patch.cells_y, span)
        share, slot = i32(v % shares), i32(i)
        behind = (film.room - 1) * film.count * shares + v
        found = v, behind, i32(0), i32(0)
        for shift_y in range(begin_y, end_y):
            b, _ = around(mine_y + shift_y, patch.cells_y, 0.0)
            for shift_x in range(begin_x, end_x):
                a, _ = around(mine_x + shift_x, patch.cells_x, 0.0)
                bottom = (b * patch.cells_x + a) * patch.cells_z
                first, end = film.cell_start[bottom + low], film.cell_start[bottom + high + 1]
                first = i32(first + share)
                found = list_column(film, base, first, end, slot, place, found)
        return found[2], found[3]

    # Where there is too little room entries overwrite others: the list is not used then. Rounds and
    # lists have 32 bits each, so that the place of an entry is one multiplication, and an index
    # without a sign costs no look at it.

    @register_jitable(forceinline=True)
    def list_row(film, base, first, end, i, v, mine, found):
        """List those slots of columns side by side that are in reach; return how many so far."""
        apart, close = found
        touch2, reach2 = film.patch.touch * film.patch.touch, film.patch.reach * film.patch.reach
        room, stride = i32(film.room), u64(u32(film.count * shares))
        j, at = i32(first), (base + first) * REFERENCE_WORDS
        for _ in range((end - first + shares - 1) // shares):
            x, y, z, _ = load_words(film.reference, at)
            dx = lane(wrapped(mine[0], x)) * film.unit_x
            dy = lane(wrapped(mine[1], y)) * film.unit_y
            dz = lane(wrapped(mine[2], z)) * film.unit_z
            r2 = dx * dx + dy * dy + dz * dz
            if r2 < reach2:
                if r2 >= touch2:
                    to = min(apart, room)
                    film.entries[u64(u32(to)) * stride + u64(v)] = j
                    apart = i32(apart + 1)
                elif j != i:
                    to = max(i32(room - i32(1) - close), i32(0))
                    film.entries[u64(u32(to)) * stride + u64(v)] = j
                    close = i32(close + 1)
            j = i32(j + shares)
            at += shares * REFERENCE_WORDS
        return apart, close

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
        base = film.flags[SIDE] * film.count
        place = load_words(film.reference, (base + i) * REFERENCE_WORDS)
        _, mine_y, _ = film_cells(film, place)
        left, right = columns_of_warp(film, base, v, mine_y)
        left, right = left - span, right + span
        if right - left >= cells - 1:  # all of the row, each column once
            left, right = i64(0), cells - 1
        begin_y, end_y = columns_around(patch.cells_y, span)
        begin_x, end_x = i64(-1 if left < 0 else 0), i64(2 if right >= cells else 1)
        share, slot = v % shares, i32(i)
        found = i32(0), i32(0)
        for shift_y in range(begin_y, end_y):
            b, _ = around(mine_y + shift_y, patch.cells_y, 0.0)
            for image in range(begin_x, end_x):  # what lies over an edge comes from the other side
                a = max(left - image * cells, i64(0))
                a_last = min(right - image * cells, cells - 1)
                row = b * cells
                first = film.cell_start[(row + a) * patch.cells_z]
                end = film.cell_start[(row + a_last + 1) * patch.cells_z]
                found = list_row(film, base, first + share, end, slot, v, place, found)
        return found

    list_slot = list_in_step if in_step else list_around

    @kernel
    def list_pairs(film):
        """List the neighbours of each slot: apart from the front, those that may touch behind."""
        v = index()
        i = v // shares
        if i >= film.count or film.flags[STATUS] != LISTING:
            return
        apart, close = list_slot(film, i, v)
        if apart + close > film.room or close * shares > film.near_room:
            atomic_max(film.flags, FULL, i64(apart + close))
            atomic_max(film.flags, CLOSEST, i64(close * shares))
            apart = close = i32(0)
        film.apart[v] = apart
        film.close[v] = close

    return list_pairs
