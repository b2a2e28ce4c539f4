"""The neighbour list against all pairs, in patches and films of every shape."""

import dataclasses
from itertools import pairwise

import numpy as np
import pytest

from sim.engines import cpu_arrays
from sim.interactions.steric import KINDS
from sim.kernels.steps import lists, step
from sim.kernels.steps.layout import BLOCK, BLOCKS, STEP_DONE, STRIDE
from sim.kernels.vectors.calls import Packed
from tests.reference.small_systems import (
    film,
    parts_of,
    random_film,
    slot_of,
    spread_diameters,
    state_of,
    unit_vectors,
)

# Sides, thickness, and the cells (x, y, z) that they must give with a range of 3.5.
SHAPES = {
    "wide": ((21.0, 14.5), 10.6, (6, 4, 3)),
    "thin": ((20.0, 15.0), 1.05, (5, 4, 1)),
    "one cell in x": ((6.5, 25.0), 9.0, (1, 7, 2)),
    "one cell in y": ((25.0, 6.5), 9.0, (7, 1, 2)),
    "two cells": ((7.2, 10.4), 5.0, (2, 2, 1)),
    "two by three": ((7.2, 10.6), 5.0, (2, 3, 1)),
    "one by one": ((6.2, 6.9), 12.0, (1, 1, 3)),
    "three cells": ((10.5, 10.5), 7.0, (3, 3, 2)),
}
# Squared distances are compared in float32, with a range widened by 5e-6.
ROUNDING = 2e-5


def points(system, seed=4):
    """Return random points anywhere in the film, overlapping or not, some on the border."""
    rng = np.random.default_rng(seed)
    positions = rng.random((system.count, 3)) * [*system.sides, system.thickness]
    positions[0] = [0.0, 0.0, 0.0]
    positions[1] = [np.nextafter(system.sides[0], 0.0), system.sides[1] / 2, system.thickness]
    positions[2] = [-1e-18, 0.5, 0.5]
    return positions


def listed(parts, count):
    """Return the neighbours of each particle as lists of particle numbers."""
    slots, neighbours = parts.slots, parts.neighbours
    found = [None] * count
    for i in range(count):
        begin, size = neighbours.start[i], neighbours.count[i]
        rows = neighbours.entries[begin : begin + size] // 8
        rows = rows[rows < slots.x.size]  # the rest pads up to whole vectors
        found[slots.identity[i]] = [int(slots.identity[j]) for j in rows]
    return found


def distances(positions, sides):
    """Return the distances of nearest images of all pairs."""
    gap = positions[:, None] - positions
    for axis in range(2):
        gap[..., axis] -= sides[axis] * np.rint(gap[..., axis] / sides[axis])
    return np.sqrt(np.sum(gap**2, axis=-1))


def check_list(system, positions):
    """Compare a list with all pairs."""
    count = system.count
    parts = parts_of(system, state_of(positions, unit_vectors(count)))
    reach = parts.patch.reach
    apart = distances(positions, system.sides)
    np.fill_diagonal(apart, np.inf)
    for i, found in enumerate(listed(parts, count)):
        assert len(found) == len(set(found)), "a neighbour is listed twice"
        assert i not in found
        must = set(np.flatnonzero(apart[i] < reach * (1.0 - ROUNDING)).tolist())
        may = set(np.flatnonzero(apart[i] < reach * (1.0 + ROUNDING)).tolist())
        assert must <= set(found) <= may
    return parts


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("precision", ["float32", "float64"])
def test_list_holds_all_pairs_in_range(shape, precision):
    sides, thickness, cells = SHAPES[shape]
    system = film(150, sides=sides, thickness=thickness, precision=precision)
    parts = check_list(system, points(system))
    assert (parts.patch.cells_x, parts.patch.cells_y, parts.patch.cells_z) == cells


def test_list_of_different_sizes_reaches_as_far_as_the_largest_repel():
    # Without dipoles within a cut-off only the repulsion sets the range.
    system = film(
        300, diameter=spread_diameters(300, 0.3), dipole_sum="exact", tolerance=1e-3, thickness=5.0
    )
    parts = check_list(system, points(system))
    widest = 2.0 * system.radius.max()
    assert parts.patch.reach == pytest.approx(2.0 ** (1.0 / 6.0) * widest + 0.5)
    coated = dataclasses.replace(
        system, repulsion=dataclasses.replace(system.repulsion, kind=KINDS["surfactant"])
    )
    assert cpu_arrays.patch_of(coated).reach == pytest.approx(widest + 0.5)


