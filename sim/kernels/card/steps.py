"""Steps of a film on the card: plain ones, and outer ones of several inner ones.

A step that is due after the list has become too old, or after a particle was thrown, does nothing:
steps may be asked for ahead, and the host looks at the flags now and then. When it looks changes no
bit. Sums over all slots are sums of whole numbers, which hang on no order. No checks by design.
"""

from typing import NamedTuple

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import (
    BUFFER,
    CHOSEN,
    HALTED,
    KEPT,
    LIST_DUE,
    MADE,
    MOVE,
    ROUND,
    SETTLED,
    SIDE,
    STALE,
    STATUS,
    SUM_DUE,
    THROWN,
    THROWN_MOVE,
)
from sim.kernels.card.motion import (
    going,
    moments_at,
    motion_of,
    move_of,
    normals_before,
)
from sim.kernels.card.pairs import pair_loops
from sim.kernels.card.shares import slot_sums
from sim.kernels.card.tools import (
    BLOCK,
    LANES,
    atomic_add,
    index,
    kernel,
    plain,
    shared_counts,
    sync,
    thread,
)
from sim.kernels.steps.applied_field import field_at

i64 = np.int64
u64 = np.uint64


class StepKernels(NamedTuple):
    """Kernels of the steps of a film."""

    plain: object
    far: object
    inner: object
    sums: object
    settled: object


@register_jitable(forceinline=True)
def write_fields(film, move):
    """Write field and gradient of each move of a step from a move on, by the threads of a block."""
    for k in range(thread(), film.applied.shape[0], BLOCK):
        field_at((move + k) * film.laws.dt, film.programme, film.applied[k])


@register_jitable(forceinline=True)
def conclude(film, goes):
    """Conclude the moves of a step, and write the fields of the next one, by one block."""
    flags, clock, moves = film.flags, film.clock, film.applied.shape[0]
    if goes:
        write_fields(film, i64(clock[MOVE]) + moves)
    sync()
    if index() == 0 and goes:
        flags[BUFFER] = flags[BUFFER] ^ (moves & 1)
        flags[MADE] += moves
        flags[SUM_DUE] = flags[MADE] % film.sum_every == 0
        clock[MOVE] = clock[MOVE] + u64(moves)
        flags[KEPT] = 1
        if flags[THROWN] != 0:
            flags[STATUS] = HALTED
            flags[MADE] += 1 - flags[THROWN] // THROWN_MOVE
        elif flags[STALE] != 0:
            flags[STATUS] = LIST_DUE


@register_jitable(forceinline=True)
def is_settled(film):
    """Say whether beads move: their moments are those of their places."""
    return going(film) and film.flags[SETTLED] != 0


@register_jitable(forceinline=True)
def is_searching(film):
    """Say whether a film of beads waits for their moments."""
    return going(film) and film.flags[SETTLED] == 0


@kernel
def conclude_step(film):
    """Conclude a step, in one block of threads."""
    conclude(film, going(film))


@kernel
def conclude_settled(film):
    """Conclude a step of beads, whose moments are those of the places before; one block."""
    goes = is_settled(film)
    conclude(film, goes)
    if index() == 0 and goes:
        film.flags[SETTLED] = 0
        film.flags[ROUND] = 0


@kernel
def apply_fields(film):
    """Write the fields of the moves of the next step, and whether a sum is due; one block."""
    write_fields(film, i64(film.clock[MOVE]))
    if index() == 0:
        film.flags[SUM_DUE] = film.flags[MADE] % film.sum_every == 0


@kernel
def draw_momenta(film):
    """Give the particles of a chosen film momenta of equilibrium: normals of the move before."""
    i = index()
    if i < film.count and film.flags[CHOSEN] != 0:
        normals = normals_before(film, i, film.flags[SIDE])
        for axis in range(6):
            film.momentum[film.flags[SIDE], axis, i] = film.laws.noise * normals[axis]


