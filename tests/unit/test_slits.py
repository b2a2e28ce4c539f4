"""Slit widths: random discs, lanes, oblique chains."""

import math

import numpy as np
import pytest

from analysis.common.averages.student import ONE_SIGMA
from analysis.spacing.slits import SlitFrames
from tests.reference.planted import DIAMETER, straight_chains, unit, wrapped
from tests.reference.planted_spacing import CASES, clear_slits, nearest_distances

SIDES = np.array([1.6e-6, 1.2e-6])


def random_film(rng, count):
    return rng.random((count, 3)) * [*SIDES, 0.3e-6]


@pytest.mark.parametrize("axis", [None, (1, 0, 0), (0.8, 0.6, 0), (0, 0, 1)])
@pytest.mark.parametrize("count", [300, 900])
def test_slits_between_discs_at_random_are_exponential(count, axis):
    # Boolean model: lines meet discs as a Poisson process of n d a length (Hall 1988).
    rng = np.random.default_rng(count)
    sizes = DIAMETER * np.exp(0.2 * rng.standard_normal(count))
    slits = SlitFrames(SIDES, sizes, None if axis is None else unit(axis))
    for _ in range(12):
        slits.add(random_film(rng, count))
    mean = SIDES.prod() / sizes.sum()
    found = slits.numbers(12.0)
    assert found["random_mean_m"] == pytest.approx(mean)
    for key, truth in (("mean_m", mean), ("median_m", math.log(2) * mean), ("spread_m", mean)):
        assert abs(found[key]["value"] - truth) < 4 * found[key]["error"], key
        assert found[key]["error"] < 0.12 * truth
    curve = slits.curve(12.0)
    away = (curve["density_per_m"] - curve["random_per_m"]) / curve["error"]
    assert (np.abs(away) < 4.5).all()
    total = (curve["density_per_m"] * 2 * curve["width_m"][0]).sum()
    assert total == pytest.approx(0.995, abs=0.002)


@pytest.mark.parametrize("spacing", [60e-9, 100e-9, 150e-9])
@pytest.mark.parametrize("axis", [0, 1])
def test_slits_between_closed_lanes(spacing, axis):
    # Touching discs in lanes: the mean chord of a disc over all lines is pi d/4.
    across = 1 - axis
    lanes = int(SIDES[across] / spacing)
    sites = int(SIDES[axis] / DIAMETER)
    starts = np.zeros((lanes, 3))
    starts[:, across] = np.arange(lanes) * SIDES[across] / lanes
    film = straight_chains(
        starts, [sites] * lanes, direction=np.eye(3)[axis], sides=SIDES,
        bond=SIDES[axis] / sites / DIAMETER,
    )  # fmt: skip
    slits = SlitFrames(SIDES, film.diameters, np.eye(3)[axis])
    for _ in range(20):
        slits.add(film.positions)
    found = slits.numbers(20.0)
    wanted = SIDES[across] / lanes - math.pi * DIAMETER / 4
    assert found["mean_m"]["value"] == pytest.approx(wanted, abs=0.05 * DIAMETER)
    assert found["spread_m"]["value"] < 0.4 * DIAMETER


def test_slits_of_oblique_chains_are_measured_across_them():
    # Endless chains along (1, 1) in a square patch, each closing on itself through the corner.
    side, lanes = 1.2e-6, 6
    direction = unit((1, 1, 0))
    length = math.sqrt(2) * side
    sites = int(length / DIAMETER)
    along = np.arange(sites) * length / sites
    points = np.concatenate(
        [[0, k * side / lanes, 0.1e-6] + along[:, None] * direction for k in range(lanes)]
    )
    film = wrapped(points, (side, side))
    slits = SlitFrames(np.array([side, side]), np.full(len(film), DIAMETER), direction)
    for _ in range(20):
        slits.add(film)
    apart = side / lanes / math.sqrt(2)
    found = slits.numbers(20.0)
    # Particles are 1 % more than touching apart: 1 of 100 lines passes between two of a lane.
    met = DIAMETER * sites / length
    wanted = apart / met - math.pi * DIAMETER / 4
    assert found["mean_m"]["value"] == pytest.approx(wanted, abs=0.5e-9)


def test_a_wide_slit_is_not_cut_at_the_border():
    from analysis.kernels.slits import gaps_along

    at = np.array([[0.8e-6, 0.05e-6, 0.1e-6]])
    found = gaps_along(
        at, np.full(1, DIAMETER), SIDES, np.array([0.8e-6, 0.0]), np.array([0.0, 1.0]), SIDES[1]
    )
    assert found[:, 0] == pytest.approx([SIDES[1] - DIAMETER])
    assert found[:, 1] == pytest.approx([0.05e-6 + 0.5 * DIAMETER])
    # The next slit begins one side later, behind the one disc.
    assert found[:, 2:] == pytest.approx(np.array([[SIDES[1], 1.0]]))
    plain = gaps_along.py_func(
        at, np.full(1, DIAMETER), SIDES, np.array([0.8e-6, 0.0]), np.array([0.0, 1.0]), SIDES[1]
    )
    assert np.array_equal(found, plain)


def test_a_covered_film_has_no_slits():
    grid = np.stack(np.meshgrid(*[np.arange(0, 1.2e-6, 12e-9)] * 2), axis=-1).reshape(-1, 2)
    film = np.column_stack([grid, np.full(len(grid), 0.1e-6)])
    slits = SlitFrames(np.array([1.2e-6, 1.2e-6]), np.full(len(film), DIAMETER), None)
    slits.add(film)
    assert slits.numbers(1.0)["mean_m"]["value"] is None
    assert len(slits.curve(1.0)["width_m"]) == 0


def test_errors_of_slits_hold_the_means_of_further_films():
    # Chains at random that keep 0.7 spacings apart: slits of one chain are alike along it, so
    # strips along the chains are independent and strips across them are not. 24 films; 4 sigma.
    case = CASES["hard core 0.7"]
    wide = np.concatenate([clear_slits(case.make(700 + k)) for k in range(60)])
    truth = {"mean_m": wide.mean(), "median_m": np.median(wide), "spread_m": wide.std()}
    held = []
    for seed in range(24):
        film = case.make(seed)
        slits = SlitFrames(np.array(film.sides), film.diameters, np.array([1.0, 0.0, 0.0]))
        slits.add(film.positions)
        numbers = slits.numbers(1.0)
        held.append([
            abs(numbers[key]["value"] - value) < numbers[key]["error"]
            for key, value in truth.items()
        ])  # fmt: skip
    assert (np.mean(held, axis=0) > ONE_SIGMA - 4 * math.sqrt(0.3173 * 0.6827 / 24)).all()


@pytest.mark.slow
def test_errors_of_frames_that_share_half_of_their_chains():
    # 8 frames in which every other row stays: the scatter along the frames misses half of the
    # variance, that between parts of the film does not. 16 films; 4 binomial sigma below 95 %.
    from tests.benchmarks.coverage_spacing import measured, partly_frozen

    case = CASES["hard core 0.7"]
    near = np.concatenate([nearest_distances(case.make(900 + k)) for k in range(60)])
    truth = {"nearest_neighbour_m": near.mean(), "nearest_neighbour_spread_m": near.std()}
    held = []
    for seed in range(16):
        found = measured(*partly_frozen(case, seed, rows=2, count=8))
        ends = [found[key]["interval_95"] for key in truth]
        held.append([low < t < high for (low, high), t in zip(ends, truth.values(), strict=True)])
    assert (np.mean(held, axis=0) > 0.95 - 4 * math.sqrt(0.05 * 0.95 / 16)).all()
