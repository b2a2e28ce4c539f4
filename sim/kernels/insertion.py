"""Placing particles at random without overlap, and pushing apart those that overlap."""

import math

import numpy as np
from numba import njit

from sim.kernels.steps.noise import philox

u64 = np.uint64
# Streams 0 and 1 of the counter belong to the noise of the steps.
STREAM = u64(16)
WORD = 2.3283064365386963e-10  # 2^-32


@njit(cache=True, error_model="numpy")
def _cells(sides, thickness, width):
    """Return the number of cells along x, y, z, each at least ``width`` wide where there are 3."""
    return (
        max(1, int(sides[0] / width)),
        max(1, int(sides[1] / width)),
        max(1, int(thickness / width)),
    )


@njit(cache=True, error_model="numpy")
def _widest(radius):
    """Return the largest diameter; numba's own maximum takes a second to compile."""
    largest = 0.0
    for r in radius:
        largest = max(largest, r)
    return 2.0 * largest


@njit(cache=True, error_model="numpy")
def _cell_index(x, y, z, sides, thickness, cells):
    a = min(int(x / sides[0] * cells[0]), cells[0] - 1)
    b = min(int(y / sides[1] * cells[1]), cells[1] - 1)
    c = min(max(int(z / thickness * cells[2]), 0), cells[2] - 1)
    return a, b, c


@njit(cache=True, error_model="numpy")
def _gap2(positions, i, j, sides):
    """Return the squared distance of the nearest images."""
    dx = positions[i, 0] - positions[j, 0]
    dy = positions[i, 1] - positions[j, 1]
    dz = positions[i, 2] - positions[j, 2]
    dx -= sides[0] * np.rint(dx / sides[0])
    dy -= sides[1] * np.rint(dy / sides[1])
    return dx * dx + dy * dy + dz * dz


@njit(cache=True, error_model="numpy")
def _overlaps(i, positions, radius, sides, thickness, cells, head, following, share):
    """Return whether particle i comes nearer than ``share`` of contact to one placed before."""
    a, b, c = _cell_index(
        positions[i, 0], positions[i, 1], positions[i, 2], sides, thickness, cells
    )
    for db in range(-1, 2):
        for da in range(-1, 2):
            for dc in range(-1, 2):
                if c + dc < 0 or c + dc >= cells[2]:
                    continue
                cell = ((b + db) % cells[1] * cells[0] + (a + da) % cells[0]) * cells[2] + c + dc
                j = head[cell]
                while j >= 0:
                    contact = share * (radius[i] + radius[j])
                    if _gap2(positions, i, j, sides) < contact * contact:
                        return True
                    j = following[j]
    return False


@njit(cache=True, error_model="numpy")
def insert(order, radius, sides, thickness, seed, tries, positions):
    """Place particles one after the other at random places free of overlap.

    Parameters
    ----------
    order : int64 (N,)
        Largest first.
    radius : float64 (N,)
    sides : float64 (2,)
    thickness : float
    seed : uint64
    tries : int
        Tries per particle at full size; after them the distance asked for shrinks in steps.
    positions : float64 (N, 3)
        Result.

    Returns
    -------
    float
        The smallest share of contact that had to be accepted; 1 means no overlap at all.
    """
    kept = np.empty(0, np.int64)
    return insert_among(kept, order, radius, sides, thickness, seed, tries, positions)


