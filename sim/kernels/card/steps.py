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
    GO,
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
    THROWN,
)
from sim.kernels.card.motion import going, motion_of, normals_before
from sim.kernels.card.pairs import pair_loops
from sim.kernels.card.shares import slot_sums
from sim.kernels.card.tools import (
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
def conclude(film):
    """Add up a move, and write field and gradient of the next one."""
    for axis in range(3):
        film.magnetisation[axis] = film.moments[axis] * film.moment_unit / film.volume
        film.moments[axis] = 0
    pass_on(film)


@register_jitable(forceinline=True)
def pass_on(film):
    """Take what a move has written, and write field and gradient of the next one."""
    flags, clock = film.flags, film.clock
    flags[BUFFER] = 1 - flags[BUFFER]
    flags[MADE] += 1
    clock[MOVE] = clock[MOVE] + u64(1)
    if flags[THROWN] != 0:
        flags[STATUS] = HALTED
    field_at(i64(clock[MOVE]) * film.laws.dt, film.programme, film.applied)


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
    """Conclude a plain step, or the last inner one."""
    if index() == 0 and going(film):
        conclude(film)
        film.flags[KEPT] = 1
        look_at_list(film)


@register_jitable(forceinline=True)
def look_at_list(film):
    """Have the list built again where it has become too old."""
    if film.flags[STALE] != 0 and film.flags[STATUS] == GO:
        film.flags[STATUS] = LIST_DUE


@kernel
def conclude_settled(film):
    """Conclude a step of beads, whose moments are those of the places before."""
    if index() == 0 and is_settled(film):
        pass_on(film)
        film.flags[SETTLED] = 0
        film.flags[ROUND] = 0
        look_at_list(film)


@kernel
def conclude_inner(film):
    """Conclude an inner step that others follow."""
    if index() == 0 and going(film):
        conclude(film)


@kernel
def apply_field(film):
    """Write the applied field and its gradient at the time of the clock."""
    if index() == 0:
        field_at(i64(film.clock[MOVE]) * film.laws.dt, film.programme, film.applied)


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
    read, whole, near = loops.read, loops.whole, loops.near
    whole_sums, far_sums = sums.whole, sums.far
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
    def close_counts(film, counts):
        """Add the counts of a block to those of all."""
        sync()
        if thread() < 3 and counts[thread()] != 0:
            atomic_add(film.moments, thread(), i64(counts[thread()]))

    @kernel
    def plain_step(film):
        """Sum all pairs of each slot, and move it."""
        i = index()
        counts = shared_counts()
        if cutoff:
            open_counts(counts)
        if i < film.count and going(film):
            base = film.flags[BUFFER] * film.count
            own = read(film, base, i)
            total = with_mesh(film, i, whole(film, base, i, own))
            force, field = force_and_field(total, own[2])
            move(film, i, own, force, field, counts)
        if cutoff:
            close_counts(film, counts)

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
        i = index()
        counts = shared_counts()
        if cutoff:
            open_counts(counts)
        if i < film.count and going(film):
            base, held = film.flags[BUFFER] * film.count, film.held
            own = read(film, base, i)
            fx, fy, fz, s, ex, ey, ez = near(film, base, i, own)
            total = (
                fx + lane(held[0, i]), fy + lane(held[1, i]), fz + lane(held[2, i]),
                s + lane(held[3, i]), ex + lane(held[4, i]), ey + lane(held[5, i]),
                ez + lane(held[6, i]),
            )  # fmt: skip
            force, field = force_and_field(total, own[2])
            move(film, i, own, force, field, counts)
        if cutoff:
            close_counts(film, counts)

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
            own = read(film, film.flags[BUFFER] * film.count, i)
            force = lane(held[0, i]), lane(held[1, i]), lane(held[2, i])
            field = lane(held[3, i]), lane(held[4, i]), lane(held[5, i])
            move(film, i, own, force, field, film.moments)

    return StepKernels(plain_step, far_step, inner_step, write_sums, settled_step)
