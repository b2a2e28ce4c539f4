"""Bundles of planted strands are told from single chains, counted and measured."""

import numpy as np
import pytest

from analysis.chains.bundles import BundleFrames, chain_tangents, find_bundles
from analysis.chains.groups import find_chains
from tests.reference.planted import DIAMETER, ring, straight_chains, unit
from tests.reference.planted_order import bundles


def look(film):
    """Numbers of one frame."""
    frames = BundleFrames(np.array(film.sides))
    chains, sides = find_chains(*film.frame()), np.array(film.sides)
    tangents = chain_tangents(film.positions, film.moments, sides, chains)
    bundle = find_bundles(film.positions, tangents, film.diameters, sides, chains)
    frames.add(film.positions, tangents, film.diameters, bundle, chains)
    return frames.numbers(1.0)


@pytest.mark.parametrize("axis", [(1, 0, 0), (0, 1, 0), (1, 0.4, 0)])
@pytest.mark.parametrize("strands", [1, 2, 3, 5])
def test_strands_and_width_of_planted_bundles(strands, axis):
    film = bundles(strands, axis=axis, noise=0.3e-9, seed=strands)
    found = look(film)
    if strands == 1:
        assert found["share"]["value"] == 0
        assert found["width_m"]["value"] is None
        assert [row["strands"] for row in found["distribution"]] == [1]
        return
    assert found["share"]["value"] == 1
    # Half a particle at either end of a shifted row stands beside fewer.
    assert found["strands"]["value"] == pytest.approx(strands, rel=0.05)
    wide = (1 + 0.885 * (strands - 1)) * DIAMETER
    assert found["width_m"]["value"] == pytest.approx(wide, rel=0.05)
    assert found["distribution"][-1]["strands"] == strands
    assert found["distribution"][-1]["share_of_length"] > 0.85


@pytest.mark.parametrize("noise", [0.0, 0.6e-9])
def test_share_in_bundles_of_a_mixed_film(noise):
    # 9 bundles of 3 strands beside 40 single chains of the same length 140 nm from each other.
    wide = bundles(3, sides=(4e-6, 4e-6), noise=noise)
    lanes = [[3.2e-6, 0.1e-6 + 90e-9 * k, 0.3e-6] for k in range(40)]
    single = straight_chains(lanes, [20] * 40, sides=(4e-6, 4e-6), thickness=4e-7, noise=noise)
    apart = np.linalg.norm(single.positions[:, None] - wide.positions[None], axis=2).min(axis=1)
    assert apart.min() > 1.5 * DIAMETER
    found = look(wide.joined(single))
    assert found["share"]["value"] == pytest.approx(27 / 67)
    shares = {row["strands"]: row["share_of_length"] for row in found["distribution"]}
    # Length in bundles 9, in single chains 40 chain lengths; cuts are a sample of all particles.
    assert shares[1] == pytest.approx(40 / 49, abs=0.04)


def test_chains_end_to_end_or_crossing_or_half_beside_are_no_bundle():
    side = 0.9 * DIAMETER
    at = np.array([0.5e-6, 0.3e-6, 0.2e-6])
    # End to end with a gap, then one that runs beside the last third of the first only.
    line = [
        at,
        at + np.array([20 * 1.02 * DIAMETER + 0.8 * DIAMETER, 0, 0]),
        at + np.array([14.3 * DIAMETER, side, 0]),
    ]
    film = straight_chains(line[:2], [20, 20])
    assert look(film)["share"]["value"] == 0
    film = straight_chains([line[0], line[2]], [20, 20])
    assert look(film)["share"]["value"] == 0
    # Across each other, a diameter apart in height.
    crossed = [at, at + np.array([0.2e-6, -0.2e-6, 1.0 * DIAMETER])]
    film = straight_chains(crossed, [20, 20], direction=[(1, 0, 0), (0, 1, 0)])
    assert look(film)["share"]["value"] == 0
    # A short chain wholly beside a long one is a strand, and two such in a row count as one.
    short = [
        at,
        at + np.array([1.5 * DIAMETER, side, 0]),
        at + np.array([12.0 * DIAMETER, side, 0]),
    ]
    film = straight_chains(short, [22, 8, 8])
    found = look(film)
    assert found["share"]["value"] == 1
    assert max(row["strands"] for row in found["distribution"]) == 2


def test_bundles_hold_across_the_border_and_leave_rings_out():
    sides = (2e-6, 0.6e-6)
    starts = [[1.8e-6, 0.595e-6, 0.1e-6], [1.812e-6, 0.595e-6 + 0.885 * DIAMETER, 0.1e-6]]
    film = straight_chains(starts, [25, 25], sides=sides).joined(ring(7, (1e-6, 0.3e-6, 0.2e-6)))
    chains = find_chains(*film.frame())
    tangents = chain_tangents(film.positions, film.moments, np.array(sides), chains)
    assert np.abs(tangents[:50] @ [1, 0, 0]) == pytest.approx(1, abs=1e-9)
    label = find_bundles(film.positions, tangents, film.diameters, np.array(sides), chains)
    assert len(set(label[:50])) == 1
    assert (label[50:] == -1).all()


def test_antiparallel_neighbours_are_a_bundle_too():
    starts = [[0.5e-6, 0.3e-6, 0.2e-6], [0.5e-6 + 20 * 1.02 * DIAMETER, 0.3e-6 + DIAMETER, 0.2e-6]]
    film = straight_chains(starts, [20, 20], direction=[(1, 0, 0), (-1, 0, 0)])
    assert look(film)["share"]["value"] == 1


def test_tangents_follow_an_oblique_chain_and_singles_have_none():
    film = straight_chains([[0.5e-6, 0.3e-6, 0.1e-6], [1.5e-6, 0.1e-6, 0.1e-6]], [9, 1],
                           direction=[(1, 0.3, 0.5), (1, 0, 0)])  # fmt: skip
    chains = find_chains(*film.frame())
    tangents = chain_tangents(film.positions, film.moments, np.array(film.sides), chains)
    assert tangents[:9] @ unit((1, 0.3, 0.5)) == pytest.approx(1)
    assert (tangents[9] == 0).all()


def test_no_chains_at_all():
    found = look(straight_chains([[0.5e-6, 0.3e-6, 0.1e-6]], [1]))
    assert found["share"]["value"] == 0
    assert found["distribution"] == []
