"""Spacings, widths and clear fraction of planted films, recovered within their stated errors."""

import math

import numpy as np
import pytest

from analysis.chains.groups import find_chains
from analysis.spacing.curves import axis_correlation, structure_curves
from analysis.spacing.distances import SpacingFrames, lateral_direction
from analysis.spacing.section import spacing_numbers
from analysis.uncertainty.estimate import NOTHING
from tests.reference.planted import DIAMETER, straight_chains, unit

SIDES = np.array([1.6e-6, 1.2e-6])
THICKNESS = 0.3e-6


def lanes(spacing, *, axis=0, noise=0.0, seed=1, layers=1, length=12, tilt=0.0, strands=1):
    """A film of chains on lanes ``spacing`` apart; in ``strands`` touching half-shifted rows."""
    rng = np.random.default_rng(seed)
    starts, directions = [], []
    pitch = (length + 2) * 1.02 * DIAMETER
    pitch = SIDES[axis] / int(SIDES[axis] / pitch) if axis < 2 else pitch  # gaps all alike
    if axis == 2:
        xs = np.arange(0, SIDES[0] - 0.5 * spacing, spacing)
        ys = np.arange(0, SIDES[1] - 0.5 * spacing, spacing)
        starts = [[x, y, 15e-9] for x in xs for y in ys]
        directions = [(0, 0, 1)] * len(starts)
    else:
        for lane in np.arange(0, SIDES[1 - axis] - 0.5 * spacing, spacing):
            for layer in range(layers):
                shift = rng.random() * pitch
                for k in range(round(SIDES[axis] / pitch)):
                    for strand in range(strands):
                        start = np.zeros(3)
                        start[axis] = shift + k * pitch + strand * 0.51 * DIAMETER
                        start[1 - axis] = lane + strand * 0.885 * DIAMETER
                        start[2] = 0.15e-6 if layers == 1 else 30e-9 + layer * spacing
                        starts.append(start)
                        directions.append(unit(np.eye(3)[axis] + tilt * np.eye(3)[1 - axis]))
    return straight_chains(
        starts,
        [length] * len(starts),
        direction=directions,
        sides=SIDES,
        thickness=THICKNESS,
        noise=noise,
        seed=seed,
    )


def measured(film, axis, frames=1):
    """Spacing section and warnings of a film that stands still for some frames."""
    sums = SpacingFrames(SIDES, THICKNESS, film.diameters, None if axis is None else unit(axis))
    chains = find_chains(*film.frame())
    for _ in range(frames):
        sums.add(film.positions, chains)
    length = float((chains.size**2).sum() / chains.size.sum())
    _, radial = structure_curves(sums, 1.0, length)
    warnings = []
    numbers, _ = spacing_numbers(sums, radial, axis_correlation(sums), 1.0, warnings)
    return numbers, warnings, sums


@pytest.mark.parametrize("spacing", [0.4e-6 / 7, 100e-9, 0.4e-6 / 3])
@pytest.mark.parametrize("axis", [0, 1])
def test_three_spacings_of_one_layer_of_lanes(spacing, axis):
    number, _, _ = measured(lanes(spacing, axis=axis, noise=1.5e-9), np.eye(3)[axis])
    found = number["nearest_neighbour_m"]
    # The smaller of two noisy distances to both sides is below their mean by about 1.1 noise.
    assert found["value"] == pytest.approx(spacing, abs=3e-9)
    peak = number["structure_factor_m"]
    assert abs(peak["value"] - spacing) < 2 * peak["error"] + 0.01 * spacing
    assert peak["error"] < 0.15 * spacing
    shell = number["axis_correlation_m"]
    assert abs(shell["value"] - spacing) < 2 * shell["error"] + 0.02 * spacing
    assert number["width_m"]["value"] == pytest.approx(DIAMETER, rel=0.1)


@pytest.mark.parametrize("spacing", [80e-9, 0.4e-6 / 3])
def test_chains_that_stand_across_the_film(spacing):
    number, _, _ = measured(lanes(spacing, axis=2, noise=1e-9, length=10), (0, 0, 1))
    assert number["nearest_neighbour_m"]["value"] == pytest.approx(spacing, abs=3e-9)
    peak = number["structure_factor_m"]
    assert abs(peak["value"] - spacing) < 2 * peak["error"] + 0.03 * spacing
    assert number["width_m"]["value"] == pytest.approx(DIAMETER + 2e-9, abs=3e-9)


