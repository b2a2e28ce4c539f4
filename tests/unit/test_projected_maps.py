"""The structure factor from maps of counts, against that of the particles themselves."""

import math

import numpy as np
import pytest

from analysis.spacing.projected import MapFrames, structure_factor_of_counts
from analysis.spacing.structure_factor import ModeGrid, structure_factor
from sim.files.selection import count_map

SIDES = np.array([1.2e-6, 0.9e-6])
SHAPE = (60, 45)
"""Cells of 20 nm."""


def grid():
    """Modes of six cells a wave and more."""
    return ModeGrid.of(SIDES, 119e-9)


def test_particles_at_random_have_none_after_folding():
    rng = np.random.default_rng(3)
    modes = grid()
    found = []
    for _ in range(60):
        points = rng.random((4000, 3)) * [*SIDES, 1e-7]
        found.append(structure_factor_of_counts(count_map(points, SIDES, SHAPE), modes)[:, 1:])
    # Exponential speckle, widened by 1/W^2 <= 1.2 at the corner; 4 sigma of all modes, and of the
    # shortest waves, beside the 0.02 that speckle cut off at 0 adds there.
    whole = np.mean(found, axis=0)
    assert whole.mean() == pytest.approx(1.0, abs=0.02 + 4 * 1.2 / math.sqrt(60 * whole.size))
    edge = whole[:, -2:]
    assert edge.mean() == pytest.approx(1.0, abs=0.02 + 4 * 1.2 / math.sqrt(60 * edge.size))


def rows(rng, spacing, spread):
    """Rows along x, a spacing apart along y but for a spread; particles anywhere along them."""
    count = round(SIDES[1] / spacing)
    lane = rng.integers(0, count, 4000)
    y = (lane * spacing + spread * rng.standard_normal(4000)) % SIDES[1]
    return np.column_stack([rng.random(4000) * SIDES[0], y, np.zeros(4000)])


@pytest.mark.parametrize("spacing", [300e-9, 150e-9])
def test_planted_gratings_have_their_height_and_place(spacing):
    """S = 1 + (N - 1) exp(-q^2 s^2) at the order of rows with normal errors s (Debye, Waller)."""
    modes, rng = grid(), np.random.default_rng(9)
    spread = 16e-9
    points = rows(rng, spacing, spread)
    found = structure_factor_of_counts(count_map(points, SIDES, SHAPE), modes)
    middle, order = len(modes.qx) // 2, round(SIDES[1] / spacing)
    q = 2 * math.pi / spacing
    wanted = 1 + 3999 * math.exp(-((q * spread) ** 2))
    # The amplitude of N normal phases scatters by less than sqrt(N) about its mean; 4 sigma of S.
    away = 4 * 2 * math.sqrt(wanted)
    assert found[middle, order] == pytest.approx(wanted, abs=away)
    exact = structure_factor(points, modes)
    assert found[middle, order] == pytest.approx(exact[middle, order], rel=0.02)
    assert np.argmax(found[middle, 1:]) + 1 == order
    # Mode by mode the speckle is that of the particles, but for what is folded.
    others = np.arange(found.size) != np.ravel_multi_index((middle, order), found.shape)
    others &= np.arange(found.size) != np.ravel_multi_index((middle, 0), found.shape)
    assert np.corrcoef(found.ravel()[others], exact.ravel()[others])[0, 1] > 0.97


def test_modes_stop_where_cells_blur_them():
    fine = MapFrames(SIDES, (241, 181), 20e-9, 150e-9, None)
    coarse = MapFrames(SIDES, SHAPE, 20e-9, 150e-9, None)
    assert fine.shortest == pytest.approx(30e-9, rel=0.01)
    assert coarse.shortest == pytest.approx(120e-9)
    assert len(coarse.grid.qy) == 1 + 7  # 7.5 waves of 120 nm
    assert len(fine.grid.qy) == 1 + 30
    coarse.add(np.ones(SHAPE))
    assert coarse.map_frames == 1
    assert coarse.map_sum.shape == (len(coarse.grid.qx), len(coarse.grid.qy))
