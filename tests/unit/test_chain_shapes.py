"""Bending, kinks, branch points and the alignment tensor of planted chains."""

import math

import numpy as np
import pytest

from analysis.chains.alignment import alignment_tensor, tensor_numbers
from analysis.chains.groups import find_chains
from analysis.chains.shapes import ShapeFrames, contours
from tests.reference.planted import DIAMETER, langevin_directions, ring, straight_chains, unit
from tests.reference.planted_order import SPACE, held_tangents, placed, worm_tangents

BOND = 1.05


def shapes_of(tangents, noise, seed, directions=1):
    film = placed(tangents, directions, bond=BOND, noise=noise, seed=seed)
    shapes = ShapeFrames(np.array(SPACE))
    shapes.add(film.positions, find_chains(*film.frame()))
    return shapes


def test_contours_run_from_end_to_end_across_the_border():
    rng = np.random.default_rng(2)
    film = straight_chains([[1.9e-6, 0.3e-6, 0.2e-6], [0.2e-6, 0.1e-6, 0.1e-6]], [12, 7])
    mixed = rng.permutation(19)
    film = type(film)(
        film.positions[mixed], film.moments[mixed], film.diameters[mixed], film.sides, 0.4e-6,
        film.chain[mixed],
    )  # fmt: skip
    both = film.joined(ring(8, (1e-6, 0.3e-6, 0.3e-6)))
    order, start = contours(find_chains(*both.frame()))
    assert sorted(np.diff(start)) == [7, 12]  # the ring has no ends
    for c in range(2):
        own = order[start[c] : start[c + 1]]
        step = np.diff(both.positions[own], axis=0)
        step[:, 0] -= 2e-6 * np.round(step[:, 0] / 2e-6)
        assert np.abs(step[:, 0]) == pytest.approx(1.02 * DIAMETER, rel=1e-6)
        assert len(set(np.sign(step[:, 0]))) == 1


@pytest.mark.parametrize("noise", [0.0, 0.8e-9])
@pytest.mark.parametrize(("persistence", "seed"), [(15, 1), (40, 2), (120, 3)])
def test_persistence_length_of_worm_like_chains(persistence, seed, noise):
    # Kratky, Porod 1949: the correlation of tangents is exp(-s/l).
    rng = np.random.default_rng(seed)
    chains = [worm_tangents(rng, rng.integers(6, 45), persistence) for _ in range(160)]
    shapes = shapes_of(chains, noise, seed)
    found, level = shapes.persistence_length(in_field=False)
    truth = persistence * BOND * DIAMETER
    assert found.error < 0.35 * truth
    # The jackknife of 16 batches knows its own size to 18 %; a bond with noise is a little longer.
    assert abs(found.value - truth) < 4 * found.error + 0.02 * truth
    assert level == 0.0
    curve = shapes.tangent_correlation()
    law = np.exp(-curve["distance_m"] / truth)
    if noise == 0.0:
        assert (np.abs(curve["correlation"] - law) < 4 * curve["error"] + 0.01).all()


def test_error_of_the_persistence_length_covers_the_truth():
    deviations = []
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        chains = [worm_tangents(rng, 25, 30) for _ in range(60)]
        found, _ = shapes_of(chains, 0.4e-9, seed).persistence_length(in_field=False)
        deviations.append((found.value - 30 * BOND * DIAMETER) / found.error)
    # 20 fair deviations have a root mean square of 1 with an error of 0.16 (0.96 and 95 % within
    # two errors over 40 seeds), to which the jackknife of 16 batches adds its own scatter.
    assert 0.4 < math.sqrt(np.mean(np.square(deviations))) < 1.7
    assert np.mean(np.abs(deviations) < 2) > 0.8


@pytest.mark.parametrize(("persistence", "decay"), [(60, 6), (150, 10)])
def test_persistence_length_of_rods_that_a_field_holds(persistence, decay):
    rng = np.random.default_rng(7)
    chains = [held_tangents(rng, 50, persistence, decay) for _ in range(200)]
    found, level = shapes_of(chains, 0.3e-9, 7).persistence_length(in_field=True)
    truth = persistence * BOND * DIAMETER
    assert abs(found.value - truth) < 4 * found.error + 0.03 * truth
    # Far apart tangents share the mean: <cos>^2 = 1 - 2 decay/(2 persistence) to first order.
    assert level == pytest.approx(1 - decay / persistence, abs=0.03)


def test_straight_chains_show_no_bend_and_say_nothing():
    chains = [np.tile([1.0, 0.0, 0.0], (20, 1)) for _ in range(60)]
    found, level = shapes_of(chains, 0.5e-9, 1).persistence_length(in_field=True)
    assert found.value is None
    assert level is None
    empty = ShapeFrames(np.array(SPACE))
    assert empty.persistence_length(in_field=False)[0].value is None
    assert len(empty.tangent_correlation()["distance_m"]) == 0


def test_kinks_branch_points_and_loops_are_counted():
    angle = math.radians(60)
    bent = np.array([[1.0, 0, 0]] * 4 + [[math.cos(angle), math.sin(angle), 0]] * 4)
    chains = [bent] + [np.tile([1.0, 0, 0], (8, 1))] * 3
    shapes = shapes_of(chains, 0.0, 1)
    assert shapes.kinks[0][0] == pytest.approx(1 / 28)  # 4 chains of 7 inner particles, 1 kink
    trunk = straight_chains([[0.5e-6, 0.3e-6, 0.2e-6]], [8])
    at = trunk.positions[3] + 1.02 * DIAMETER * unit([1, 0.7, 0])
    film = trunk.joined(straight_chains([at], [3], direction=(1, 0.7, 0)))
    film = film.joined(ring(6, (1.5e-6, 0.3e-6, 0.2e-6)))
    shapes = ShapeFrames(np.array(film.sides))
    chains = find_chains(*film.frame())
    shapes.add(film.positions, chains)
    degree = np.bincount(chains.bonds.ravel())
    assert shapes.branch_points[0][0] == pytest.approx((degree > 2).sum() / 17)
    assert (degree > 2).sum() >= 1
    # Bonds less particles plus groups: the ring is one loop, the fork may close another.
    assert shapes.loops[0] == len(chains.bonds) - 17 + 2


def test_alignment_tensor_of_a_known_law():
    # About x with the weight exp(k cos): <P2> = 1 - 3 L(k)/k (from memory), the rest shared alike.
    rng = np.random.default_rng(4)
    k = 6.0
    tensors, errors = [], []
    for _ in range(20):
        axes = langevin_directions(rng, 400, k, axis=(1, 1, 0))
        tensor, error = alignment_tensor(axes, np.ones(400))
        tensors.append(tensor)
        errors.append(error)
    found = tensor_numbers(tensors, errors, 20.0)
    order = 1 - 3 * (1 / math.tanh(k) - 1 / k) / k
    values = [e["value"] for e in found["eigenvalues"]]
    for value, truth, entry in zip(
        values, (order, -order / 2, -order / 2), found["eigenvalues"], strict=True
    ):
        # The smaller two are split by their noise, which is of the size of the error.
        assert abs(value - truth) < 4 * entry["error"]
    assert sum(values) == pytest.approx(0, abs=1e-12)
    assert abs(np.array(found["principal_axes"][0]) @ unit((1, 1, 0))) > 0.999
    assert np.trace(np.array(found["tensor"])) == pytest.approx(0, abs=1e-12)


def test_alignment_tensor_without_chains():
    nothing = np.full((3, 3), np.nan)
    assert tensor_numbers([nothing], [nothing], None)["tensor"] is None
