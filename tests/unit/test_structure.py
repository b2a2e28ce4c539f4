"""Structure factor against a direct sum, and peaks found where they were planted."""

import math

import numpy as np
import pytest

from analysis.spacing.structure_factor import (
    ModeGrid,
    find_peak,
    full_map,
    profile,
    structure_factor,
)
from tests.reference.planted import DIAMETER

SIDES = np.array([1.5e-6, 0.7e-6])


def test_structure_factor_equals_the_direct_sum():
    rng = np.random.default_rng(2)
    points = rng.random((150, 3)) * [*SIDES, 1e-7]
    grid = ModeGrid.of(SIDES, 20e-9)
    found = structure_factor(points, grid)
    assert found.shape == (len(grid.qx), len(grid.qy)) == (151, 36)
    for i, j in [(0, 0), (75, 0), (75, 35), (110, 7), (3, 30), (150, 35)]:
        phase = grid.qx[i] * points[:, 0] + grid.qy[j] * points[:, 1]
        direct = abs(np.exp(-1j * phase).sum()) ** 2 / 150
        assert found[i, j] == pytest.approx(direct, rel=1e-9, abs=1e-10)
    assert found[75, 0] == pytest.approx(150)


def test_full_map_has_the_symmetry_of_a_real_film():
    rng = np.random.default_rng(4)
    grid = ModeGrid.of(SIDES, 100e-9)
    whole = full_map(structure_factor(rng.random((40, 3)) * [*SIDES, 1e-7], grid))
    assert whole.shape == (2 * len(grid.qy) - 1, len(grid.qx))
    assert np.allclose(whole, whole[::-1, ::-1])


def test_particles_at_random_have_no_structure_and_no_peak():
    rng = np.random.default_rng(6)
    grid = ModeGrid.of(SIDES, 25e-9)
    frames = [structure_factor(rng.random((400, 3)) * [*SIDES, 1e-7], grid) for _ in range(20)]
    q, s, error, flat = profile(np.mean(frames, axis=0), grid, SIDES, None, 0.0, 20.0)
    # S = 1 on average; 4 sigma for each of the bins, and the errors are of the right size.
    assert (np.abs(s - 1) < 4 * error).all()
    pull = (s - 1) / error
    assert 0.6 < pull.std() < 1.4
    peak = find_peak(q, s, error, flat, 0.0, 2 * math.pi / 36e-9)
    assert peak is None or peak.chance > 0.05


@pytest.mark.parametrize("angle", [0.0, 30.0, 90.0])
@pytest.mark.parametrize("count", [8, 15])
def test_lines_of_planted_spacing_in_any_direction(angle, count):
    # A square patch of `count` rows turned by an angle that fits the patch is only periodic for
    # rational slopes, so the rows are drawn long and cut out of a larger plane.
    sides = np.array([2e-6, 2e-6])
    turn = math.radians(angle)
    along, across = (
        np.array([math.cos(turn), math.sin(turn)]),
        np.array([-math.sin(turn), math.cos(turn)]),
    )
    spacing = 2e-6 / count
    rng = np.random.default_rng(count)
    rows = np.arange(-2 * count, 2 * count)
    points = []
    for row in rows:
        offsets = np.arange(-3e-6, 3e-6, DIAMETER) + rng.random() * 1e-6
        points.append(row * spacing * across + offsets[:, None] * along)
    points = np.concatenate(points)
    points += 0.08 * spacing * rng.standard_normal(points.shape)
    inside = ((points >= 0) & (points < sides)).all(axis=1)
    flat = np.column_stack([points[inside], np.zeros(inside.sum())])
    grid = ModeGrid.of(sides, 25e-9)
    q, s, error, flat = profile(
        structure_factor(flat, grid), grid, sides, across, math.pi / 0.5e-6, 1.0
    )
    peak = find_peak(q, s, error, flat, 0.0, 2 * math.pi / (0.6 * spacing))
    assert peak.chance < 0.02
    wanted = 2 * math.pi / spacing
    assert abs(peak.position - wanted) < 3 * peak.error + 0.01 * wanted
    assert peak.error < 0.15 * wanted


def test_peak_position_and_error_cover_a_known_curve():
    x = np.linspace(0.2, 5, 60)
    truth = 1 + 1.5 * np.exp(-0.5 * ((x - 2.1) / 0.35) ** 2)
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(100):
        relative = 0.12
        y = truth * rng.gamma(1 / relative**2, relative**2, len(x))
        peak = find_peak(x, y, y * relative, np.full(len(x), relative), 0.5, 4.5)
        hits += abs(peak.position - 2.1) < 2 * peak.error
    # 95 % expected; binomial scatter at 100 trials is 2.2 points, so a gate of 4 sigma.
    assert hits >= 86


def test_no_peak_in_a_falling_or_too_short_curve():
    x = np.linspace(1, 2, 20)
    assert find_peak(x, 1 / x, 0.01 / x, np.full(20, 0.01), 0, 3) is None
    assert find_peak(x[:4], x[:4], x[:4], x[:4], 0, 3) is None
    assert find_peak(x, np.zeros(20), np.ones(20), np.ones(20), 0, 3) is None


def test_first_of_two_orders_is_taken():
    x = np.linspace(0.2, 5, 120)
    y = 1 + 3 * np.exp(-0.5 * ((x - 1.5) / 0.15) ** 2) + 3.3 * np.exp(-0.5 * ((x - 3) / 0.15) ** 2)
    assert find_peak(x, y, 0.02 * y, np.full(120, 0.02), 0, 5).position == pytest.approx(
        1.5, abs=0.02
    )


def test_large_patches_keep_a_bounded_number_of_modes():
    grid = ModeGrid.of(np.array([1e-3, 1e-7]), 25e-9)
    assert len(grid.qx) == 321
    assert len(grid.qy) == 5
