"""The compiled run of many steps: lists, forces, noise and motion, block by block.

A step is a row of parts, each a kernel, done one after the other on a block while what they hand
on is in the fastest memory. A block reads the rows of all particles and writes only its own slots
and the other row buffer, so the result does not depend on how blocks are shared among threads.
Totals of blocks are added in fixed order. No checks by design, except the guards against a
particle that moves too far or is not a number.
"""

import numpy as np
from numba import njit

from sim.kernels.laws.pairs import ADDED
from sim.kernels.steps.added_forces import add_body_forces, add_pairs
from sim.kernels.steps.applied_field import FIELD_SIZE, field_at
from sim.kernels.steps.layout import AXES, EXACT, LIST_FULL, STEP_DONE, THROWN
from sim.kernels.steps.lists import (
    BESIDE_REALS,
    block_bounds,
    find_cells,
    list_block,
    reorder_array,
    sort_order,
    wrap_slots,
)
from sim.kernels.steps.momenta import move_with_momenta
from sim.kernels.steps.motion import LANES, move
from sim.kernels.steps.noise import normals
from sim.kernels.steps.pair_sums import CHOICES, pair_sums
from sim.kernels.steps.rows import pack_far_row, pack_rows
from sim.kernels.vectors.calls import address_of, call, get_thread_id, kernel, on_blocks
from sim.kernels.vectors.ops import where
from sim.kernels.vectors.rows import WORDS, store_sums
from sim.kernels.vectors.types import load, spread, store

u64 = np.uint64
__all__ = ["FIELD_SIZE", "FLAGS", "advance", "field_at", "fresh_list"]

# State that the loop carries from call to call, in one integer array: row buffer in use,
# whether the list must be built before the next force, lists built, capped drifts; and what a
# call reports: entries that a block needs, particle thrown, status, steps made; and which sums
# ``split_steps`` keeps.
BUFFER, STALE, BUILT, CAPPED, PAIRS_NEEDED, CULPRIT, STATUS, MADE, KEPT = range(9)
FLAGS = 9
MOVE, SEED = 0, 1  # of the clock: moves made, which are steps where these have no inner ones


@njit(cache=True, error_model="numpy", inline="always")
def bounds(block, film):
    """Return the first and the end slot of a block."""
    return block_bounds(block, film.totals.thrown.size, film.slots.x.size)


@njit(cache=True, error_model="numpy", inline="always")
def most(needed):
    """Return the largest of some counts; numba's own maximum takes half a second to compile."""
    largest = 0
    for k in range(needed.size):
        largest = max(largest, needed[k])
    return largest


@njit(cache=True, error_model="numpy", inline="always")
def arrays_of(film):
    """Return how many arrays move with the slots."""
    return film.slots.reals.shape[0] + BESIDE_REALS


@kernel
def list_pairs(block, film):
    """List the neighbours of a block."""
    blocks = film.totals.thrown.size
    film.totals.needed[block] = list_block(
        block, blocks, film.slots, film.patch, film.neighbours, film.lanes
    )


@kernel
def pack_block(block, film):
    """Write the rows of a block as its slots are now."""
    first, end = bounds(block, film)
    now = film.flags[BUFFER]
    pack_rows(first, end, film.slots, film.patch, film.rows[now])


@kernel
def wrap_block(block, film):
    """Wrap the particles of a block into the patch and find their cells."""
    first, end = bounds(block, film)
    wrap_slots(first, min(end, film.count), film.slots, film.patch, film.neighbours.key)


@kernel
def sort_array(number, film):
    """Put one of the arrays of the slots into the order of the cells."""
    scratch = film.neighbours.scratch
    # a thread or an array has a row of its own, whichever are fewer
    row = number if scratch.shape[0] == arrays_of(film) else get_thread_id()
    reorder_array(number, film.slots, film.neighbours.order, film.count, scratch[row])


@kernel
def pad_rows(number, film):
    """Write the row that pads lists into both buffers."""
    for buffer in range(2):
        pack_far_row(film.slots.x.size, film.rows[buffer], film.row_words[buffer])


@kernel
def fresh_list(number, film):
    """Sort and list again if due; the status tells where the list has too little room."""
    flags, calls = film.flags, film.calls
    blocks, here = film.totals.thrown.size, address_of(film)
    flags[STATUS] = STEP_DONE
    if flags[STALE] == 1:
        on_blocks(calls.wrap, blocks, here)
        sort_order(film.neighbours, film.count)
        on_blocks(calls.sort_array, arrays_of(film), here)
        flags[STALE] = 2
    if flags[STALE] == 2:  # sorted, list still to build
        on_blocks(calls.list_block, blocks, here)
        flags[PAIRS_NEEDED] = most(film.totals.needed)
        if flags[PAIRS_NEEDED] > film.neighbours.entries.size // blocks:
            flags[STATUS] = LIST_FULL
            return
        on_blocks(calls.pack, blocks, here)
        flags[STALE] = 0
        flags[BUILT] += 1


