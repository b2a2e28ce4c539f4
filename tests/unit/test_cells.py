"""Near particles of thin and of thick films, found by cells, against what finds them otherwise."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from analysis.chains.cells import cells_of
from analysis.chains.groups import touching
from analysis.kernels.across import distances_across

SIDES = np.array([1.0, 0.7])


def film(thickness, count=900):
    """Places at random in a film."""
    rng = np.random.default_rng(12)
    return rng.random((count, 3)) * [*SIDES, thickness] - [0, 0, 0.3 * thickness]


@pytest.mark.parametrize(("thickness", "layers"), [(0.02, 1), (0.5, 6), (3.0, 9)])
def test_cells_hold_every_particle_once_and_cut_thick_films_into_layers(thickness, layers):
    points = film(thickness)
    cells = cells_of(points, SIDES, 0.08)
    # Layers are no thinner than cells are wide, and no more than particles in a column.
    assert cells.shape == (12, 8, layers)
    assert np.array_equal(np.sort(cells.order), np.arange(900))
    assert np.array_equal(cells.points, points[cells.order])
    assert cells.start[0] == 0
    assert cells.start[-1] == 900
    own = np.searchsorted(cells.start, np.arange(900), side="right") - 1
    layer = own % cells.shape[2]
    low = cells.bottom + layer * cells.height / cells.shape[2]
    assert (cells.points[:, 2] >= low - 1e-12).all()
    assert (cells.points[:, 2] <= low + cells.height / cells.shape[2] + 1e-12).all()


@pytest.mark.parametrize("thickness", [0.02, 0.5, 3.0])
def test_touching_pairs_are_those_of_a_tree(thickness):
    points = film(thickness)
    pairs = touching(points, np.zeros_like(points), np.full(900, 0.08), SIDES, 1.0, 0.5)
    inside = points - [0, 0, points[:, 2].min()]
    tree = cKDTree(inside, boxsize=[*SIDES, 0])  # a box of 0 is none
    wanted = np.array(sorted(tree.query_pairs(0.08)))
    assert len(wanted) > 20
    assert np.array_equal(pairs[np.lexsort((pairs[:, 1], pairs[:, 0])), :2], wanted)
    assert (np.diff(pairs[:, 0]) >= 0).all()


@pytest.mark.parametrize("axis", [(1.0, 0, 0), (0, 0, 1.0), (0.6, 0, 0.8)])
def test_distances_across_a_thick_film_are_those_of_all_pairs(axis):
    points, axis, window, reach = film(0.8), np.array(axis), 0.06, 0.2
    rng = np.random.default_rng(3)
    chain, block = rng.integers(0, 300, 900), rng.integers(0, 4, 900)
    cells = cells_of(points, SIDES, 0.08)
    assert cells.shape[2] > 5
    nearest, counts = np.full(900, np.inf), np.zeros((4, 10), np.int64)
    distances_across(cells, chain, block, axis, window, reach, nearest, counts)
    step = points[None] - points[:, None]
    step[..., :2] -= SIDES * np.round(step[..., :2] / SIDES)
    along = step @ axis
    across = np.sqrt(np.maximum(0, (step**2).sum(axis=2) - along**2))
    seen = (np.abs(along) < window) & (across < reach) & (chain[None] != chain[:, None])
    assert nearest == pytest.approx(np.where(seen, across, np.inf).min(axis=1), rel=1e-9)
    wanted = [
        np.histogram(across[block == b][seen[block == b]], 10, (0, reach))[0] for b in range(4)
    ]
    assert np.array_equal(counts, wanted)
    # Looked for nearby first, and further only where nothing was: the same.
    by_steps, nothing = np.full(900, np.inf), np.zeros((4, 0), np.int64)
    for part in (reach / 4, reach / 2, reach):
        distances_across(cells, chain, block, axis, window, part, by_steps, nothing)
    assert np.array_equal(by_steps, nearest)
    assert (by_steps > reach / 4).any()
