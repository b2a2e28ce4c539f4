"""How a thread moves its slot, around the formulas of all processors.

No checks by design, except the guards against a particle that moves too far or is not a number.
"""

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.layout import (
    CAPPED,
    DRAG,
    GO,
    KICK,
    MADE,
    MOMENT,
    MOMENT_SUMS,
    MOVE,
    PACE,
    REFERENCE_WORDS,
    SEED,
    SIDE,
    SIZE_WORDS,
    SPIN_DRAG,
    STALE,
    STATUS,
    TARGET,
    THROWN,
    THROWN_MOVE,
    TURN,
    TWIST,
    moment_after,
    row_at,
)
from sim.kernels.card.tools import (
    LANES,
    atomic_add,
    atomic_max,
    bits_of,
    load_words,
    plain,
    rounded,
    store_words,
    wrapped,
)
from sim.kernels.laws.hindrance import hindered
from sim.kernels.laws.momenta import kicked, rubbed, turned
from sim.kernels.laws.motion import brownian_move, missing_field, window_force
from sim.kernels.steps.added_forces import body_force
from sim.kernels.steps.noise import normal_pair, philox

i64 = np.int64
u64 = np.uint64


@register_jitable(forceinline=True)
def going(film):
    """Say whether a film makes a step; one that has come to its target waits for the others."""
    # both are asked for at once
    return (film.flags[STATUS] == GO) & (film.flags[MADE] < film.flags[TARGET])


@register_jitable(forceinline=True)
def move_of(film):
    """Return the number of the move that is made."""
    return film.clock[MOVE] + u64(film.turn)


@register_jitable(forceinline=True)
def moments_at(move):
    """Return where the sums of the moments stand before a move."""
    return i64(move & u64(MOMENT_SUMS - 1)) * 3


def magnetisation_of(induced):
    """Return the function (film, move) to the moment per volume before a move."""

    @register_jitable(forceinline=True)
    def magnetisation(film, move):
        if induced:
            return film.magnetisation[0], film.magnetisation[1], film.magnetisation[2]
        sums, at, unit = film.moments, moments_at(move), film.moment_unit * film.back_volume
        return sums[at] * unit, sums[at + 1] * unit, sums[at + 2] * unit

    return magnetisation


@register_jitable(forceinline=True)
def normals_of(film, i, side, move):
    """Return the six normals of a slot's particle in a move."""
    identity, seed = u64(film.identity[side, i]), film.clock[SEED]
    low, high = move & u64(0xFFFFFFFF), move >> u64(32)
    a, b, c, d = philox(identity, low, high, u64(0), seed)
    e, f, _, _ = philox(identity, low, high, u64(1), seed)
    g, h = normal_pair(a, b)
    k, n = normal_pair(c, d)
    p, q = normal_pair(e, f)
    return g, h, k, n, p, q


@register_jitable(forceinline=True)
def normals_before(film, i, side):
    """Return the normals of the move before."""
    move = move_of(film)
    return normals_of(film, i, side, move - u64(1) if move != u64(0) else u64(0xFFFFFFFFFFFFFFFF))


@register_jitable(forceinline=True)
def averaged_normals(film, i, side):
    """Return a slot's normals of this move averaged with those of the move before."""
    new, old = normals_of(film, i, side, move_of(film)), normals_before(film, i, side)
    half = np.float32(0.5)
    return (
        half * (old[0] + new[0]), half * (old[1] + new[1]), half * (old[2] + new[2]),
        half * (old[3] + new[3]), half * (old[4] + new[4]), half * (old[5] + new[5]),
    )  # fmt: skip


def _brownian(lane):
    """Return the move of a slot without momenta; what is moved along, u, the squared drift."""

    @register_jitable(forceinline=True)
    def moved(film, i, at, z, radius, u, force, field):
        sizes = film.sizes
        return brownian_move(
            u, force, field, averaged_normals(film, i, film.flags[SIDE]), lane(sizes[at + PACE]),
            lane(sizes[at + KICK]), lane(sizes[at + TURN]), lane(sizes[at + TWIST]),
            film.laws.drift_cap,
        )  # fmt: skip

    return moved


def _inertial(lane, slowed):
    """Return the move of a slot with momenta, ``slowed`` near the windows or not."""

    @register_jitable(forceinline=True)
    def moved(film, i, at, z, radius, u, force, field):
        side, laws, sizes, momentum = film.flags[SIDE], film.laws, film.sizes, film.momentum
        normals = normals_of(film, i, side, move_of(film))
        way = lane(sizes[at + KICK])
        kick, squared = kicked(
            (
                lane(momentum[side, 0, i]), lane(momentum[side, 1, i]), lane(momentum[side, 2, i])
            ),
            force, way, laws.drift_cap,
        )  # fmt: skip
        half = 0.5 * way
        along = across = lane(sizes[at + DRAG])
        if slowed:
            middle = z + half * kick[2]
            by_side, by_height = hindered(middle, film.patch.thickness, radius)
            along, across = along / by_side, across / by_height
        p = rubbed(kick, along, across, laws.noise, (normals[0], normals[1], normals[2]))
        u, spin = turned(
            u,
            (
                lane(momentum[side, 3, i]), lane(momentum[side, 4, i]), lane(momentum[side, 5, i])
            ),
            field, lane(sizes[at + MOMENT]), lane(sizes[at + TWIST]), lane(sizes[at + SPIN_DRAG]),
            laws.noise, (normals[3], normals[4], normals[5]),
        )  # fmt: skip
        for axis in range(3):
            momentum[side, axis, i] = plain(p[axis])
            momentum[side, 3 + axis, i] = plain(spin[axis])
        way_x = half * kick[0] + half * p[0]
        way_y = half * kick[1] + half * p[1]
        way_z = half * kick[2] + half * p[2]
        return (way_x, way_y, way_z), u, squared

    return moved


