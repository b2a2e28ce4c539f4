"""Steps of a film on the card: plain ones, and outer ones of several inner ones.

A step that is due after the list has become too old, or after a particle was thrown, does nothing:
steps may be asked for ahead, and the host looks at the flags now and then. When it looks changes no
bit. Sums over all slots are sums of whole numbers, which hang on no order. No checks by design,
except the guards against a particle that moves too far or is not a number.
"""

from typing import NamedTuple

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card import layout
from sim.kernels.card.layout import (
    BUFFER,
    CAPPED,
    GO,
    HALTED,
    KEPT,
    KICK,
    LIST_DUE,
    MADE,
    MOMENT,
    MOVE,
    PACE,
    SEED,
    SIDE,
    SIZE_WORDS,
    STALE,
    STATUS,
    TARGET,
    THROWN,
    TURN,
    TWIST,
    WORDS,
)
from sim.kernels.card.pairs import pair_loops
from sim.kernels.card.tools import (
    LANES,
    atomic_add,
    atomic_max,
    bits_of,
    index,
    kernel,
    load_words,
    plain,
    rounded,
    shared_counts,
    store_words,
    sync,
    thread,
    wrapped,
)
from sim.kernels.laws.motion import brownian_move, missing_field, window_force
from sim.kernels.steps.added_forces import body_force
from sim.kernels.steps.applied_field import field_at
from sim.kernels.steps.noise import normal_pair, philox

i64 = np.int64
u64 = np.uint64


class StepKernels(NamedTuple):
    """Kernels of the steps of a film."""

    plain: object
    far: object
    inner: object
    sums: object


@register_jitable(forceinline=True)
def going(film):
    """Say whether a film makes a move; one that has come to its target waits for the others."""
    return film.flags[STATUS] == GO and film.flags[MADE] < film.flags[TARGET]


@register_jitable(forceinline=True)
def normals_of(identity, move, seed):
    """Return the six normals of a particle in a move."""
    low, high = move & u64(0xFFFFFFFF), move >> u64(32)
    a, b, c, d = philox(identity, low, high, u64(0), seed)
    e, f, _, _ = philox(identity, low, high, u64(1), seed)
    g, h = normal_pair(a, b)
    k, n = normal_pair(c, d)
    p, q = normal_pair(e, f)
    return g, h, k, n, p, q


@register_jitable(forceinline=True)
def averaged_normals(film, i, side):
    """Return a slot's normals of this move averaged with those of the move before."""
    identity, move, seed = u64(film.identity[side, i]), film.clock[MOVE], film.clock[SEED]
    new = normals_of(identity, move, seed)
    before = move - u64(1) if move != u64(0) else u64(0xFFFFFFFFFFFFFFFF)
    old = normals_of(identity, before, seed)
    half = np.float32(0.5)
    return (
        half * (old[0] + new[0]), half * (old[1] + new[1]), half * (old[2] + new[2]),
        half * (old[3] + new[3]), half * (old[4] + new[4]), half * (old[5] + new[5]),
    )  # fmt: skip


@register_jitable(forceinline=True)
def conclude(film):
    """Add up a move, and write field and gradient of the next one."""
    flags, clock = film.flags, film.clock
    for axis in range(3):
        film.magnetisation[axis] = film.moments[axis] * film.moment_unit / film.volume
        film.moments[axis] = 0
    flags[BUFFER] = 1 - flags[BUFFER]
    flags[MADE] += 1
    clock[MOVE] = clock[MOVE] + u64(1)
    if flags[THROWN] != 0:
        flags[STATUS] = HALTED
    field_at(i64(clock[MOVE]) * film.laws.dt, film.programme, film.applied)


@kernel
def conclude_step(film):
    """Conclude a plain step, or the last inner one."""
    if index() == 0 and going(film):
        conclude(film)
        film.flags[KEPT] = 1
        if film.flags[STALE] != 0 and film.flags[STATUS] == GO:
            film.flags[STATUS] = LIST_DUE


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


