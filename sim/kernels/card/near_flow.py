"""Near part of the flow on the card: factors, drift, products with vectors, and the step.

Near pairs are those in reach of the step's own list, at the places where it was made; tensors are
looked up anew for each product. Formulas are those of `sim.kernels.flow.near`, and of
`sim.kernels.flow.motion` for the step. No checks by design.
"""

import math
from typing import Any, NamedTuple

import numpy as np
from numba.extending import register_jitable

from sim.kernels.card.flow_slots import moved_of, place_words, slot_forces_of
from sim.kernels.card.layout import (
    BUFFER,
    KICK,
    MOMENT,
    MOVE,
    REFERENCE_WORDS,
    SIDE,
    SIZE_WORDS,
    SPIN_DRAG,
    TWIST,
    entry_at,
    moment_after,
    row_at,
)
from sim.kernels.card.motion import going, guard_of, moments_at, move_of, normals_of
from sim.kernels.card.steps import is_settled
from sim.kernels.card.tools import (
    LANES,
    atomic_add,
    bits_of,
    index,
    kernel,
    load_words,
    plain,
    store_words,
    wrapped,
)
from sim.kernels.flow.layout import LANES as VECTORS
from sim.kernels.flow.near import find_factors, pair_drift, tensor_at
from sim.kernels.laws.momenta import kept_of_kick, turned

i64 = np.int64
u64 = np.uint64
f64 = np.float64


class CardNearFlow(NamedTuple):
    """Slots of a film on the card, and what their near part is made of; see ``NearFlow``."""

    film: Any  # CardFilm
    held: Any  # (7, count) force and field of pairs and mesh
    z: Any  # float64 (count,) heights at the last list
    radius: Any  # float64 (count,) by slot, as all that follows; mobility is D_i/D0
    mobility: Any
    radii: Any  # float64 (particles,) of all particles
    mobilities: Any
    share: Any  # float64 (2, count)
    tilt: Any
    drift: Any  # float64 (3, count)
    pushed: Any  # float64 (3, count)
    carried: Any  # float64 (threads a slot, 3, count) what each finds of the way by forces
    vector: Any  # float64 (>= count, 3, VECTORS) times the factors of the near part
    product: Any
    noise: Any  # float64 (VECTORS, count, 3)
    begun: Any  # step of the first lane; of a batch uint64 (films,)
    table: Any  # of a batch Shared, as the next one
    smooth: Any
    points_per_length: Any
    heights_per_length: Any
    thickness: Any
    reach2: Any
    own: Any
    least: Any
    drift_time: Any


class NearKernels(NamedTuple):
    """Kernels of the near part that go through lists, and those of a step that it makes."""

    drifts: Any
    multiply: Any
    turn: Any
    push: Any
    travel: Any


@register_jitable(forceinline=True)
def listed(film, v, k):
    """Return a neighbour from a list: those apart from the front, then those that may touch."""
    apart = film.apart[v]
    row = i64(k) if k < apart else i64(film.room - 1 - (k - apart))
    return i64(film.entries[entry_at(film, v, row)])


@register_jitable(forceinline=True)
def near_way(film, place, j):
    """Return the way from a slot to a place at the last list, and its square."""
    x, y, z, _ = load_words(film.reference, (film.flags[SIDE] * film.count + j) * REFERENCE_WORDS)
    dx = f64(wrapped(place[0], x)) * film.unit_x
    dy = f64(wrapped(place[1], y)) * film.unit_y
    dz = f64(wrapped(place[2], z)) * film.unit_z
    return dx, dy, dz, dx * dx + dy * dy + dz * dz


@register_jitable(forceinline=True)
def reference_of(film, i):
    """Return the words of a slot's place at the last list."""
    return load_words(film.reference, (film.flags[SIDE] * film.count + i) * REFERENCE_WORDS)


@register_jitable(forceinline=True)
def part_of_pair(near, way, vector):
    """Return the near tensor of a pair, without factors, times a vector."""
    x, y, z, r2 = way
    r = math.sqrt(r2)
    place = r * near.points_per_length
    a, b, _, _ = tensor_at(near.table, place, u64(place))
    inverse = 1.0 / max(r, 1e-12)
    x, y, z = x * inverse, y * inverse, z * inverse
    along = b * (x * vector[0] + y * vector[1] + z * vector[2])
    return a * vector[0] + along * x, a * vector[1] + along * y, a * vector[2] + along * z


@kernel
def factors(near):
    """Find the factors of all slots at their heights, and their own drift."""
    i = index()
    film = near.film
    if i >= film.count:
        return
    _, _, z, _ = reference_of(film, i)
    particle = i64(film.identity[film.flags[SIDE], i])
    near.z[i] = z * film.unit_z
    near.radius[i] = near.radii[particle]
    near.mobility[i] = near.mobilities[particle]
    find_factors(i, near)


