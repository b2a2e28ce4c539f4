"""Sorting slots into cells and building the neighbour list. No checks by design.

A full list (every pair from both sides) in a fixed number of blocks: each row is written
and read by one block only, so any number of threads gives the same bits.
"""

import math

import numpy as np
from numba import njit
from numba.extending import register_jitable

from sim.kernels.steps.layout import BLOCK, BLOCKS, STRIDE
from sim.kernels.vectors.lists import append_near, copy_rows, fill_rows

u32 = np.uint32
u64 = np.uint64
f32 = np.float32
FAR = f32(1.0e6)


def blocks_of(slots):
    """Return the number of blocks that the slots are cut into."""
    return max(BLOCKS, -(-slots // BLOCK))


@njit(cache=True, error_model="numpy", inline="always")
def block_bounds(block, blocks, slots):
    """Return the first and the end slot of a block; both are multiples of the stride."""
    chunks = slots // STRIDE
    return STRIDE * (chunks * block // blocks), STRIDE * (chunks * (block + 1) // blocks)


@register_jitable(forceinline=True)
def wrap(position, image, reference, side, first, end):
    """Bring coordinates back into [0, side) and count the periods left behind."""
    for i in range(first, end):
        periods = math.floor(position[i] / side)
        value = position[i] - side * periods
        if value >= side:  # rounding of a tiny negative coordinate
            value = 0.0
            periods += 1
        position[i] = value
        image[i] += np.int32(periods)
        reference[i] = value


@register_jitable(forceinline=True)
def _cell_of(value, side, cells):
    return min(max(int(value * cells / side), 0), cells - 1)


@register_jitable(forceinline=True)
def find_cells(first, end, slots, patch, key):
    """Write the cells of slots to ``key``, columns of z together.

    They go by the positions at the last list, so that a restored run finds the same order.
    """
    for i in range(first, end):
        a = _cell_of(slots.reference_x[i], patch.side_x, patch.cells_x)
        b = _cell_of(slots.reference_y[i], patch.side_y, patch.cells_y)
        c = _cell_of(slots.reference_z[i], patch.thickness, patch.cells_z)
        key[i] = (b * patch.cells_x + a) * patch.cells_z + c


@register_jitable(forceinline=True)
def wrap_slots(first, end, slots, patch, key):
    """Wrap slots into the patch, note where they are, and find their cells."""
    wrap(slots.x, slots.image_x, slots.reference_x, patch.side_x, first, end)
    wrap(slots.y, slots.image_y, slots.reference_y, patch.side_y, first, end)
    for i in range(first, end):
        slots.reference_z[i] = slots.z[i]
    find_cells(first, end, slots, patch, key)


@njit(cache=True, error_model="numpy", inline="always")
def sort_order(neighbours, count):
    """Fill ``neighbours.order`` with the slots in order of their cells (a stable counting sort)."""
    starts, key = neighbours.cell_start, neighbours.key
    starts[:] = 0
    for i in range(count):
        starts[key[i] + 1] += 1
    for c in range(starts.size - 1):
        starts[c + 1] += starts[c]
    place = starts[:-1].copy()
    for i in range(count):
        at = place[key[i]]
        place[key[i]] += 1
        neighbours.order[at] = i
        neighbours.cell[at] = key[i]


@register_jitable(forceinline=True)
def _reorder(values, order, count, scratch):
    """Put ``values[order]`` in place."""
    for i in range(count):
        scratch[i] = values[order[i]]
    for i in range(count):
        values[i] = scratch[i]


# Arrays that move with the slots beside the rows of ``reals``: six of noise, and three.
BESIDE_REALS = 9


@register_jitable(forceinline=True)
def reorder_array(number, slots, order, count, scratch):
    """Put one of all arrays of the slots into the order of the cells."""
    beside = number - slots.reals.shape[0]
    if beside < 0:
        values = slots.reals[number]
        _reorder(values, order, count, scratch)
        if number < 3:  # x, y, z are now those of the list, too
            reference = (slots.reference_x, slots.reference_y, slots.reference_z)[number]
            for i in range(count):
                reference[i] = values[i]
    elif beside < 6:
        _reorder(slots.last_noise[beside], order, count, scratch)
    elif beside == 6:
        _reorder(slots.identity, order, count, scratch)
    else:
        _reorder((slots.image_x, slots.image_y)[beside - 7], order, count, scratch)


@register_jitable(forceinline=True)
def shifts(cells):
    """Return the first shift to a neighbouring cell of a periodic row and the one after the last.

    One cell or two in a row: each neighbour is visited once.
    """
    return (-1 if cells > 2 else 0), min(cells, 2)


@register_jitable(forceinline=True)
def around(cell, cells, side):
    """Return the cell of a periodic row that stands at ``cell``, and by how much it is off."""
    if cell < 0:
        return cell + cells, -side
    if cell >= cells:
        return cell - cells, side
    return cell, 0.0


@register_jitable(forceinline=True)
def column_and_levels(cell, patch):
    """Return the column of a cell, and the first and the last level of its neighbours."""
    c = cell % patch.cells_z
    return cell // patch.cells_z, max(0, c - 1), min(patch.cells_z - 1, c + 1)


@register_jitable(forceinline=True)
def _middle(column, patch):
    """Return the middle of a column of cells."""
    return (
        (column % patch.cells_x + 0.5) * patch.side_x / patch.cells_x,
        (column // patch.cells_x + 0.5) * patch.side_y / patch.cells_y,
    )


@register_jitable(forceinline=True)
def count_candidates(cell, patch, neighbours):
    """Return the number of particles in a cell and in those around it."""
    column, low, high = column_and_levels(cell, patch)
    begin_x, end_x = shifts(patch.cells_x)
    begin_y, end_y = shifts(patch.cells_y)
    total = 0
    for shift_y in range(begin_y, end_y):
        b, _ = around(column // patch.cells_x + shift_y, patch.cells_y, 0.0)
        for shift_x in range(begin_x, end_x):
            a, _ = around(column % patch.cells_x + shift_x, patch.cells_x, 0.0)
            bottom = (b * patch.cells_x + a) * patch.cells_z
            total += neighbours.cell_start[bottom + high + 1] - neighbours.cell_start[bottom + low]
    return total


@register_jitable(forceinline=True)
def gather_candidates(cell, slots, patch, neighbours, xs, ys, zs, numbers):
    """Copy the particles of a cell and of those around it into the buffers, relative to its middle.

    ``numbers`` gets those of their rows times eight. Returns how many there are. In a row of
    fewer than three cells they are not yet nearest images.
    """
    column, low, high = column_and_levels(cell, patch)
    middle_x, middle_y = _middle(column, patch)
    begin_x, end_x = shifts(patch.cells_x)
    begin_y, end_y = shifts(patch.cells_y)
    total = u64(0)
    for shift_y in range(begin_y, end_y):
        b, off_y = around(column // patch.cells_x + shift_y, patch.cells_y, patch.side_y)
        for shift_x in range(begin_x, end_x):
            a, off_x = around(column % patch.cells_x + shift_x, patch.cells_x, patch.side_x)
            bottom = (b * patch.cells_x + a) * patch.cells_z
            begin = u64(neighbours.cell_start[bottom + low])
            end = u64(neighbours.cell_start[bottom + high + 1])
            for k in range(end - begin):
                xs[total + k] = slots.reference_x[begin + k] + (off_x - middle_x)
                ys[total + k] = slots.reference_y[begin + k] + (off_y - middle_y)
                zs[total + k] = slots.reference_z[begin + k]
                numbers[total + k] = u32(8) * u32(begin + k)
            total += end - begin
    return total


@register_jitable(forceinline=True)
def minimum_images(gaps, middle, side, out, count):
    """Write the nearest periodic image of ``gaps - middle`` (narrow patches only)."""
    for k in range(u64(count)):
        gap = gaps[k] - middle
        out[k] = gap - side * np.rint(gap / side)


@njit(cache=True, error_model="numpy", inline="always")
def room_for_candidates(first, end, slots, patch, neighbours):
    """Return the length of buffers for the candidates of any slot of a block."""
    most, current = 0, -1
    for i in range(first, end):
        if slots.mobility[i] != 0.0 and neighbours.cell[i] != current:
            current = neighbours.cell[i]
            most = max(most, count_candidates(current, patch, neighbours))
    return most + 2 * STRIDE


@njit(cache=True, error_model="numpy", inline="always")
def list_block(block, blocks, slots, patch, neighbours, lanes):
    """List the neighbours of a block's slots; return the entries needed by the block.

    Where the block's share of ``entries`` is too small nothing beyond it is written; the
    caller enlarges the list and builds it again.
    """
    first, end = block_bounds(block, blocks, slots.x.size)
    share = neighbours.entries.size // blocks
    at, last = u64(share * block), u64(share * (block + 1))
    beyond = u32(8 * slots.x.size)
    narrow = patch.cells_x < 3 or patch.cells_y < 3
    room = room_for_candidates(first, end, slots, patch, neighbours)
    xs, ys, zs = np.empty(room, f32), np.empty(room, f32), np.empty(room, f32)
    wrapped_x, wrapped_y = np.empty(room, f32), np.empty(room, f32)
    numbers, close = np.empty(room, u32), np.empty(room, u32)
    touch2 = f32(patch.touch * patch.touch * (1.0 + 1.0e-5))
    reach2 = f32(patch.reach * patch.reach * (1.0 + 1.0e-5))
    total = u64(0)
    current = -1
    middle_x = middle_y = 0.0
    overflow = 0
    for i in range(first, end):
        neighbours.start[i] = at
        neighbours.count[i] = 0
        neighbours.apart[i] = 0
        if slots.mobility[i] == 0.0:  # padding
            continue
        if neighbours.cell[i] != current:
            current = neighbours.cell[i]
            total = gather_candidates(current, slots, patch, neighbours, xs, ys, zs, numbers)
            for k in range(total, total + u64(STRIDE)):
                xs[k] = FAR
                wrapped_x[k] = FAR
            middle_x, middle_y = _middle(current // patch.cells_z, patch)
        if at + total + u64(2 * STRIDE) > last:
            overflow += int(total) + 2 * STRIDE
            continue
        x = f32(slots.reference_x[i] - middle_x)
        y = f32(slots.reference_y[i] - middle_y)
        z = f32(slots.reference_z[i])
        near_x, near_y = xs, ys
        if narrow:
            minimum_images(xs, x, f32(patch.side_x), wrapped_x, total)
            minimum_images(ys, y, f32(patch.side_y), wrapped_y, total)
            near_x, near_y, x, y = wrapped_x, wrapped_y, f32(0), f32(0)
        closes, found = choose_near(
            close, neighbours.entries, at, numbers, near_x, near_y, zs, total,
            x, y, z, touch2, reach2, u32(8 * i),
        )  # fmt: skip
        whole = ~u64(lanes - 1)  # as many are a power of two
        neighbours.apart[i] = found & whole
        neighbours.count[i] = (found + closes + u64(lanes - 1)) & whole
        for k in range(u64(0), closes, u64(STRIDE)):
            copy_rows(neighbours.entries, at + found + k, close, k)
        fill_rows(neighbours.entries, at + found + closes, beyond)
        at += u64(neighbours.count[i])
    if overflow:
        return share + overflow
    return int(at) - share * block


@register_jitable(forceinline=True)
def choose_near(close, entries, at, numbers, xs, ys, zs, total, x, y, z, touch2, reach2, me):
    """List the candidates in reach: those that may touch in ``close``, others in ``entries``.

    Returns how many there are of each kind.
    """
    closes = u64(0)
    end = at
    for k in range(u64(0), total, u64(STRIDE)):
        closes, end = append_near(
            close, closes, entries, end, numbers, xs, ys, zs, k, x, y, z, touch2, reach2, me
        )
    return closes, end - at
