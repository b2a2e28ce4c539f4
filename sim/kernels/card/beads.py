"""Moments that beads induce in each other, searched for on the card. No checks by design.

Each round sums the dipoles with the moments so far (`sim.kernels.card.steps`), asks for the
response of all beads to the field, and mixes it with those of earlier rounds; where a film is
settled, rounds do nothing, and where it is not, steps. Sums over slots are of fixed shape and in
double precision: of threads that each take every so many slots, of blocks of them, then of all.
"""

from typing import NamedTuple

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import (
    BUFFER,
    CHOSEN,
    HALTED,
    MOMENT,
    ROUND,
    SEARCHES,
    SETTLED,
    SIDE,
    SIZE_WORDS,
    STATUS,
    SUMS,
    moment_after,
    row_at,
)
from sim.kernels.card.steps import is_searching
from sim.kernels.card.tools import (
    BLOCK,
    LANES,
    bits_of,
    block,
    index,
    kernel,
    load_words,
    local_numbers,
    shared_numbers,
    store_words,
    sync,
    thread,
)
from sim.kernels.dipoles.induced import (
    DEPTH,
    MOST_SUMS,
    eliminate,
    induced_moment,
    moment_change,
)
from sim.kernels.laws.motion import missing_field
from sim.kernels.steps.added_forces import gradient_field

COLUMNS = 16
"""Sums over slots that are made at once."""
CHANGED, WHOLE, FULL = range(3)
PRODUCTS = 3
"""First of the products that the mixing sums: of changes with changes, then with the residual."""
RESIDUAL = PRODUCTS + DEPTH * DEPTH
THREADS = 32_768
"""Most threads that go through the slots of a film."""

f64 = np.float64
i64 = np.int64
PLACES = BLOCK * COLUMNS


class BeadKernels(NamedTuple):
    """Kernels of a round, in their order; sums over all slots are made between them."""

    begin: object
    respond: object
    judge: object
    mix: object


@register_jitable(forceinline=True)
def round_of(film):
    """Return how many rounds of this search went before, how many are remembered, and where."""
    before = film.flags[ROUND] - 1
    return min(before, DEPTH), (before - 1) % DEPTH


@register_jitable(forceinline=True)
def close_block(film, mine, numbers):
    """Write the sums of a block: what its threads have found, in their order."""
    for column in range(COLUMNS):
        numbers[thread() * COLUMNS + column] = mine[column]
    sync()
    if thread() < COLUMNS:
        total = 0.0
        for k in range(BLOCK):
            total += numbers[k * COLUMNS + thread()]
        film.beads.partials[block(), thread()] = total


def sums_over_slots(visit):
    """Return what adds up, by blocks of threads, what the slots of a searching film bring.

    Parameters
    ----------
    visit : callable
        Function (film, slot, sums) that adds to the `COLUMNS` sums of a thread.
    """

    @register_jitable(forceinline=True)
    def summed(film):
        numbers, sums = shared_numbers(PLACES, f64), local_numbers(COLUMNS, f64)
        if not is_searching(film):
            return
        for column in range(COLUMNS):
            sums[column] = 0.0
        for i in range(index(), film.count, film.beads.partials.shape[0] * BLOCK):
            visit(film, i, sums)
        close_block(film, sums, numbers)

    return summed


@register_jitable(forceinline=True)
def add_blocks(film, numbers):
    """Write the sums of all blocks, in one block of threads, for its first thread."""
    beads, rows = film.beads, BLOCK // COLUMNS
    column, row = thread() % COLUMNS, thread() // COLUMNS
    total = 0.0
    for k in range(row, beads.partials.shape[0], rows):
        total += beads.partials[k, column]
    numbers[thread()] = total
    sync()
    if thread() == 0:
        for column in range(COLUMNS):
            total = 0.0
            for k in range(rows):
                total += numbers[k * COLUMNS + column]
            beads.totals[column] = total


@register_jitable(forceinline=True)
def weigh(film):
    """Find how much of each remembered change is taken."""
    beads, kept = film.beads, round_of(film)[0]
    for a in range(kept):
        beads.weights[a] = beads.totals[RESIDUAL + a]
        for b in range(a + 1):
            beads.matrix[a, b] = beads.totals[PRODUCTS + DEPTH * a + b]
    eliminate(kept, beads.matrix, beads.weights)


@kernel
def judge(film):
    """Say whether the moments are those of the field that they make; else weigh earlier ones."""
    numbers = shared_numbers(BLOCK, f64)
    if not is_searching(film):  # all threads of a block have the same film
        return
    add_blocks(film, numbers)
    if thread() != 0:
        return
    beads, flags, totals = film.beads, film.flags, film.beads.totals
    change = moment_change(totals[CHANGED], totals[WHOLE], totals[FULL])
    beads.change[0] = change
    if change < beads.tolerance:
        flags[SUMS] += flags[ROUND]
        flags[SEARCHES] += 1
        flags[SETTLED] = 1
    elif flags[ROUND] >= MOST_SUMS:
        flags[STATUS] = HALTED
    else:
        weigh(film)