def motion_of(choice):
    """Return the function of a thread that moves its slot, from force and field of the others."""
    lane = LANES[choice.real]
    cutoff, body = choice.cutoff, choice.body

    @register_jitable(forceinline=True)
    def surrounded(film, z, radius, moment, force, field):
        """Return force and field with windows, applied field, body forces, and beyond a cut-off."""
        laws, thickness, now = film.laws, film.patch.thickness, film.applied
        applied = (
            lane(now[0]), lane(now[1]), lane(now[2]), lane(now[3]), lane(now[4]), lane(now[5]),
            lane(now[6]), lane(now[7]), lane(now[8]),
        )  # fmt: skip
        fx, fy, fz = force
        bx, by, bz = field
        fz = fz + window_force(z, radius, thickness, laws.window_strength)
        bx, by, bz = bx + applied[0], by + applied[1], bz + applied[2]
        if body:
            pull, slope = body_force(z, radius, moment, thickness, laws, applied)
            fx, fy, fz = fx + pull[0], fy + pull[1], fz + pull[2]
            bx, by, bz = bx + slope[0], by + slope[1], bz + slope[2]
        if cutoff:
            plane, across = missing_field(z, thickness, laws.cutoff)
            bx = bx + plane * lane(film.magnetisation[0])
            by = by + plane * lane(film.magnetisation[1])
            bz = bz + across * lane(film.magnetisation[2])
        return (fx, fy, fz), (bx, by, bz)

    @register_jitable(forceinline=True)
    def guard(film, i, new, squared):
        """Note a drift that was capped or went too far, and a list that is too old."""
        laws, patch = film.laws, film.patch
        if squared > laws.drift_cap * laws.drift_cap:
            atomic_add(film.flags, CAPPED, i64(1))
        if not (squared <= laws.drift_limit * laws.drift_limit):
            atomic_max(film.flags, THROWN, i + 1)
        x, y, z, _ = load_words(
            film.reference, (film.flags[SIDE] * film.count + i) * layout.REFERENCE_WORDS
        )
        dx = lane(wrapped(new[0], x)) * film.unit_x
        dy = lane(wrapped(new[1], y)) * film.unit_y
        dz = lane(wrapped(new[2], z)) * film.unit_z
        if 4.0 * (dx * dx + dy * dy + dz * dz) > patch.margin * patch.margin:
            film.flags[STALE] = 1

    @register_jitable(forceinline=True)
    def move(film, i, place, radius, moment, force, field, counts):
        side = film.flags[SIDE]
        size = i * film.several
        if film.several != 0:
            size = i64(film.identity[side, i])
        sizes, at = film.sizes, size * SIZE_WORDS
        force, field = surrounded(film, lane(place[2]) * film.unit_z, radius, moment, force, field)
        u = (
            lane(film.directions[side, 0, i]),
            lane(film.directions[side, 1, i]),
            lane(film.directions[side, 2, i]),
        )
        moved, u, squared = brownian_move(
            u, force, field, averaged_normals(film, i, side), lane(sizes[at + PACE]),
            lane(sizes[at + KICK]), lane(sizes[at + TURN]), lane(sizes[at + TWIST]),
            film.laws.drift_cap,
        )  # fmt: skip
        new = (
            wrapped(place[0], rounded(moved[0] * film.back_x)),
            wrapped(place[1], rounded(moved[1] * film.back_y)),
            wrapped(place[2], rounded(moved[2] * film.back_z)),
        )
        m = lane(sizes[at + MOMENT])
        mx, my, mz = m * u[0], m * u[1], m * u[2]
        to = ((1 - film.flags[BUFFER]) * film.count + i) * WORDS
        store_words(film.rows, to, (new[0], new[1], new[2], bits_of(radius)))
        store_words(film.rows, to + 4, (bits_of(mx), bits_of(my), bits_of(mz), bits_of(lane(0.0))))
        for axis in range(3):
            film.directions[side, axis, i] = plain(u[axis])
        guard(film, i, new, squared)
        if cutoff:
            unit = film.units_a_moment
            atomic_add(counts, 0, np.int32(plain(mx * unit)))
            atomic_add(counts, 1, np.int32(plain(my * unit)))
            atomic_add(counts, 2, np.int32(plain(mz * unit)))

    return move


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
    read, whole, far, near = loops.read, loops.whole, loops.far, loops.near
    cutoff = choice.cutoff

    @register_jitable(forceinline=True)
    def smooth_of(film, i, axis):
        """Return what the mesh has found for a slot: force, then field."""
        return lane(film.smooth[film.flags[SIDE], axis, i])

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
            place, radius, moment = read(film, base, i)
            fx, fy, fz, s, ex, ey, ez = whole(film, base, i, place, radius, moment)
            if not cutoff:
                fx, ex = fx + smooth_of(film, i, 0), ex + smooth_of(film, i, 3)
                fy, ey = fy + smooth_of(film, i, 1), ey + smooth_of(film, i, 4)
                fz, ez = fz + smooth_of(film, i, 2), ez + smooth_of(film, i, 5)
            force = fx + s * moment[0], fy + s * moment[1], fz + s * moment[2]
            move(film, i, place, radius, moment, force, (ex, ey, ez), counts)
        if cutoff:
            close_counts(film, counts)

    @kernel
    def far_step(film):
        """Sum the far pairs of each slot, list its near ones, and keep the sums."""
        i = index()
        if i >= film.count or not going(film):
            return
        base, side = film.flags[BUFFER] * film.count, film.flags[SIDE]
        place, radius, moment = read(film, base, i)
        fx, fy, fz, s, ex, ey, ez = far(film, base, i, place, radius, moment)
        if not cutoff:
            fx, ex = fx + smooth_of(film, i, 0), ex + smooth_of(film, i, 3)
            fy, ey = fy + smooth_of(film, i, 1), ey + smooth_of(film, i, 4)
            fz, ez = fz + smooth_of(film, i, 2), ez + smooth_of(film, i, 5)
        total = fx, fy, fz, s, ex, ey, ez
        ahead = film.ahead if film.flags[KEPT] != 0 else 0.0
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
            base = film.flags[BUFFER] * film.count
            place, radius, moment = read(film, base, i)
            fx, fy, fz, s, ex, ey, ez = near(film, base, i, place, radius, moment)
            held = film.held
            s = s + lane(held[3, i])
            force = (
                fx + lane(held[0, i]) + s * moment[0],
                fy + lane(held[1, i]) + s * moment[1],
                fz + lane(held[2, i]) + s * moment[2],
            )
            field = ex + lane(held[4, i]), ey + lane(held[5, i]), ez + lane(held[6, i])
            move(film, i, place, radius, moment, force, field, counts)
        if cutoff:
            close_counts(film, counts)

    @kernel
    def whole_sums(film):
        """Write force and field of all pairs, and of the mesh where it was summed, to ``held``."""
        i = index()
        if i >= film.count:
            return
        base = film.flags[BUFFER] * film.count
        place, radius, moment = read(film, base, i)
        fx, fy, fz, s, ex, ey, ez = whole(film, base, i, place, radius, moment)
        found = fx + s * moment[0], fy + s * moment[1], fz + s * moment[2], ex, ey, ez
        for axis in range(6):
            total = found[axis]
            if not cutoff:
                total = total + smooth_of(film, i, axis)
            film.held[axis, i] = plain(total)

    return StepKernels(plain_step, far_step, inner_step, whole_sums)