@kernel
def sort_again(number, film):
    """Find the order of slots that are sorted already, as after a restart; lists are due."""
    find_cells(0, film.count, film.slots, film.patch, film.neighbours.key)
    sort_order(film.neighbours, film.count)
    film.flags[STALE] = 2


def _pair_part(surfactant, equal_sizes):
    @kernel
    def pair_part(block, film):
        """Sum the pairs of a block: force and field of the other dipoles, and repulsion."""
        first, end = bounds(block, film)
        now, me = film.flags[BUFFER], get_thread_id()
        pairs, sums = film.pairs[me], film.scratch.sums[me]
        pair_sums(
            first, end, film.rows[now], film.row_words[now], film.neighbours, film.patch, film.laws,
            film.screening, pairs, surfactant, equal_sizes,
        )  # fmt: skip
        for k in range(WORDS * (end - first)):
            sums[k] = pairs[k]

    return pair_part


# By whether layers of surfactant repel and whether all particles are of one size: these are
# constants of each kernel.
pair_parts = {choice: _pair_part(*choice) for choice in CHOICES}


@kernel
def far_part(block, film):
    """Add what the exact sum or the mesh has found."""
    first, end = bounds(block, film)
    sums = film.scratch.sums[get_thread_id()]
    if film.laws.long_range == EXACT:
        for k in range(end - first):
            for axis in range(3):
                sums[WORDS * k + axis] += film.long_range.force[first + k, axis]
                sums[WORDS * k + 4 + axis] += film.long_range.field[first + k, axis]
    else:
        smooth = film.slots.smooth
        for axis in range(3):
            for k in range(end - first):
                sums[WORDS * k + axis] += smooth[axis, first + k]
                sums[WORDS * k + 4 + axis] += smooth[3 + axis, first + k]


def _added_part(number):
    @kernel
    def added_part(block, film):
        """Add the first pair laws of `ADDED`, up to the last that acts."""
        first, end = bounds(block, film)
        now, me = film.flags[BUFFER], get_thread_id()
        add_pairs(
            first, end - first, film.rows[now], film.row_words[now], film.neighbours, film.patch,
            film.laws, number, film.pairs[me], film.scratch.sums[me],
        )  # fmt: skip

    return added_part


# By the number of laws.
added_parts = {number: _added_part(number) for number in range(1, len(ADDED) + 1)}


@kernel
def body_part(block, film):
    """Add weight and the field's gradient."""
    first, end = bounds(block, film)
    add_body_forces(
        first, end - first, film.slots, film.patch, film.laws, film.applied,
        film.scratch.sums[get_thread_id()],
    )  # fmt: skip


@kernel(fastmath=True)
def noise_part(block, film):
    """Draw the normals of a block."""
    first, end = bounds(block, film)
    me = get_thread_id()
    normals(
        film.slots.identity, first, end - first, film.clock[MOVE], film.clock[SEED],
        film.scratch.words[me], film.scratch.fresh[me],
    )  # fmt: skip


@kernel
def keep_noise(block, film):
    """Keep the normals as those of the step before."""
    first, end = bounds(block, film)
    fresh = film.scratch.fresh[get_thread_id()]
    for axis in range(AXES):
        for k in range(end - first):
            film.slots.last_noise[axis, first + k] = fresh[axis, k]


@kernel
def motion_part(block, film):
    """Move and turn a block without momenta."""
    first, end = bounds(block, film)
    me, scratch = get_thread_id(), film.scratch
    move(
        first, end - first, film.slots, scratch.sums[me], scratch.fresh[me], film.applied,
        film.magnetisation, film.patch, film.laws, scratch.drift2[me], scratch.travel2[me],
    )  # fmt: skip


@kernel
def momenta_part(block, film):
    """Move and turn a block with momenta."""
    first, end = bounds(block, film)
    me, scratch = get_thread_id(), film.scratch
    move_with_momenta(
        first, end - first, film.slots, scratch.sums[me], scratch.fresh[me], film.applied,
        film.magnetisation, film.patch, film.laws, scratch.drift2[me], scratch.travel2[me],
    )  # fmt: skip