def step_kernels(choice, screening):
    """Return the kernels of a film's steps.

    Parameters
    ----------
    choice : Choice
    screening : array of the rows' float type, or None
        Table of `screened_radial` beside a mesh; its numbers become constants of the kernels.
    """
    lane = LANES[choice.real]
    loops, move = pair_loops(choice, screening), motion_of(choice)
    sums = slot_sums(choice, loops)
    read, whole = loops.read, loops.whole
    whole_sums, far_sums, near_sums = sums.whole, sums.far, sums.near
    cutoff, induced = choice.cutoff, choice.induced

    @register_jitable(forceinline=True)
    def with_mesh(film, i, total):
        """Return the sums of a slot with what the mesh has found for it, if there is one."""
        if cutoff:
            return total
        smooth, side = film.smooth, film.flags[SIDE]
        fx, fy, fz, s, ex, ey, ez = total
        return (
            fx + lane(smooth[side, 0, i]), fy + lane(smooth[side, 1, i]),
            fz + lane(smooth[side, 2, i]), s, ex + lane(smooth[side, 3, i]),
            ey + lane(smooth[side, 4, i]), ez + lane(smooth[side, 5, i]),
        )  # fmt: skip

    @register_jitable(forceinline=True)
    def force_and_field(total, moment):
        """Return the sums with the part along the moment put into the force."""
        fx, fy, fz, s, ex, ey, ez = total
        return (fx + s * moment[0], fy + s * moment[1], fz + s * moment[2]), (ex, ey, ez)

    @register_jitable(forceinline=True)
    def open_counts(counts):
        """Empty the counts of a block."""
        if thread() < 3:
            counts[thread()] = 0
        sync()

    @register_jitable(forceinline=True)
    def close_counts(film, counts, goes):
        """Add the counts of a block to those of all, and empty those of the move after this one."""
        sync()
        if thread() < 3 and goes:
            move = move_of(film)
            if counts[thread()] != 0:
                at = moments_at(move + u64(1)) + thread()
                atomic_add(film.moments, at, i64(counts[thread()]))
            if index() < 3:
                film.moments[moments_at(move + u64(2)) + index()] = 0

    @kernel
    def plain_step(film):
        """Sum all pairs of each slot, and move it."""
        i, goes = index(), going(film)
        counts = shared_counts()
        if cutoff:
            open_counts(counts)
        if i < film.count and goes:
            buffer = film.flags[BUFFER]
            base = buffer * film.count
            own = read(film, base, i)
            total = with_mesh(film, i, whole(film, base, i, own))
            force, field = force_and_field(total, own[2])
            move(film, i, buffer, own, force, field, counts)
        if cutoff:
            close_counts(film, counts, goes)

    @kernel
    def far_step(film):
        """Sum the far pairs of each slot, list its near ones, and keep the sums."""
        i, total = far_sums(film, going(film))
        if i < 0:
            return
        side = film.flags[SIDE]
        total = with_mesh(film, i, total)
        ahead = lane(film.ahead) if film.flags[KEPT] != 0 else lane(0.0)
        for axis in range(7):
            now, before = total[axis], lane(film.earlier[side, axis, i])
            film.held[axis, i] = plain(now + ahead * (now - before))
            film.earlier[side, axis, i] = plain(now)

    @kernel
    def inner_step(film):
        """Sum the near pairs of each slot, add what is kept, and move it."""
        goes, counts = going(film), shared_counts()
        if cutoff:
            open_counts(counts)
        buffer = film.flags[BUFFER] ^ (film.turn & 1)
        i, own, total = near_sums(film, goes, buffer)
        if i >= 0:
            force, field = force_and_field(total, own[2])
            move(film, i, buffer, own, force, field, counts)
        if cutoff:
            close_counts(film, counts, goes)

    @kernel
    def write_sums(film):
        """Write force and field of all pairs, and of the mesh where it was summed, to ``held``.

        Of beads only where their moments are searched for.
        """
        i, total = whole_sums(film, is_searching(film) if induced else True)
        if i < 0:
            return
        own = read(film, film.flags[BUFFER] * film.count, i)
        force, field = force_and_field(with_mesh(film, i, total), own[2])
        for axis in range(3):
            film.held[axis, i] = plain(force[axis])
            film.held[3 + axis, i] = plain(field[axis])

    @kernel
    def settled_step(film):
        """Move each slot of beads by the sums of their moments."""
        i, held = index(), film.held
        if i < film.count and is_settled(film):
            buffer = film.flags[BUFFER]
            own = read(film, buffer * film.count, i)
            force = lane(held[0, i]), lane(held[1, i]), lane(held[2, i])
            field = lane(held[3, i]), lane(held[4, i]), lane(held[5, i])
            move(film, i, buffer, own, force, field, film.moments)

    return StepKernels(plain_step, far_step, inner_step, write_sums, settled_step)
