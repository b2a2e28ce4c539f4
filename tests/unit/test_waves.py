"""Sums of waves by a transform: against the plain sum and against films with a closed form."""

import math

import numpy as np
import pytest
from scipy.special import jv

from analysis.spacing.structure_factor import ModeGrid, structure_factor
from analysis.spacing.waves import FEWEST_ON_GRID, sum_on_grid, sum_one_by_one, sum_waves

SIDES = np.array([1.5e-6, 0.7e-6])


@pytest.mark.parametrize("most", [(160, 160), (75, 7), (1, 1)])
def test_the_transform_is_the_plain_sum(most):
    rng = np.random.default_rng(most[1])
    points = rng.random((1500, 3)) * [*SIDES, 1e-7]
    points[:4, :2] = [[0, 0], SIDES, [-1e-9, 0.1e-6], [SIDES[0], SIDES[1] * 0.5]]
    found, plain = (total(points, SIDES, most) for total in (sum_on_grid, sum_one_by_one))
    assert found.shape == (2 * most[0] + 1, most[1] + 1)
    # Errors of the window are those of waves of random phase: a share of sqrt(N).
    assert np.abs(found - plain).max() < 1e-11 * math.sqrt(1500)
    assert found[most[0], 0] == pytest.approx(1500, rel=1e-13)


def test_few_and_many_particles_are_summed_alike():
    rng = np.random.default_rng(5)
    points = rng.random((FEWEST_ON_GRID, 3)) * [*SIDES, 1e-7]
    without = sum_waves(points[1:], SIDES, (40, 20))
    last = sum_one_by_one(points[:1], SIDES, (40, 20))
    assert np.abs(sum_waves(points, SIDES, (40, 20)) - without - last).max() < 1e-9


def test_a_lattice_scatters_into_its_reciprocal_lattice_alone():
    """S is N where both orders are multiples of the rows, else 0 (Laue; from memory)."""
    columns, rows = 30, 20
    x, y = np.meshgrid(np.arange(columns) / columns, np.arange(rows) / rows, indexing="ij")
    points = np.column_stack([x.ravel() * SIDES[0], y.ravel() * SIDES[1], np.zeros(x.size)])
    points[:, :2] += [3.3e-9, 1.7e-9]
    s = structure_factor(points, ModeGrid.of(SIDES, 1.4e-8))
    kx, ky = np.arange(len(s)) - len(s) // 2, np.arange(s.shape[1])
    lit = (kx[:, None] % columns == 0) & (ky % rows == 0)
    assert lit.sum() == 7 * 3
    assert s[lit] == pytest.approx(x.size, rel=1e-10)
    assert s[~lit].max() < 1e-18 * x.size**2


@pytest.mark.parametrize("depth", [0.05, 0.3])
def test_a_sine_of_displacements_gives_orders_by_bessel_functions(depth):
    """Rows moved by u sin(K x) have S(n K) = N J_n(n K u)^2 (Jacobi and Anger; from memory)."""
    count, waves = 4096, 7
    x = np.arange(count) / count
    moved = x + depth / (2 * math.pi * waves) * np.sin(2 * math.pi * waves * x)
    points = np.column_stack([moved * SIDES[0], np.zeros(count), np.zeros(count)])
    s = structure_factor(points, ModeGrid.of(SIDES, 1e-8))
    middle = len(s) // 2
    for order in range(1, 8):
        wanted = count * jv(order, order * depth) ** 2
        assert s[middle + order * waves, 0] == pytest.approx(wanted, rel=1e-9, abs=1e-15 * count)
    between = np.arange(1, len(s) - middle) % waves != 0
    assert s[middle + 1 :, 0][between].max() < 1e-18 * count**2


def test_an_ideal_gas_has_exponential_speckle():
    """|sum|^2/N of independent particles: mean 1, mean square 2 (Goodman, Statistical Optics)."""
    rng = np.random.default_rng(8)
    s = structure_factor(rng.random((20_000, 3)) * [*SIDES, 1e-7], ModeGrid.of(SIDES, 9e-9))
    half = s[:, 1:]
    # 4 sigma of so many modes; x^2 of an exponential variable has the variance 24 - 4.
    assert half.mean() == pytest.approx(1.0, abs=4 / math.sqrt(half.size))
    assert (half**2).mean() == pytest.approx(2.0, abs=4 * math.sqrt(20 / half.size))
