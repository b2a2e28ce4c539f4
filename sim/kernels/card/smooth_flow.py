"""Smooth part of the flow on the card: forces onto the grid, modes, and the move of all slots.

The grid has a plane for each component and function across the film. Forces are spread as whole
numbers, whose sum at a grid point hangs on no order; formulas are those of `sim.kernels.flow`.
No checks by design.
"""

from typing import Any, NamedTuple

import numpy as np

from sim.kernels.card.flow_slots import moved_of, place_words, slot_forces_of
from sim.kernels.card.layout import (
    GO,
    HALTED,
    LIST_DUE,
    MADE,
    MOVE,
    SEED,
    STALE,
    STATUS,
    THROWN,
)
from sim.kernels.card.motion import guard_of
from sim.kernels.card.tools import (
    LANES,
    atomic_add,
    atomic_max,
    index,
    kernel,
    local_numbers,
    plain,
    store_words,
)
from sim.kernels.flow.grid import functions_at, place_axis
from sim.kernels.flow.modes import answer_wave, direction, read_forces, write_flow
from sim.kernels.flow.near import look_up

i64 = np.int64
u64 = np.uint64
f32 = np.float32
f64 = np.float64

FORCE_UNIT = 2.0**40
"""Whole units of the largest force that one particle can bring to a grid point."""


class CardSmoothFlow(NamedTuple):
    """Slots of a film on the card, and the grid that their forces are spread on."""

    film: Any  # CardFilm
    held: Any  # (7, count) force and field of pairs and mesh
    force: Any  # float64 (3, count) force on each slot
    velocity: Any  # float64 (3, count) the way that the flow carries it
    first: Any  # int64 (count, 2) first grid point under the window
    weights: Any  # float32 (count, 2, window)
    across: Any  # float32 (count, columns) functions at the slot's height
    whole: Any  # int64 (3 columns, nx, ny) forces
    grid: Any  # float64 (3 columns, nx, ny) forces, then the way of the liquid
    spectrum: Any  # float64 (3, columns, nx, ny/2 + 1, 2)
    modes: Any  # FlowModes without spectrum; its tables, of a batch, and the next two Shared
    profiles: Any  # float64 (2, polynomials, half)
    slope: Any  # (heights, 1) d/dz of a particle's own mobility
    heights_per_length: Any
    unit: Any  # of the whole numbers; of a batch (films,)
    side_x: Any
    side_y: Any
    thickness: Any
    shape: Any  # steepness of the window
    back: Any  # factor on what comes back from the waves
    drift_time: Any  # for how long the slope acts
    farthest: Any  # a way that none can be carried
    hold: Any  # int, steps from one list of the near part to the next


class SmoothKernels(NamedTuple):
    """Kernels of a film's smooth part."""

    gather_forces: Any
    place: Any
    spread: Any
    answer: Any
    carry: Any


@kernel
def take_flow(smooth):
    """Read the way of each slot, a thread each component."""
    v = index()
    i, axis = v // 3, v % 3
    if i >= smooth.film.count:
        return
    _, points_x, points_y = smooth.grid.shape
    columns, window = smooth.across.shape[1], smooth.weights.shape[2]
    total = 0.0
    for k in range(columns):
        plane = axis * columns + k
        found = 0.0
        a = smooth.first[i, 0]
        for m in range(window):
            b = smooth.first[i, 1]
            along = 0.0
            for n in range(window):
                along += smooth.weights[i, 1, n] * smooth.grid[plane, a, b]
                b = 0 if b + 1 == points_y else b + 1
            found += smooth.weights[i, 0, m] * along
            a = 0 if a + 1 == points_x else a + 1
        total += smooth.across[i, k] * found
    smooth.velocity[axis, i] = smooth.back * total


@kernel
def end_carry(smooth):
    """Have slots listed where they were carried too far, or where the near part is due."""
    flags = smooth.film.flags
    if index() != 0 or flags[STATUS] != GO:
        return
    if flags[THROWN] != 0:
        flags[STATUS] = HALTED
    elif flags[STALE] != 0 or flags[MADE] % smooth.hold == 0:
        flags[STATUS] = LIST_DUE