@njit(cache=True, error_model="numpy", inline="always")
def worst_slot(first, count, drift2, travel2, limit2):
    """Return the slot within the block that drifts beyond the limit or is not a number, else -1."""
    for k in range(count):
        if not (drift2[k] <= limit2) or not (travel2[k] < 1.0e30):
            return first + k
    return -1


@kernel
def report_part(block, film):
    """Write a block's totals and new rows."""
    first, end = bounds(block, film)
    me, slots, totals, laws = get_thread_id(), film.slots, film.totals, film.laws
    drift2, travel2 = film.scratch.drift2[me], film.scratch.travel2[me]
    cap2, limit2 = laws.drift_cap * laws.drift_cap, laws.drift_limit * laws.drift_limit
    farthest = capped = sound = total_x = total_y = total_z = spread(0.0)
    for k in range(u64(0), u64(end - first), u64(LANES)):
        drift, travel = load(drift2, k), load(travel2, k)
        farthest = where(travel > farthest, travel, farthest)
        capped = capped + where(drift > cap2, spread(1.0), 0.0)
        # comparisons are false for what is not a number
        sound = sound + where(drift <= limit2, where(travel < 1.0e30, spread(1.0), 0.0), 0.0)
        i = u64(first) + k
        m = load(slots.moment, i)
        total_x = total_x + m * load(slots.ux, i)
        total_y = total_y + m * load(slots.uy, i)
        total_z = total_z + m * load(slots.uz, i)
    zero = spread(0.0)
    found = film.scratch.sums[me]  # used up
    store_sums(found, u64(0), (total_x, total_y, total_z, capped, sound, zero, zero, zero))
    store(found, u64(WORDS), farthest)
    for axis in range(3):
        totals.moment[block, axis] = found[axis]
    totals.capped[block] = found[3]
    totals.thrown[block] = -1
    if found[4] != end - first:
        totals.thrown[block] = worst_slot(first, end - first, drift2, travel2, limit2)
    totals.farthest[block] = 0.0
    for lane in range(LANES):
        totals.farthest[block] = max(totals.farthest[block], found[WORDS + lane])
    pack_rows(first, end, slots, film.patch, film.rows[1 - film.flags[BUFFER]])


@kernel
def apply_field(number, film):
    """Write the applied field and its gradient at the time of the clock."""
    field_at(np.int64(film.clock[MOVE]) * film.laws.dt, film.programme, film.applied)


@kernel
def sum_exact(number, film):
    """Sum the dipoles exactly where the slots are now."""
    slots, long_range, exact = film.slots, film.long_range, film.calls.exact
    for i in range(film.count):
        long_range.mx[i] = slots.moment[i] * slots.ux[i]
        long_range.my[i] = slots.moment[i] * slots.uy[i]
        long_range.mz[i] = slots.moment[i] * slots.uz[i]
    call(exact[0], 0, exact[1])


@njit(cache=True, error_model="numpy", inline="always")
def conclude(film):
    """Add the blocks' totals of a step, in fixed order; return whether a particle was thrown."""
    flags, totals, patch = film.flags, film.totals, film.patch
    volume = patch.side_x * patch.side_y * patch.thickness
    flags[BUFFER] = 1 - flags[BUFFER]
    farthest = 0.0
    thrown = -1
    total_x = total_y = total_z = 0.0
    for block in range(totals.thrown.size):
        flags[CAPPED] += totals.capped[block]
        farthest = max(farthest, totals.farthest[block])
        total_x += totals.moment[block, 0]
        total_y += totals.moment[block, 1]
        total_z += totals.moment[block, 2]
        if thrown < 0:
            thrown = totals.thrown[block]
    film.magnetisation[0] = total_x / volume
    film.magnetisation[1] = total_y / volume
    film.magnetisation[2] = total_z / volume
    if 4.0 * farthest > patch.margin * patch.margin:
        flags[STALE] = 1
    if thrown >= 0:
        flags[CULPRIT] = film.slots.identity[thrown]
    return thrown >= 0


@kernel
def advance(steps, film):
    """Make up to ``steps`` steps; flags and clock tell how many were made and why no more."""
    flags, calls, here = film.flags, film.calls, address_of(film)
    flags[MADE] = 0
    flags[STATUS] = STEP_DONE
    while flags[MADE] < steps:
        call(calls.fresh[0], 0, here)
        if flags[STATUS] == LIST_FULL:
            return
        if calls.far[0] != 0:
            call(calls.far[0], 0, here)
        call(calls.field[0], 0, here)
        on_blocks(calls.parts, film.totals.thrown.size, here)
        thrown = conclude(film)
        film.clock[MOVE] += np.uint64(1)
        flags[MADE] += 1
        if thrown:
            flags[STATUS] = THROWN
            return