def test_nearest_axis_is_found_in_three_dimensions():
    film = lanes(100e-9, layers=3, noise=0.5e-9)
    number, _, _ = measured(film, (1, 0, 0))
    assert number["nearest_neighbour_m"]["value"] == pytest.approx(100e-9, abs=3e-9)


def test_nearest_axis_seen_through_the_film_lays_the_layers_on_one_another():
    # Two layers 100 nm apart in height, the upper one 30 nm aside: 30 nm in the plane, and
    # hypot(30, 100) nm in space between them, so that 100 nm in the layer is nearest there.
    low = lanes(100e-9, noise=0.3e-9)
    raised = low.positions + np.array([0, 30e-9, 0.1e-6])
    raised[:, 1] %= SIDES[1]
    high = type(low)(raised, low.moments, low.diameters, low.sides, low.thickness, low.chain)
    number, _, _ = measured(low.joined(high), (1, 0, 0))
    assert number["nearest_neighbour_in_plane_m"]["value"] == pytest.approx(30e-9, abs=1e-9)
    assert number["nearest_neighbour_m"]["value"] == pytest.approx(100e-9, abs=2e-9)
    standing, _, _ = measured(lanes(80e-9, axis=2, length=10), (0, 0, 1))
    assert standing["nearest_neighbour_in_plane_m"]["value"] == pytest.approx(80e-9, abs=1e-9)


def test_tilted_chains_are_measured_across_themselves():
    tilt = 0.2
    # Chains side by side in columns, so that each stands level with its neighbours.
    starts = [[x, y, 0.1e-6] for x in (0.1e-6, 0.9e-6) for y in np.arange(0, 1.19e-6, 120e-9)]
    film = straight_chains(
        starts, [20] * len(starts), direction=(1, tilt, 0), sides=SIDES, thickness=THICKNESS
    )
    across, _, _ = measured(film, (1, tilt, 0))
    assert lateral_direction(unit((1, tilt, 0))) == pytest.approx(unit((-tilt, 1)))
    # Lanes 120 nm apart along y stand 120 nm cos(tilt) apart across themselves.
    wanted = 120e-9 / math.hypot(1, tilt)
    assert across["nearest_neighbour_m"]["value"] == pytest.approx(wanted, abs=2e-9)


def test_nearest_neighbour_equals_a_plain_double_loop():
    rng = np.random.default_rng(9)
    count = 25
    starts = rng.random((count, 3)) * [*SIDES, 0.0] + [0, 0, 0.03e-6]
    starts[:, 2] += rng.integers(0, 5, count) * 50e-9
    film = straight_chains(starts, rng.integers(3, 9, count), sides=SIDES, thickness=THICKNESS)
    axis = unit((1, 0.1, 0.05))
    sums = SpacingFrames(SIDES, THICKNESS, film.diameters, axis)
    chains = find_chains(*film.frame())
    sums.add(film.positions, chains)
    best = []
    counted = np.zeros(sums.bins)
    for i in range(len(film.positions)):
        nearest = math.inf
        for j in range(len(film.positions)):
            if chains.group[i] == chains.group[j]:
                continue
            d = film.positions[j] - film.positions[i]
            d[:2] -= SIDES * np.round(d[:2] / SIDES)
            level = d @ axis
            away = np.linalg.norm(d - level * axis)
            if abs(level) < sums.window and away < sums.reach:
                counted[int(away / sums.reach * sums.bins)] += 1
                nearest = min(nearest, away)
        if math.isfinite(nearest):
            best.append((chains.group[i], nearest))
    assert len(best) > 20
    total = 0.0
    for group in {b[0] for b in best}:
        own = [b[1] for b in best if b[0] == group]
        total += np.median(own) * len(own)
    assert sums.nearest[0].value == pytest.approx(total / len(best), rel=1e-9)
    assert np.array_equal(sums.shell_counts[0].sum(axis=0), counted)