@pytest.mark.parametrize("changes", [{}, {"inner_steps": 4}, {"steric": "surfactant"}])
def test_what_may_touch_stands_behind_the_others(changes):
    system = film(400, diameter=spread_diameters(400), fraction=0.3, precision="float32", **changes)
    parts = parts_of(system, random_film(system))
    slots, neighbours, touch = parts.slots, parts.neighbours, parts.patch.touch
    widest = 2.0 * system.radius.max()
    reach = widest if "steric" in changes else 2.0 ** (1.0 / 6.0) * widest
    near = 0.4 if "inner_steps" in changes else 0.0
    assert touch == pytest.approx(reach + near + system.list_margin, rel=1e-4)
    place = np.stack([slots.x, slots.y, slots.z], axis=1)
    apart = distances(place[: system.count], system.sides)
    seen = 0
    for i in range(system.count):
        assert neighbours.apart[i] % 16 == 0
        begin = neighbours.start[i]
        first = neighbours.entries[begin : begin + neighbours.apart[i]] // 8
        assert (apart[i, first] > touch * (1.0 - ROUNDING)).all()
        seen += first.size
    assert seen > 16 * system.count


def test_rows_are_padded_to_whole_vectors():
    for precision, lanes in (("float32", 16), ("float64", 8)):
        system = film(37, precision=precision)
        parts = parts_of(system, random_film(system))
        assert (parts.neighbours.count % lanes == 0).all()
        assert (parts.neighbours.count[system.count :] == 0).all()


def test_list_grows_where_the_guess_was_too_small():
    # 300 particles at one spot: every block needs far more room than a mean density suggests.
    system = film(300, sides=(40.0, 40.0), thickness=10.0)
    rng = np.random.default_rng(2)
    positions = 5.0 + rng.random((300, 3))
    parts = parts_of(system, state_of(positions, unit_vectors(300)), room=100)
    found = listed(parts, 300)
    assert all(len(neighbours) == 299 for neighbours in found)
    assert parts.neighbours.entries.size > 100 * BLOCKS


def entries_needed(parts, neighbours):
    """Return how many entries a block needs, of a list built into ``neighbours``."""
    content = parts.film.content._replace(neighbours=neighbours)
    Packed(content).run(BLOCKS, step.list_pairs)
    return content.totals.needed.max()


def test_list_that_is_too_small_says_how_much_it_needs_and_writes_nothing_beyond():
    system = film(200, fraction=0.2)
    parts = parts_of(system, random_film(system))
    room = 40
    small = parts.neighbours._replace(entries=np.full(BLOCKS * room + STRIDE, 77, np.uint32))
    needed = entries_needed(parts, small)
    assert needed > room
    assert (small.entries[BLOCKS * room :] == 77).all()
    big = small._replace(entries=np.zeros(BLOCKS * needed + STRIDE, np.uint32))
    assert entries_needed(parts, big) <= needed


def test_sort_wraps_and_keeps_the_count_of_periods():
    system = film(100, thickness=6.0)
    positions = points(system)
    shift = np.random.default_rng(8).integers(-3, 4, (100, 2))
    moved = positions.copy()
    moved[:, :2] += shift * system.sides
    parts = parts_of(system, state_of(moved, unit_vectors(100)))
    order = slot_of(parts, 100)
    slots = parts.slots
    for axis, (place, image) in enumerate(((slots.x, slots.image_x), (slots.y, slots.image_y))):
        assert (place[:100] >= 0.0).all()
        assert (place[:100] < system.sides[axis]).all()
        unwrapped = place[order] + image[order] * system.sides[axis]
        np.testing.assert_allclose(unwrapped, moved[:, axis], atol=1e-12)
    np.testing.assert_array_equal(slots.z[order], moved[:, 2])


def test_sort_puts_cells_in_order_and_moves_whole_particles():
    system = film(100, diameter=spread_diameters(100), fraction=0.01)
    state = random_film(system)
    parts = parts_of(system, state)
    assert (np.diff(parts.neighbours.cell[:100]) >= 0).all()
    order = slot_of(parts, 100)
    np.testing.assert_array_equal(parts.slots.radius[order], system.radius)
    np.testing.assert_array_equal(parts.slots.moment[order], system.moment)
    np.testing.assert_array_equal(parts.slots.uy[order], state.directions[:, 1])
    np.testing.assert_array_equal(parts.slots.x[order], state.positions[:, 0])


def test_blocks_cover_all_slots_once_in_whole_strides():
    for slots in (16, 32, 1024, 1040, 20000):
        blocks = lists.blocks_of(slots)
        bounds = [lists.block_bounds(block, blocks, slots) for block in range(blocks)]
        assert bounds[0][0] == 0
        assert bounds[-1][1] == slots
        assert all(a[1] == b[0] for a, b in pairwise(bounds))
        assert all(first % STRIDE == 0 for first, _ in bounds)
        sizes = [end - first for first, end in bounds]
        assert max(sizes) - min(sizes) <= STRIDE
        assert max(sizes) <= BLOCK


def test_list_is_built_only_when_due():
    system = film(100)
    parts = parts_of(system, random_film(system))
    flags = parts.film.content.flags
    built = flags[step.BUILT]
    parts.film.fresh()
    assert flags[step.STATUS] == STEP_DONE
    assert flags[step.BUILT] == built == 1
