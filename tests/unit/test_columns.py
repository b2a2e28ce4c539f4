"""Columns: lattices, random points and oblique films with known answers."""

import math

import numpy as np
import pytest

from analysis.spacing.columns import (
    RANDOM_AREA_SPREAD,
    ColumnFrames,
    Plane,
    bond_order,
    cells_of,
    column_planes,
    merged,
    plane_numbers,
)
from tests.reference.planted import DIAMETER, straight_chains, unit
from tests.reference.planted_order import triangular


@pytest.mark.parametrize("noise", [0.0, 2e-9])
@pytest.mark.parametrize("spacing", [70e-9, 120e-9, 200e-9])
def test_hexagonal_columns(spacing, noise):
    points, sides = triangular(8, 5, spacing)
    rng = np.random.default_rng(1)
    found = plane_numbers(Plane(points + noise * rng.standard_normal(points.shape), np.diag(sides)))
    # Triangular lattice: six neighbours, |psi6| = 1, cells of sqrt(3)/2 a^2.
    assert found["neighbour_distance_m"][0] == pytest.approx(spacing, rel=0.02)
    assert found["cell_area_m2"][0] == pytest.approx(math.sqrt(3) / 2 * spacing**2, rel=1e-9)
    assert found["six_neighbours_share"][0] == 1
    # To second order in Gaussian angles of variance 2 (noise/a)^2: 1 - 18 var, six averaged.
    loss = 36 * (noise / spacing) ** 2
    assert found["hexagonal_order"][0] == pytest.approx(1 - loss, abs=0.35 * loss + 1e-9)
    assert found["hexagonal_order_local"][0] >= found["hexagonal_order"][0] - 1e-12
    if noise == 0:
        assert found["nearest_m"][0] == pytest.approx(spacing)
        assert found["neighbour_spread_m"][0] == pytest.approx(0, abs=1e-6 * spacing)
        assert found["cell_area_spread"][0] == pytest.approx(0, abs=1e-6)


def test_random_points_have_the_known_cells():
    # Gilbert 1962: the variance of the cell is 0.280176 of the squared mean (Kiang's gamma law
    # has 2/7 = 0.286); Miles 1970: the mean Delaunay edge is 32/(9 pi sqrt(n)); Euler: six
    # neighbours on average, exactly. All from memory.
    rng = np.random.default_rng(3)
    area, edge, order = [], [], []
    count = 600
    for _ in range(10):
        plane = Plane(rng.random((count, 2)), np.eye(2))
        cells = cells_of(plane)
        assert cells.area.sum() == pytest.approx(1, rel=1e-9)
        assert len(cells.first) == 6 * count
        area.append((cells.area * count).var())
        edge.append(np.linalg.norm(cells.step, axis=1).mean() * math.sqrt(count))
        order.append(abs(bond_order(cells, count).mean()))
    for sample, truth in ((area, RANDOM_AREA_SPREAD**2), (edge, 32 / (9 * math.pi))):
        error = np.std(sample, ddof=1) / math.sqrt(10)
        assert abs(np.mean(sample) - truth) < 4 * error
        assert error < 0.03
    assert np.mean(order) < 4 * 0.5 / math.sqrt(count)  # no direction is kept


def test_area_law_of_random_cells_has_the_third_moment_of_a_gamma_law():
    # Kiang 1966 (from memory): gamma law of shape near 3.6; its skewness is 2/sqrt(shape).
    rng = np.random.default_rng(5)
    cells = np.concatenate(
        [cells_of(Plane(rng.random((600, 2)), np.eye(2))).area * 600 for _ in range(8)]
    )
    shape = 1 / cells.var()
    assert 3.3 < shape < 3.9
    skew = ((cells - 1) ** 3).mean() / cells.std() ** 3
    # Kiang's law is an approximation, good to some per cent in its third moment.
    assert skew == pytest.approx(2 / math.sqrt(shape), rel=0.12)


def test_cells_of_few_points_and_of_a_square_lattice():
    cells = cells_of(Plane(np.array([[0.1, 0.2], [0.6, 0.3], [0.4, 0.8]]), np.eye(2)))
    assert cells.area.sum() == pytest.approx(1)
    x, y = np.meshgrid(np.arange(6), np.arange(6))
    points = np.stack([x.ravel(), y.ravel()], axis=1) + 1e-6 * np.random.default_rng(1).random(
        (36, 2)
    )
    cells = cells_of(Plane(points, 6 * np.eye(2)))
    assert cells.area == pytest.approx(np.ones(36), rel=1e-4)
    assert plane_numbers(Plane(points[:5], 6 * np.eye(2))) == {}


def standing(points, sides, axis, thickness, length, seed=0, noise=0.0):
    """Chains along ``axis`` whose middle stands at the points of the middle plane."""
    axis = unit(axis)
    starts = np.column_stack([points, np.full(len(points), 0.5 * thickness)])
    starts = starts - 0.5 * (length - 1) * 1.02 * DIAMETER * axis
    return straight_chains(
        starts, [length] * len(points), direction=axis, sides=sides, thickness=thickness,
        noise=noise, seed=seed,
    )  # fmt: skip


