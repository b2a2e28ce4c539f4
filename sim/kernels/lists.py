"""Sorting slots into cells and building the neighbour list. No checks by design.

A full list (every pair from both sides) in a fixed number of blocks: each row is written
and read by one block only, so any number of threads gives the same bits.
"""

import math

import numpy as np
from numba import njit

from sim.kernels.layout import BLOCK, BLOCKS, STRIDE
from sim.kernels.vector_rows import append_near

u32 = np.uint32
u64 = np.uint64
f32 = np.float32
FAR = f32(1.0e6)


def blocks_of(slots):
    """Return the number of blocks that so many slots are cut into."""
    return max(BLOCKS, -(-slots // BLOCK))


@njit(cache=True, error_model="numpy", inline="always")
def block_bounds(block, blocks, slots):
    """Return the first and the end slot of a block; both are multiples of the stride."""
    chunks = slots // STRIDE
    return STRIDE * (chunks * block // blocks), STRIDE * (chunks * (block + 1) // blocks)


@njit(cache=True, error_model="numpy", inline="always")
def wrap(position, image, reference, side, count):
    """Bring coordinates back into [0, side) and count the periods left behind."""
    for i in range(count):
        periods = math.floor(position[i] / side)
        value = position[i] - side * periods
        if value >= side:  # rounding of a tiny negative coordinate
            value = 0.0
            periods += 1
        position[i] = value
        image[i] += np.int32(periods)
        reference[i] = value


@njit(cache=True, error_model="numpy", inline="always")
def _cell_of(value, side, cells):
    return min(max(int(value * cells / side), 0), cells - 1)


@njit(cache=True, error_model="numpy", inline="always")
def sort_order(slots, patch, neighbours, count):
    """Fill ``neighbours.order`` with the slots in order of their cells (a stable counting sort).

    Cells go by the positions at the last list, so that a restored run finds the same order.
    """
    starts = neighbours.cell_start
    starts[:] = 0
    keys = np.empty(count, np.int64)
    for i in range(count):
        a = _cell_of(slots.reference_x[i], patch.side_x, patch.cells_x)
        b = _cell_of(slots.reference_y[i], patch.side_y, patch.cells_y)
        c = _cell_of(slots.reference_z[i], patch.thickness, patch.cells_z)
        key = (b * patch.cells_x + a) * patch.cells_z + c
        keys[i] = key
        starts[key + 1] += 1
    for c in range(starts.size - 1):
        starts[c + 1] += starts[c]
    place = starts[:-1].copy()
    for i in range(count):
        at = place[keys[i]]
        place[keys[i]] += 1
        neighbours.order[at] = i
        neighbours.cell[at] = keys[i]


@njit(cache=True, error_model="numpy", inline="always")
def reorder(values, order, count, scratch):
    """Put ``values[order]`` in place."""
    for i in range(count):
        scratch[i] = values[order[i]]
    for i in range(count):
        values[i] = scratch[i]


@njit(cache=True, error_model="numpy", inline="always")
def sort_slots(slots, patch, neighbours, count):
    """Wrap all particles into the patch and sort them by cell, columns of z together."""
    wrap(slots.x, slots.image_x, slots.reference_x, patch.side_x, count)
    wrap(slots.y, slots.image_y, slots.reference_y, patch.side_y, count)
    for i in range(count):
        slots.reference_z[i] = slots.z[i]
    sort_order(slots, patch, neighbours, count)
    order, scratch = neighbours.order, neighbours.scratch
    for row in range(slots.reals.shape[0]):
        reorder(slots.reals[row], order, count, scratch)
    for axis in range(6):
        reorder(slots.last_noise[axis], order, count, scratch)
    reorder(slots.identity, order, count, scratch)
    reorder(slots.image_x, order, count, scratch)
    reorder(slots.image_y, order, count, scratch)
    for i in range(count):
        slots.reference_x[i] = slots.x[i]
        slots.reference_y[i] = slots.y[i]
        slots.reference_z[i] = slots.z[i]


@njit(cache=True, error_model="numpy", inline="always")
def _around(cell, cells, shift):
    """Return the neighbouring column index in a periodic row of cells."""
    return (cell + shift + cells) % cells


@njit(cache=True, error_model="numpy", inline="always")
def gather_candidates(cell, slots, patch, neighbours, xs, ys, zs, numbers):
    """Copy the particles of a cell and of those around it into the buffers, relative to its middle.

    Returns their number; nothing is copied where they do not fit.
    """
    per_column = patch.cells_z
    column, c = cell // per_column, cell % per_column
    a, b = column % patch.cells_x, column // patch.cells_x
    middle_x = (a + 0.5) * patch.side_x / patch.cells_x
    middle_y = (b + 0.5) * patch.side_y / patch.cells_y
    low, high = max(0, c - 1), min(per_column - 1, c + 1)
    total = 0
    for shift_y in range(-1 if patch.cells_y > 2 else 0, min(patch.cells_y, 2)):
        for shift_x in range(-1 if patch.cells_x > 2 else 0, min(patch.cells_x, 2)):
            other = _around(b, patch.cells_y, shift_y) * patch.cells_x
            first_cell = (other + _around(a, patch.cells_x, shift_x)) * per_column
            begin = neighbours.cell_start[first_cell + low]
            size = neighbours.cell_start[first_cell + high + 1] - begin
            if total + size + STRIDE <= numbers.size:
                for k in range(u64(size)):
                    j = u64(begin) + k
                    gap_x = slots.reference_x[j] - middle_x
                    gap_y = slots.reference_y[j] - middle_y
                    at = u64(total) + k
                    xs[at] = gap_x - patch.side_x * np.rint(gap_x / patch.side_x)
                    ys[at] = gap_y - patch.side_y * np.rint(gap_y / patch.side_y)
                    zs[at] = slots.reference_z[j]
                    numbers[at] = u32(j)
            total += size
    return total


@njit(cache=True, error_model="numpy", inline="always")
def minimum_images(gaps, middle, side, out, count):
    """Write the nearest periodic image of ``gaps - middle`` (narrow patches only)."""
    for k in range(u64(count)):
        gap = gaps[k] - middle
        out[k] = gap - side * np.rint(gap / side)


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
    size = 1024
    xs, ys, zs = np.empty(size, f32), np.empty(size, f32), np.empty(size, f32)
    wrapped_x, wrapped_y = np.empty(size, f32), np.empty(size, f32)
    numbers = np.empty(size, u32)
    reach2 = f32(patch.reach * patch.reach * (1.0 + 1.0e-5))
    total = 0
    current = -1
    middle_x = middle_y = 0.0
    overflow = 0
    for i in range(first, end):
        neighbours.start[i] = at
        neighbours.count[i] = 0
        if slots.mobility[i] == 0.0:  # padding
            continue
        if neighbours.cell[i] != current:
            current = neighbours.cell[i]
            total = gather_candidates(current, slots, patch, neighbours, xs, ys, zs, numbers)
            if total + STRIDE > numbers.size:
                size = 2 * (total + STRIDE)
                xs, ys, zs = np.empty(size, f32), np.empty(size, f32), np.empty(size, f32)
                wrapped_x, wrapped_y = np.empty(size, f32), np.empty(size, f32)
                numbers = np.empty(size, u32)
                gather_candidates(current, slots, patch, neighbours, xs, ys, zs, numbers)
            for k in range(total, total + STRIDE):
                xs[k] = FAR
                wrapped_x[k] = FAR
            column = current // patch.cells_z
            middle_x = (column % patch.cells_x + 0.5) * patch.side_x / patch.cells_x
            middle_y = (column // patch.cells_x + 0.5) * patch.side_y / patch.cells_y
        if at + u64(total + 2 * STRIDE) > last:
            overflow += total + 2 * STRIDE
            continue
        x = f32(slots.reference_x[i] - middle_x)
        y = f32(slots.reference_y[i] - middle_y)
        z = f32(slots.reference_z[i])
        begin = at
        k = u64(0)
        if narrow:
            minimum_images(xs, x, f32(patch.side_x), wrapped_x, total)
            minimum_images(ys, y, f32(patch.side_y), wrapped_y, total)
            while k < u64(total):
                at = append_near(
                    neighbours.entries, at, numbers, wrapped_x, wrapped_y, zs, k,
                    f32(0), f32(0), z, reach2, u32(i),
                )  # fmt: skip
                k += u64(STRIDE)
        else:
            while k < u64(total):
                at = append_near(
                    neighbours.entries, at, numbers, xs, ys, zs, k, x, y, z, reach2, u32(i)
                )
                k += u64(STRIDE)
        for k in range(begin, at):
            neighbours.entries[k] *= u32(8)
        while (at - begin) % u64(lanes):
            neighbours.entries[at] = beyond
            at += u64(1)
        neighbours.count[i] = at - begin
    if overflow:
        return share + overflow
    return int(at) - share * block