def smooth_kernels(choice, window, columns):
    """Return the kernels of a film's smooth part.

    Parameters
    ----------
    choice : sim.kernels.card.pairs.Choice
    window : int
        Grid points under the window.
    columns : int
        Functions across the film, even and odd.
    """
    lane = LANES[choice.real]
    slot_forces, moved, guard = slot_forces_of(choice), moved_of(choice), guard_of(choice)
    shape = 3, 2, columns

    @kernel
    def gather_forces(smooth):
        """Write the force on each slot as it stands."""
        i = index()
        film = smooth.film
        if i >= film.count:
            return
        _, force, _ = slot_forces(film, smooth.held, i)
        for axis in range(3):
            smooth.force[axis, i] = plain(force[axis])

    @kernel
    def place(smooth):
        """Find the window of each slot, and the functions at its height."""
        i = index()
        film = smooth.film
        if i >= film.count:
            return
        _, points_x, points_y = smooth.grid.shape
        (x, y, z, _), _ = place_words(film, i)
        place_axis(
            x * film.unit_x, smooth.side_x, points_x, window, smooth.shape, smooth.first[i, :1],
            smooth.weights[i, 0],
        )  # fmt: skip
        place_axis(
            y * film.unit_y, smooth.side_y, points_y, window, smooth.shape, smooth.first[i, 1:],
            smooth.weights[i, 1],
        )  # fmt: skip
        row = local_numbers(columns, f64)
        functions_at(z * film.unit_z, smooth.thickness, smooth.profiles, row)
        for k in range(columns):
            smooth.across[i, k] = f32(row[k])

    @kernel
    def spread(smooth):
        """Add the force on each slot to the grid; a thread has the points at one place along y."""
        v = index()
        i, n = v // window, v % window
        if i >= smooth.film.count:
            return
        _, points_x, points_y = smooth.grid.shape
        b = smooth.first[i, 1] + n
        b = b if b < points_y else b - points_y
        by_y = smooth.weights[i, 1, n] / smooth.unit
        a = smooth.first[i, 0]
        for m in range(window):
            weight = by_y * smooth.weights[i, 0, m]
            for axis in range(3):
                force = weight * smooth.force[axis, i]
                for k in range(columns):
                    share = i64(force * smooth.across[i, k])
                    atomic_add(smooth.whole, (axis * columns + k, a, b), share)
            a = 0 if a + 1 == points_x else a + 1

    @kernel
    def answer(smooth):
        """Turn forces into the flow of a wave vector, with its noise, a thread each."""
        v = index()
        modes, clock = smooth.modes, smooth.film.clock
        points_x, waves_y = smooth.spectrum.shape[2], smooth.spectrum.shape[3]
        if v >= points_x * waves_y or smooth.film.count == 0:
            return
        a, b = v // waves_y, v % waves_y
        mirrored = min(a, points_x - a)
        part = smooth.spectrum[:, :, a, b, :]
        forces, flow = local_numbers(shape, f32), local_numbers(shape, f32)
        for axis in range(3):
            for half in range(2):
                for k in range(columns):
                    flow[axis, half, k] = f32(0.0)
        x, y = direction(modes.wave_x[a], modes.wave_y[b])
        scale = f32(modes.scale_x[a] * modes.scale_y[b])
        if modes.begin[mirrored, b] >= 0:
            read_forces(part, x, y, scale, forces)
            answer_wave(
                a, b, mirrored, (points_x, waves_y), modes, clock[MOVE], clock[SEED], forces, flow
            )
        write_flow(flow, x, y, scale, part)

    @kernel
    def carry(smooth):
        """Move each slot by the flow and by the slope of its own mobility."""
        i = index()
        film = smooth.film
        if i >= film.count or film.flags[STATUS] != GO:
            return
        place, at = place_words(film, i)
        height = place[2] * film.unit_z * smooth.heights_per_length
        way_x, way_y = smooth.velocity[0, i], smooth.velocity[1, i]
        way_z = smooth.velocity[2, i] + smooth.drift_time * look_up(smooth.slope, height, 0)
        new = moved(film, place, (way_x, way_y, way_z))
        store_words(film.rows, at, (new[0], new[1], new[2], place[3]))
        guard(film, i, new, lane(0.0))
        way2 = way_x * way_x + way_y * way_y + way_z * way_z
        if not (way2 < smooth.farthest * smooth.farthest):  # nor is it a number
            atomic_max(film.flags, THROWN, i + 1)

    return SmoothKernels(gather_forces, place, spread, answer, carry)