def bead_kernels(choice):
    """Return the kernels of beads for a choice of `sim.kernels.card.pairs`."""
    lane, cutoff, body = LANES[choice.real], choice.cutoff, choice.body

    @kernel
    def begin(film):
        """Begin a round: add up the moments that were mixed, and have the mesh summed."""
        numbers = shared_numbers(BLOCK, f64)
        searching, before = is_searching(film), film.flags[ROUND]
        sync()  # the first thread changes them
        if searching and before > 0:
            add_blocks(film, numbers)
        if thread() != 0:
            return
        film.flags[CHOSEN] = i64(searching)
        if not searching:
            return
        if before > 0:
            for axis in range(3):
                film.magnetisation[axis] = film.beads.totals[axis] * film.back_volume
        film.flags[ROUND] = before + 1

    @register_jitable(forceinline=True)
    def size_of(film, i):
        """Return where the sizes of a slot stand."""
        size = i * film.several
        if film.several != 0:
            size = i64(film.identity[film.flags[SIDE], i])
        return size * SIZE_WORDS

    @register_jitable(forceinline=True)
    def local_field(film, i):
        """Return the field at a slot: the applied one and that of all other dipoles."""
        applied, held, thickness = film.applied[0], film.held, film.patch.thickness
        bx, by, bz = f64(held[3, i]), f64(held[4, i]), f64(held[5, i])
        bx, by, bz = bx + applied[0], by + applied[1], bz + applied[2]
        if cutoff or body:
            z = f64(load_words(film.rows, row_at(film, film.flags[BUFFER], i))[2]) * film.unit_z
            if cutoff:
                plane, across = missing_field(z, thickness, film.laws.cutoff)
                bx = bx + plane * film.magnetisation[0]
                by = by + plane * film.magnetisation[1]
                bz = bz + across * film.magnetisation[2]
            if body:
                slope = gradient_field(z, thickness, applied)
                bx, by, bz = bx + slope[0], by + slope[1], bz + slope[2]
        return bx, by, bz

    @register_jitable(forceinline=True)
    def remember(film, i, axis, now, residual, sums):
        """Store how iterate and residual of a slot have changed, and add up products of changes."""
        beads, (kept, place) = film.beads, round_of(film)
        if kept > 0:
            beads.moment_changes[place, axis, i] = now - beads.last_moments[axis, i]
            beads.residual_changes[place, axis, i] = residual - beads.last_residual[axis, i]
        beads.last_moments[axis, i] = now
        beads.last_residual[axis, i] = residual
        for a in range(kept):
            first = beads.residual_changes[a, axis, i]
            sums[RESIDUAL + a] += first * residual
            for b in range(a + 1):
                second = beads.residual_changes[b, axis, i]
                sums[PRODUCTS + DEPTH * a + b] += first * second

    @register_jitable(forceinline=True)
    def respond_slot(film, i, sums):
        """Find how far the moment of a slot is from what the field at it induces."""
        side, saturation = film.flags[SIDE], f64(film.sizes[size_of(film, i) + MOMENT])
        bx, by, bz = local_field(film, i)
        found = induced_moment(bx, by, bz, saturation, film.beads.core_langevin)
        for axis in range(3):
            now = saturation * film.directions[side, axis, i]
            residual = found[axis] - now
            sums[CHANGED] += residual * residual
            sums[WHOLE] += found[axis] * found[axis]
            remember(film, i, axis, now, residual, sums)
        sums[FULL] += saturation * saturation

    @register_jitable(forceinline=True)
    def mix_slot(film, i, sums):
        """Give a slot the moment of the next round."""
        beads, kept, side = film.beads, round_of(film)[0], film.flags[SIDE]
        saturation = film.sizes[size_of(film, i) + MOMENT]
        for axis in range(3):
            new = beads.last_moments[axis, i] + beads.last_residual[axis, i]
            for a in range(kept):
                change = beads.moment_changes[a, axis, i] + beads.residual_changes[a, axis, i]
                new -= beads.weights[a] * change
            sums[axis] += new
            film.directions[side, axis, i] = new / f64(saturation) if saturation > 0.0 else 0.0
        m = lane(saturation)
        x = bits_of(m * lane(film.directions[side, 0, i]))
        y = bits_of(m * lane(film.directions[side, 1, i]))
        z = bits_of(m * lane(film.directions[side, 2, i]))
        at = row_at(film, film.flags[BUFFER], i) + moment_after(film)
        store_words(film.rows, at, (x, y, z, bits_of(lane(0.0))))

    respond_all, mix_all = sums_over_slots(respond_slot), sums_over_slots(mix_slot)

    @kernel
    def respond(film):
        """Find how far the moments of all slots are from what the field at them induces."""
        respond_all(film)

    @kernel
    def mix(film):
        """Give all slots the moments of the next round, and add these up."""
        mix_all(film)

    return BeadKernels(begin, respond, judge, mix)
