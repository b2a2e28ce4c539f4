"""More films with known answers: bent chains, bundles, columns, speckle, bonds that break.

Beside ``planted``; nothing here imports the packages under test.
"""

from __future__ import annotations

import math

import numpy as np

from tests.reference.planted import DIAMETER, MOMENT, Planted, straight_chains, unit, wrapped

SPACE = (1e-3, 1e-3)
"""A patch so wide that chains in it meet nothing."""


def placed(chains, directions, *, bond, noise=0.0, seed=0, sides=SPACE) -> Planted:
    """One frame of chains given by their tangents, each far from the others.

    ``chains`` is a list of (n, 3) unit tangents; moments follow the tangents.
    """
    rng = np.random.default_rng(seed)
    columns = math.ceil(math.sqrt(len(chains)))
    points, moments, names = [], [], []
    for k, tangents in enumerate(chains):
        start = np.array([(k % columns + 0.5) / columns, (k // columns + 0.5) / columns, 0.0])
        start[:2] *= sides
        steps = np.cumsum(bond * DIAMETER * tangents, axis=0)
        points.append(start + np.vstack([np.zeros(3), steps]))
        moments.append(MOMENT * np.vstack([tangents, tangents[-1]]) * directions)
        names.append(np.full(len(tangents) + 1, k))
    where = np.concatenate(points)
    where = where + noise * rng.standard_normal(where.shape)
    size = np.full(len(where), DIAMETER)
    return Planted(
        wrapped(where, sides), np.concatenate(moments), size, tuple(sides), 1e-6,
        np.concatenate(names),
    )  # fmt: skip


def worm_tangents(rng, bonds, persistence) -> np.ndarray:
    """Tangents of a worm-like chain with <t(0).t(s)> = exp(-s/persistence), lengths in bonds.

    Kratky, Porod, Rec. Trav. Chim. 68, 1106 (1949). Each turn has the Fisher law exp(k cos) whose
    mean cosine L(k) is exp(-1/persistence); turns follow one another independently.
    """
    wanted = math.exp(-1 / persistence)
    low, high = 1e-3, 1e6
    for _ in range(200):
        middle = math.sqrt(low * high)
        mean = 1 / math.tanh(middle) - 1 / middle
        low, high = (middle, high) if mean < wanted else (low, middle)
    out = np.empty((bonds, 3))
    out[0] = unit(rng.standard_normal(3))
    for k in range(1, bonds):
        share = rng.random()
        cosine = 1 + math.log(share + (1 - share) * math.exp(-2 * low)) / low
        side = unit(np.cross(out[k - 1], rng.standard_normal(3)))
        out[k] = cosine * out[k - 1] + math.sqrt(max(0.0, 1 - cosine**2)) * side
    return out


def held_tangents(rng, bonds, persistence, decay) -> np.ndarray:
    """Tangents of a weakly bent rod that a field holds along x, lengths in bonds.

    Both slopes are Ornstein-Uhlenbeck processes of variance decay/(2 persistence) and correlation
    exp(-s/decay): the fluctuations of the energy kT (l theta'^2 + l theta^2/decay^2)/2.
    """
    spread = math.sqrt(decay / (2 * persistence))
    keep = math.exp(-1 / decay)
    slope = np.empty((bonds, 2))
    slope[0] = spread * rng.standard_normal(2)
    for k in range(1, bonds):
        slope[k] = keep * slope[k - 1] + spread * math.sqrt(1 - keep**2) * rng.standard_normal(2)
    rows = np.column_stack([np.ones(bonds), slope])
    return rows / np.linalg.norm(rows, axis=1)[:, None]


def bundles(strands, *, length=20, count=9, axis=(1, 0, 0), sides=(4e-6, 4e-6), noise=0.0, seed=0):
    """``count`` bundles of ``strands`` half-shifted rows each, in one layer, far apart."""
    side = unit(np.cross([0, 0, 1], axis))
    starts = []
    for k in range(count):
        corner = np.array([(k % 3 + 0.3) / 3 * sides[0], (k // 3 + 0.4) / 3 * sides[1], 2e-7])
        for row in range(strands):
            shift = 0.51 * DIAMETER * (row % 2) * np.asarray(unit(axis))
            starts.append(corner + row * 0.885 * DIAMETER * side + shift)
    return straight_chains(
        starts, [length] * len(starts), direction=axis, sides=sides, thickness=4e-7, noise=noise,
        seed=seed,
    )  # fmt: skip


def triangular(columns, rows, spacing):
    """Points of a triangular lattice and the patch it fills: ((n, 2) points, (W_x, W_y))."""
    height = spacing * math.sqrt(3)
    x, y = np.meshgrid(np.arange(columns) * spacing, np.arange(rows) * height, indexing="ij")
    first = np.stack([x.ravel(), y.ravel()], axis=1)
    both = np.concatenate([first, first + np.array([0.5 * spacing, 0.5 * height])])
    return both, (columns * spacing, rows * height)


def breaking_bonds(rng, count, life, times):
    """Bonds that break at random and form anew at once between fresh partners, frame by frame.

    ``count`` bonds at every time, lives exponential of mean ``life``; a broken bond never comes
    back. Returns a list of (count, 2) arrays i < j and the number of particles.
    """
    name = np.arange(count)
    fresh = count
    ends = rng.exponential(life, count)
    frames = []
    for time in times:
        while (gone := ends <= time).any():
            name[gone] = fresh + np.arange(gone.sum())
            fresh += int(gone.sum())
            ends[gone] += rng.exponential(life, int(gone.sum()))
        frames.append(np.stack([2 * name, 2 * name + 1], axis=1).astype(np.int64))
    return frames, 2 * fresh