def surroundings_of(choice):
    """Return the function of a thread that adds what is around to force and field of the others."""
    lane = LANES[choice.real]
    cutoff, body = choice.cutoff, choice.body
    magnetisation = magnetisation_of(choice.induced)

    @register_jitable(forceinline=True)
    def surrounded(film, z, radius, moment, force, field):
        """Return force and field with windows, applied field, body forces, and beyond a cut-off."""
        laws, thickness, now, t = film.laws, film.patch.thickness, film.applied, film.turn
        applied = (
            lane(now[t, 0]), lane(now[t, 1]), lane(now[t, 2]), lane(now[t, 3]), lane(now[t, 4]),
            lane(now[t, 5]), lane(now[t, 6]), lane(now[t, 7]), lane(now[t, 8]),
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
            found = magnetisation(film, move_of(film))
            bx = bx + plane * lane(found[0])
            by = by + plane * lane(found[1])
            bz = bz + across * lane(found[2])
        return (fx, fy, fz), (bx, by, bz)

    return surrounded


def guard_of(choice):
    """Return the function of a thread that looks after what its slot has moved."""
    lane = LANES[choice.real]

    @register_jitable(forceinline=True)
    def guard(film, i, new, squared):
        """Note a drift that was capped or went too far, and a list too old for a further step."""
        laws, patch = film.laws, film.patch
        if squared > laws.drift_cap * laws.drift_cap:
            atomic_add(film.flags, CAPPED, i64(1))
        if not (squared <= laws.drift_limit * laws.drift_limit):
            left = film.applied.shape[0] - film.turn  # the first to be thrown counts
            atomic_max(film.flags, THROWN, left * THROWN_MOVE + i + 1)
        if film.turn != film.applied.shape[0] - 1:
            return
        at = (film.flags[SIDE] * film.count + i) * REFERENCE_WORDS
        x, y, z, _ = load_words(film.reference, at)
        dx = lane(wrapped(new[0], x)) * film.unit_x
        dy = lane(wrapped(new[1], y)) * film.unit_y
        dz = lane(wrapped(new[2], z)) * film.unit_z
        if 4.0 * (dx * dx + dy * dy + dz * dz) > patch.margin * patch.margin:
            film.flags[STALE] = 1

    return guard


def motion_of(choice):
    """Return the function of a thread that moves its slot, from force and field of the others."""
    lane = LANES[choice.real]
    surrounded, guard = surroundings_of(choice), guard_of(choice)
    cutoff, induced = choice.cutoff, choice.induced
    moved_by = _inertial(lane, choice.hindered) if choice.momenta else _brownian(lane)

    @register_jitable(forceinline=True)
    def move(film, i, buffer, own, force, field, counts):
        place, radius, moment = own
        side = film.flags[SIDE]
        size = i * film.several
        if film.several != 0:
            size = i64(film.identity[side, i])
        at = size * SIZE_WORDS
        z = lane(place[2]) * film.unit_z
        force, field = surrounded(film, z, radius, moment, force, field)
        u = lane(1.0), lane(0.0), lane(0.0)
        if not induced:
            u = (
                lane(film.directions[side, 0, i]),
                lane(film.directions[side, 1, i]),
                lane(film.directions[side, 2, i]),
            )
        moved, u, squared = moved_by(film, i, at, z, radius, u, force, field)
        new = (
            wrapped(place[0], rounded(moved[0] * film.back_x)),
            wrapped(place[1], rounded(moved[1] * film.back_y)),
            wrapped(place[2], rounded(moved[2] * film.back_z)),
        )
        mx, my, mz = moment
        if not induced:
            m = lane(film.sizes[at + MOMENT])
            mx, my, mz = m * u[0], m * u[1], m * u[2]
        to = row_at(film, 1 - buffer, i)
        store_words(film.rows, to, (new[0], new[1], new[2], bits_of(radius)))
        bits = bits_of(mx), bits_of(my), bits_of(mz), bits_of(lane(0.0))
        store_words(film.rows, to + moment_after(film), bits)
        if not induced:
            for axis in range(3):
                film.directions[side, axis, i] = plain(u[axis])
        guard(film, i, new, squared)
        if cutoff and not induced:
            unit = film.units_a_moment
            atomic_add(counts, 0, np.int32(plain(mx * unit)))
            atomic_add(counts, 1, np.int32(plain(my * unit)))
            atomic_add(counts, 2, np.int32(plain(mz * unit)))

    return move