@pytest.mark.parametrize("axis", [(1, 0, 0), (0.9, 0.3, 0.3), (0, 0, 1)])
def test_axes_at_random_have_a_flat_pair_correlation(axis):
    rng = np.random.default_rng(3)
    sums = SpacingFrames(SIDES, THICKNESS, np.full(2000, DIAMETER), unit(axis))
    chain = np.arange(2000)  # every particle its own chain: no correlation at all
    for _ in range(12):
        points = rng.random((2000, 3)) * [*SIDES, THICKNESS]
        sums._add_distances(points, chain)
    curve = axis_correlation(sums)
    # Poisson pairs: 4 sigma for every bin.
    assert (np.abs(curve["g"] - 1) < 4 * curve["error"]).all()
    assert curve["g"][5:].mean() == pytest.approx(1, abs=0.03)


def test_width_of_bundles_counts_their_strands():
    single, _, _ = measured(lanes(200e-9), (1, 0, 0))
    double, _, _ = measured(lanes(200e-9, strands=2), (1, 0, 0))
    assert single["width_m"]["value"] == pytest.approx(DIAMETER, rel=1e-6)
    # Two rows 0.885 d apart; the end particles of a row stand beside one of the other, too.
    assert double["width_m"]["value"] == pytest.approx(1.885 * DIAMETER, rel=0.01)
    assert double["structure_factor_m"]["value"] == pytest.approx(200e-9, rel=0.1)


def test_clear_fraction_of_lanes_and_of_particles_at_random():
    film = lanes(200e-9)
    number, _, _ = measured(film, (1, 0, 0))
    # Chains in line at 1.02 d: discs do not overlap, so the covered area is theirs.
    covered = len(film.positions) * math.pi * DIAMETER**2 / 4 / SIDES.prod()
    assert number["clear_fraction"]["value"] == pytest.approx(1 - covered, abs=2e-3)
    rng = np.random.default_rng(1)
    sums = SpacingFrames(SIDES, THICKNESS, np.full(1500, DIAMETER), np.array([1.0, 0, 0]))
    for _ in range(8):
        sums._add_cover(rng.random((1500, 3)) * [*SIDES, THICKNESS])
    random = math.exp(-1500 * math.pi * DIAMETER**2 / 4 / SIDES.prod())
    assert np.mean(sums.clear) == pytest.approx(
        random, abs=4 * np.std(sums.clear) / math.sqrt(8) + 1e-3
    )


def test_too_few_chains_give_reasons_and_no_exception():
    film = straight_chains([[1e-6, 0.5e-6, 0.1e-6], [0.2e-6, 0.1e-6, 0.2e-6]], [4, 1], sides=SIDES)
    number, warnings, _ = measured(film, (1, 0, 0))
    for key in ("nearest_neighbour_m", "axis_correlation_m"):
        assert number[key] == NOTHING.as_dict()
        assert any(w.startswith(f"spacing.{key}") for w in warnings)
    singles = straight_chains(
        [[1e-6, 0.5e-6, 0.1e-6], [0.2e-6, 0.1e-6, 0.2e-6]], [1, 1], sides=SIDES
    )
    number, warnings, _ = measured(singles, None)
    assert number["width_m"]["value"] is None
    assert any(w.startswith("spacing.width_m") for w in warnings)


def test_kernels_give_the_same_without_compilation():
    from analysis.kernels import across, cells, projection

    film = lanes(150e-9, length=4)
    chains = find_chains(*film.frame())
    rule = (chains.group, chains.group % 4, np.array([1.0, 0, 0]), 15e-9, 2e-7)
    found = []
    for call in (lambda f: f.py_func, lambda f: f):
        box = call(cells.sort_into_cells)(film.positions, SIDES, 0.0, THICKNESS, (20, 15, 3))
        nearest, counts = np.full(len(film.positions), np.inf), np.zeros((4, 40), np.int64)
        call(across.distances_across)(box, *rule, nearest, counts)
        found.append((nearest, counts))
    assert np.array_equal(found[0][0], found[1][0])
    assert np.array_equal(found[0][1], found[1][1])
    arguments = (film.positions, film.diameters, SIDES, 200, 150)
    assert np.array_equal(
        projection.covered_points(*arguments), projection.covered_points.py_func(*arguments)
    )
    members = np.argsort(chains.cluster, kind="stable")
    begin = np.concatenate([[0], np.cumsum(chains.cluster_size)])
    arguments = (
        film.positions,
        film.diameters,
        SIDES,
        members,
        begin,
        chains.cluster,
        np.array([0.0, 1.0]),
        np.arange(30),
    )
    assert np.allclose(projection.widths(*arguments), projection.widths.py_func(*arguments))