@pytest.mark.parametrize("axis", [(0, 0, 1), (0, 0, -1), (0.5, 0, 0.8), (0.3, 0.4, 0.7)])
def test_oblique_columns_are_measured_across_themselves(axis):
    # A lattice that is hexagonal across the columns is stretched by 1/cos(tilt) in the film.
    axis = unit(axis)
    tilt = math.hypot(axis[0], axis[1])
    turn = math.atan2(axis[1], axis[0])
    points, sides = triangular(6, 4, 100e-9)
    stretch = np.diag([1 / abs(axis[2]), 1.0])
    rotation = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    if tilt > 1e-9 and abs(turn) > 1e-9:
        # The patch must close: turn the lattice only in the plane that is looked at.
        across = Plane(points @ stretch @ rotation, np.diag(sides) @ stretch @ rotation)
        squeeze = np.eye(2) - (1 - abs(axis[2])) * np.outer(axis[:2], axis[:2]) / tilt**2
        back = plane_numbers(Plane(across.points @ squeeze, across.periods @ squeeze))
        assert back["hexagonal_order"][0] == pytest.approx(1)
        return
    film_sides = tuple(np.array(sides) @ stretch)
    film = standing(points @ stretch, film_sides, axis, 0.4e-6, 11)
    planes = column_planes(film.positions, film.chain, axis, np.array(film_sides), 0.4e-6)
    found = plane_numbers(planes[0])
    assert found["hexagonal_order"][0] == pytest.approx(1, abs=1e-6)
    assert found["neighbour_distance_m"][0] == pytest.approx(100e-9, rel=1e-6)


def test_strands_and_pieces_of_one_column_count_once():
    points, sides = triangular(5, 3, 150e-9)
    beside = points + np.array([DIAMETER, 0.0])
    axis = np.array([0.0, 0, 1])
    low = standing(points, sides, axis, 0.2e-6, 6)
    both = low.joined(standing(beside, sides, axis, 0.2e-6, 6))
    planes = column_planes(both.positions, both.chain, axis, np.array(sides), 0.2e-6)
    one = merged(planes[0], 1.3 * DIAMETER)
    assert len(planes[0].points) == 60
    assert len(one.points) == 30
    found = plane_numbers(one)
    assert found["neighbour_distance_m"][0] == pytest.approx(150e-9, rel=1e-6)
    twice = Plane(np.concatenate([points, points]), np.diag(sides))  # exactly above each other
    assert len(merged(twice, DIAMETER).points) == 30


def test_chains_in_the_plane_are_cut_across_and_windows_mirror_them():
    # Lanes along x on a triangular lattice in the section y-z, five layers high.
    spacing, layers, columns = 80e-9, 6, 12
    thickness = (layers - 1) * spacing * math.sqrt(3) / 2 + 2 * 30e-9
    sides = np.array([1.5e-6, columns * spacing])
    starts = [
        [
            0.03e-6 * ((i * 7 + j * 3) % 5),
            (i + 0.5 * (j % 2)) * spacing,
            30e-9 + j * spacing * math.sqrt(3) / 2,
        ]
        for i in range(columns)
        for j in range(layers)
    ]
    film = straight_chains(
        starts, [60] * len(starts), sides=sides, thickness=thickness, noise=0.3e-9
    )
    frames = ColumnFrames(sides, thickness, DIAMETER, np.array([1.0, 0, 0]))
    for _ in range(3):
        frames.add(film.positions, film.chain)
    found = frames.numbers(1.0)
    assert found["count"]["value"] == pytest.approx(72, abs=3)
    assert found["neighbour_distance_m"]["value"] == pytest.approx(spacing, rel=0.03)
    assert found["hexagonal_order"]["value"] > 0.9
    assert found["six_neighbours_share"]["value"] > 0.9


def test_too_few_columns_or_no_direction_measure_nothing():
    frames = ColumnFrames(np.array([1e-6, 1e-6]), 0.2e-6, DIAMETER, None)
    frames.add(np.zeros((3, 3)), np.zeros(3, int))
    assert frames.numbers(None)["count"]["value"] is None
    askew = unit((1, 0.5, 0))
    film = straight_chains([[0.1e-6, 0.1e-6, 0.1e-6]], [9], direction=askew)
    assert column_planes(film.positions, film.chain, askew, np.array(film.sides), 0.4e-6) == []
    none = np.full(9, -1)
    up = np.array([0.0, 0, 1])
    assert column_planes(film.positions, none, up, np.array(film.sides), 0.4e-6) == []


def test_hexagonal_order_of_noisy_columns_covers_its_own_scatter():
    # The error of one frame is the scatter between frames, within a factor of two.
    points, sides = triangular(7, 4, 100e-9)
    rng = np.random.default_rng(9)
    rows = [
        plane_numbers(Plane(points + 9e-9 * rng.standard_normal(points.shape), np.diag(sides)))
        for _ in range(30)
    ]
    for name in ("hexagonal_order_local", "neighbour_spread_m", "cell_area_spread", "nearest_m"):
        value, error = np.array([row[name] for row in rows]).T
        assert 0.5 < value.std(ddof=1) / error.mean() < 2.0, name


def test_a_column_at_the_lower_window_has_a_place():
    # Soft windows let a centre lie a little below 0.
    sites = np.arange(10) * 20e-9
    positions = np.stack([sites, np.full(10, 50e-9), np.full(10, -1e-12)], axis=1)
    planes = column_planes(
        positions, np.zeros(10, np.int64), np.array([1.0, 0, 0]), np.array([200e-9, 300e-9]), 1e-7
    )
    assert planes
    assert all(np.isfinite(plane.points).all() for plane in planes)