@kernel
def draw(near):
    """Draw the normals of all slots for the steps from the present one on, a thread a step."""
    v = index()
    film = near.film
    i, vector = v // VECTORS, v % VECTORS
    if i < film.count:
        found = normals_of(film, i, film.flags[SIDE], film.clock[MOVE] + u64(vector))
        for axis in range(3):
            near.vector[i, axis, vector] = found[axis]


def near_kernels(choice):
    """Return the kernels of a film's near part; as many threads share a slot as have its lists.

    Parameters
    ----------
    choice : sim.kernels.card.pairs.Choice
    """
    lane, shares, induced = LANES[choice.real], choice.shares, choice.induced
    adds_moments = choice.cutoff and not induced
    acts = is_settled if induced else going
    slot_forces, moved, guard = slot_forces_of(choice), moved_of(choice), guard_of(choice)

    @kernel
    def drifts(near):
        """Add what the factors of others bring to the drift of each slot."""
        i = index()
        film, share, tilt = near.film, near.share, near.tilt
        if i >= film.count:
            return
        place = reference_of(film, i)
        fineness = near.points_per_length
        drift_x = drift_y = drift_z = 0.0
        for v in range(i * shares, (i + 1) * shares):
            for k in range(film.apart[v] + film.close[v]):
                j = listed(film, v, k)
                x, y, z, r2 = near_way(film, place, j)
                if r2 < near.reach2:
                    r = math.sqrt(r2)
                    inverse = 1.0 / max(r, 1e-12)
                    a, b, more_a, more_b = tensor_at(near.table, r * fineness, u64(r * fineness))
                    by_side, by_height, beside = pair_drift(
                        a, b, fineness * more_a, fineness * more_b, inverse, z * inverse,
                        math.sqrt(near.mobility[j]), (share[0, j], share[1, j]), tilt[1, j],
                    )  # fmt: skip
                    drift_x += x * inverse * by_side
                    drift_y += y * inverse * by_side
                    drift_z += by_height + beside
        root = math.sqrt(near.mobility[i])
        near.drift[0, i] += root * share[0, i] * drift_x
        near.drift[1, i] += root * share[0, i] * drift_y
        near.drift[2, i] += root * share[1, i] * drift_z

    @kernel
    def multiply(near):
        """Multiply vectors, which are times the factors, by the near part, a thread each."""
        t = index()
        film, vector = near.film, near.vector
        i, n = t // VECTORS, t % VECTORS
        if i >= film.count:
            return
        place = reference_of(film, i)
        x, y, z = near.own * vector[i, 0, n], near.own * vector[i, 1, n], near.own * vector[i, 2, n]
        for v in range(i * shares, (i + 1) * shares):
            for k in range(film.apart[v] + film.close[v]):
                j = listed(film, v, k)
                way = near_way(film, place, j)
                if way[3] < near.reach2:
                    theirs = vector[j, 0, n], vector[j, 1, n], vector[j, 2, n]
                    more = part_of_pair(near, way, theirs)
                    x, y, z = x + more[0], y + more[1], z + more[2]
        near.product[i, 0, n] = near.share[0, i] * x
        near.product[i, 1, n] = near.share[0, i] * y
        near.product[i, 2, n] = near.share[1, i] * z

    @register_jitable(forceinline=True)
    def size_of(film, i):
        """Return where the numbers stand that follow from the size of a slot's particle."""
        size = i64(film.identity[film.flags[SIDE], i]) if film.several != 0 else i64(0)
        return size * SIZE_WORDS

    @register_jitable(forceinline=True)
    def turn_moment(film, i, field):
        """Turn the moment of a slot in a field."""
        side, sizes, size, momentum = film.flags[SIDE], film.sizes, size_of(film, i), film.momentum
        normals = normals_of(film, i, side, film.clock[MOVE])
        directions = film.directions
        u, spin = turned(
            (
                lane(directions[side, 0, i]), lane(directions[side, 1, i]),
                lane(directions[side, 2, i]),
            ),
            (
                lane(momentum[side, 3, i]), lane(momentum[side, 4, i]), lane(momentum[side, 5, i])
            ),
            field, lane(sizes[size + MOMENT]), lane(sizes[size + TWIST]),
            lane(sizes[size + SPIN_DRAG]), film.laws.noise, (normals[3], normals[4], normals[5]),
        )  # fmt: skip
        for axis in range(3):
            directions[side, axis, i] = plain(u[axis])
            momentum[side, 3 + axis, i] = plain(spin[axis])

    @kernel
    def turn(near):
        """Turn each slot, and keep what the force on it brings to the near flow."""
        i = index()
        film = near.film
        if i >= film.count or not acts(film):
            return
        place, force, field = slot_forces(film, near.held, i)
        kick = lane(film.sizes[size_of(film, i) + KICK])
        kept, squared = kept_of_kick(force, kick, film.laws.drift_cap)
        half = lane(0.5) * kick * kept
        near.pushed[0, i] = near.share[0, i] * plain(half * force[0])
        near.pushed[1, i] = near.share[0, i] * plain(half * force[1])
        near.pushed[2, i] = near.share[1, i] * plain(half * force[2])
        if not induced:
            turn_moment(film, i, field)
        guard(film, i, (place[0], place[1], place[2]), squared)

    @kernel
    def push(near):
        """Find the way of each slot by the forces on all, a thread each of its lists."""
        v = index()
        i, share = v // shares, v % shares
        film, pushed = near.film, near.pushed
        if i >= film.count or not acts(film):
            return
        place = reference_of(film, i)
        x = y = z = 0.0
        if share == 0:
            x, y, z = near.own * pushed[0, i], near.own * pushed[1, i], near.own * pushed[2, i]
        for k in range(film.apart[v] + film.close[v]):
            j = listed(film, v, k)
            way = near_way(film, place, j)
            if way[3] < near.reach2:
                more = part_of_pair(near, way, (pushed[0, j], pushed[1, j], pushed[2, j]))
                x, y, z = x + more[0], y + more[1], z + more[2]
        near.carried[share, 0, i] = x
        near.carried[share, 1, i] = y
        near.carried[share, 2, i] = z

    @kernel
    def travel(near):
        """Move each slot by the near flow: forces, drift, noise of this step and the last."""
        i = index()
        film, carried = near.film, near.carried
        if i >= film.count or not acts(film):
            return
        x = y = z = 0.0
        for share in range(shares):
            x += carried[share, 0, i]
            y += carried[share, 1, i]
            z += carried[share, 2, i]
        side, vector = film.flags[SIDE], i64(film.clock[MOVE]) - i64(near.begun)
        size = size_of(film, i)
        kick, momentum, noise = f64(film.sizes[size + KICK]), film.momentum, near.noise
        flat, high = near.share[0, i], near.share[1, i]
        if vector > 0:  # as it was kept: a card waits where what was just asked for is written
            a, b, c = noise[vector - 1, i, 0], noise[vector - 1, i, 1], noise[vector - 1, i, 2]
            before = f64(plain(lane(a))), f64(plain(lane(b))), f64(plain(lane(c)))
        else:
            before = f64(momentum[side, 0, i]), f64(momentum[side, 1, i]), f64(momentum[side, 2, i])
        by_x = flat * x + 0.5 * (before[0] + noise[vector, i, 0])
        by_y = flat * y + 0.5 * (before[1] + noise[vector, i, 1])
        by_z = high * z + 0.5 * (before[2] + noise[vector, i, 2])
        for axis in range(3):
            momentum[side, axis, i] = noise[vector, i, axis]
        now, at = place_words(film, i)
        way_x = kick * by_x + near.drift_time * near.drift[0, i]
        way_y = kick * by_y + near.drift_time * near.drift[1, i]
        way_z = kick * by_z + near.drift_time * near.drift[2, i]
        new = moved(film, now, (way_x, way_y, way_z))
        m, directions = lane(film.sizes[size + MOMENT]), film.directions
        mx = m * lane(directions[side, 0, i])
        my = m * lane(directions[side, 1, i])
        mz = m * lane(directions[side, 2, i])
        to = row_at(film, 1 - film.flags[BUFFER], i)
        store_words(film.rows, to, (new[0], new[1], new[2], now[3]))
        bits = bits_of(mx), bits_of(my), bits_of(mz), bits_of(lane(0.0))
        if induced:  # a bead carries the moment that it has been given
            bits = load_words(film.rows, at + moment_after(film))
        store_words(film.rows, to + moment_after(film), bits)
        guard(film, i, new, lane(0.0))
        if adds_moments:
            unit = film.units_a_moment
            move = move_of(film)
            sums = moments_at(move + u64(1))
            atomic_add(film.moments, sums, i64(plain(mx * unit)))
            atomic_add(film.moments, sums + 1, i64(plain(my * unit)))
            atomic_add(film.moments, sums + 2, i64(plain(mz * unit)))
            if i == 0:
                for axis in range(3):
                    film.moments[moments_at(move + u64(2)) + axis] = 0

    return NearKernels(drifts, multiply, turn, push, travel)