@njit(cache=True, error_model="numpy")
def insert_among(kept, order, radius, sides, thickness, seed, tries, positions):
    """Place the particles ``order`` among those ``kept`` (int64) that already have places.

    Other arguments, and the result, as those of ``insert``.
    """
    cells = _cells(sides, thickness, _widest(radius))
    head = np.full(cells[0] * cells[1] * cells[2], -1, np.int64)
    following = np.full(radius.size, -1, np.int64)
    for i in kept:
        a, b, c = _cell_index(
            positions[i, 0], positions[i, 1], positions[i, 2], sides, thickness, cells
        )
        cell = (b * cells[0] + a) * cells[2] + c
        following[i] = head[cell]
        head[cell] = i
    worst = 1.0
    for i in order:
        share = 1.0
        attempt = 0
        while True:
            a, b, c, _ = philox(u64(i), u64(attempt), u64(0), STREAM, seed)
            positions[i, 0] = (a + 0.5) * WORD * sides[0]
            positions[i, 1] = (b + 0.5) * WORD * sides[1]
            room = thickness - 2.0 * radius[i]
            positions[i, 2] = radius[i] + (c + 0.5) * WORD * room
            attempt += 1
            if attempt % tries == 0:
                share *= 0.95
            if not _overlaps(i, positions, radius, sides, thickness, cells, head, following, share):
                break
        worst = min(worst, share)
        a, b, c = _cell_index(
            positions[i, 0], positions[i, 1], positions[i, 2], sides, thickness, cells
        )
        cell = (b * cells[0] + a) * cells[2] + c
        following[i] = head[cell]
        head[cell] = i
    return worst


@njit(cache=True, error_model="numpy")
def push_apart(radius, sides, thickness, share, sweeps, positions):
    """Move overlapping particles apart, pair by pair, until all keep ``share`` of contact.

    Returns
    -------
    int
        Overlaps left after the last sweep.
    """
    count = radius.size
    cells = _cells(sides, thickness, _widest(radius))
    left = 0
    for _ in range(sweeps):
        head = np.full(cells[0] * cells[1] * cells[2], -1, np.int64)
        following = np.full(count, -1, np.int64)
        for i in range(count):
            a, b, c = _cell_index(
                positions[i, 0], positions[i, 1], positions[i, 2], sides, thickness, cells
            )
            cell = (b * cells[0] + a) * cells[2] + c
            following[i] = head[cell]
            head[cell] = i
        left = 0
        for i in range(count):
            left += _push_one(i, radius, sides, thickness, share, cells, head, following, positions)
        if left == 0:
            return 0
    return left


@njit(cache=True, error_model="numpy")
def _push_one(i, radius, sides, thickness, share, cells, head, following, positions):
    """Push particle i and the later ones that it overlaps apart; return how many there were."""
    a, b, c = _cell_index(
        positions[i, 0], positions[i, 1], positions[i, 2], sides, thickness, cells
    )
    found = 0
    for cell_b in {(b - 1) % cells[1], b, (b + 1) % cells[1]}:
        for cell_a in {(a - 1) % cells[0], a, (a + 1) % cells[0]}:
            for cell_c in range(max(0, c - 1), min(cells[2], c + 2)):
                j = head[(cell_b * cells[0] + cell_a) * cells[2] + cell_c]
                while j >= 0:
                    if j > i:
                        found += _push_pair(i, j, radius, sides, thickness, share, positions)
                    j = following[j]
    return found


@njit(cache=True, error_model="numpy")
def _push_pair(i, j, radius, sides, thickness, share, positions):
    """Move two particles apart along their line to a little beyond contact if they overlap."""
    contact = radius[i] + radius[j]
    r2 = _gap2(positions, i, j, sides)
    if r2 >= share * share * contact * contact:
        return 0
    r = max(math.sqrt(r2), 1.0e-6)
    for axis in range(3):
        gap = positions[i, axis] - positions[j, axis]
        if axis < 2:
            gap -= sides[axis] * np.rint(gap / sides[axis])
        shift = 0.5 * gap / r * (1.01 * contact - r)
        for k, way in ((i, shift), (j, -shift)):
            moved = positions[k, axis] + way
            if axis < 2:
                moved -= sides[axis] * math.floor(moved / sides[axis])
                moved = moved if moved < sides[axis] else 0.0
            else:
                moved = min(max(moved, radius[k]), thickness - radius[k])
            positions[k, axis] = moved
    return 1
