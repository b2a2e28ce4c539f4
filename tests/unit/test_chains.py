"""Planted chains, rings and clusters are found as they were planted."""

import numpy as np
import pytest

from analysis.chains.groups import BRANCHED, LINEAR, RING, SINGLE, find_chains
from tests.reference.planted import DIAMETER, MOMENT, Planted, ring, straight_chains, unit

SIDES = (2e-6, 0.6e-6)


def starts_on_grid(count, seed=0, spacing=70e-9):
    """Starting points on separate lanes, at random along x (so that chains cross the border)."""
    rng = np.random.default_rng(seed)
    lanes = [
        (y, z)
        for y in np.arange(20e-9, 0.58e-6, spacing)
        for z in np.arange(20e-9, 0.39e-6, spacing)
    ]
    assert count <= len(lanes)
    return np.array([[rng.random() * SIDES[0], *lanes[k]] for k in range(count)])


def naive_pairs(planted, reach=1.3, cosine=0.5):
    """All bonded pairs by the rule, one by one."""
    u = planted.moments / np.linalg.norm(planted.moments, axis=1)[:, None]
    found = set()
    for i in range(len(u)):
        for j in range(i + 1, len(u)):
            d = planted.positions[j] - planted.positions[i]
            d[:2] -= np.array(planted.sides) * np.round(d[:2] / np.array(planted.sides))
            r = np.linalg.norm(d)
            if r < reach * 0.5 * (planted.diameters[i] + planted.diameters[j]):
                n = d / r
                if (u[i] @ n) * (u[j] @ n) > cosine:
                    found.add((i, j))
    return found


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lengths_of_planted_chains_that_cross_the_border(seed):
    lengths = np.random.default_rng(seed).integers(1, 30, 40)
    film = straight_chains(starts_on_grid(40, seed), lengths, noise=0.5e-9, seed=seed)
    chains = find_chains(*film.frame())
    assert sorted(chains.size) == sorted(lengths)
    assert set(chains.kind[chains.size > 1]) == {LINEAR}
    assert (chains.kind[chains.size == 1] == SINGLE).all()
    assert not chains.spanning.any()
    # Same partition as planted, not only the same sizes.
    for index in range(40):
        assert len(set(chains.group[film.chain == index])) == 1


def test_bonds_equal_those_of_a_plain_double_loop():
    rng = np.random.default_rng(5)
    count = 300
    film = Planted(
        rng.random((count, 3)) * [0.4e-6, 0.25e-6, 0.1e-6],
        rng.standard_normal((count, 3)),
        DIAMETER * np.exp(0.2 * rng.standard_normal(count)),
        (0.4e-6, 0.25e-6),
        0.1e-6,
        np.zeros(count, int),
    )
    chains = find_chains(*film.frame(), bond_alignment=0.1)
    expected = naive_pairs(film, cosine=0.1)
    assert len(expected) > 30
    assert {tuple(bond) for bond in chains.bonds.tolist()} == expected


@pytest.mark.parametrize("columns", [1, 2, 3])
def test_patches_of_few_cells_count_each_pair_once(columns):
    rng = np.random.default_rng(columns)
    sides = (columns * 1.4 * DIAMETER, 3.7 * DIAMETER)
    count = 20
    film = Planted(
        rng.random((count, 3)) * [*sides, 8 * DIAMETER],
        rng.standard_normal((count, 3)),
        np.full(count, DIAMETER),
        sides,
        8 * DIAMETER,
        np.zeros(count, int),
    )
    chains = find_chains(*film.frame(), bond_alignment=-0.9)
    assert {tuple(b) for b in chains.bonds.tolist()} == naive_pairs(film, cosine=-0.9)
    assert len({tuple(b) for b in chains.bonds.tolist()}) == len(chains.bonds)


def test_chain_through_the_patch_closes_on_itself():
    count = round(SIDES[0] / (1.02 * DIAMETER))
    bond = SIDES[0] / count / DIAMETER
    film = straight_chains([[0.3e-6, 0.3e-6, 0.2e-6]], [count], bond=bond)
    film = film.joined(straight_chains([[0.1e-6, 0.1e-6, 0.1e-6]], [10]))
    chains = find_chains(*film.frame())
    assert chains.spanning.tolist() == [True, False]
    assert chains.kind.tolist() == [LINEAR, LINEAR]
    assert np.isnan(chains.straightness[0])
    assert chains.axis[0] == pytest.approx([1, 0, 0], abs=1e-9) or chains.axis[0] == pytest.approx(
        [-1, 0, 0], abs=1e-9
    )


@pytest.mark.parametrize("count", [5, 8, 14])
def test_ring_is_a_ring_even_across_the_corner_of_the_patch(count):
    film = ring(count, (0.0, 0.0, 0.2e-6)).joined(straight_chains([[1e-6, 0.3e-6, 0.1e-6]], [6]))
    chains = find_chains(*film.frame())
    assert chains.kind.tolist() == [RING, LINEAR]
    assert chains.lengths.tolist() == [6]


def test_branched_group_is_told_from_a_chain():
    trunk = straight_chains([[0.5e-6, 0.3e-6, 0.2e-6]], [8])
    at = trunk.positions[3]
    branch = straight_chains([at + 1.02 * DIAMETER * unit([1, 0.7, 0])], [3], direction=(1, 0.7, 0))
    chains = find_chains(*trunk.joined(branch).frame())
    assert chains.size.tolist() == [11]
    assert chains.kind.tolist() == [BRANCHED]
    assert np.isnan(chains.straightness[0])


def test_half_shifted_neighbours_are_a_cluster_and_not_a_chain():
    first = straight_chains([[0.5e-6, 0.3e-6, 0.2e-6]], [12], bond=1.0)
    beside = [0.5e-6 + 0.5 * DIAMETER, 0.3e-6 + 0.8661 * DIAMETER, 0.2e-6]
    chains = find_chains(*first.joined(straight_chains([beside], [12], bond=1.0)).frame())
    assert chains.size.tolist() == [12, 12]
    assert chains.cluster_size.tolist() == [24]


def test_moments_side_by_side_do_not_bond_although_they_touch():
    film = straight_chains([[0.5e-6, 0.3e-6, 0.2e-6]], [6])
    sideways = np.tile([0.0, MOMENT, 0.0], (6, 1))
    chains = find_chains(film.positions, sideways, film.diameters, film.sides)
    assert chains.size.tolist() == [1] * 6
    assert chains.cluster_size.tolist() == [6]


def test_polydisperse_chain_bonds_by_its_own_diameters():
    sizes = DIAMETER * np.array([1.6, 0.6, 1.4, 0.7, 1.5, 0.6])
    film = straight_chains([[0.4e-6, 0.3e-6, 0.2e-6]], [6], diameters=sizes, bond=1.2)
    assert find_chains(*film.frame()).size.tolist() == [6]
    assert find_chains(*film.frame(), bond_distance=1.1).size.tolist() == [1] * 6


def test_straightness_of_a_bent_chain_is_end_to_end_over_contour():
    angle = np.linspace(0, 1.0, 15)  # an arc of one radian
    radius = 14 * 1.02 * DIAMETER / 1.0
    positions = np.stack(
        [
            1.95e-6 + radius * np.sin(angle),
            0.55e-6 + radius * (1 - np.cos(angle)),
            np.full(15, 0.2e-6),
        ],
        axis=1,
    )
    moments = np.stack([np.cos(angle), np.sin(angle), np.zeros(15)], axis=1)
    chains = find_chains(positions % [2e-6, 0.6e-6, 1], moments, DIAMETER, SIDES)
    chord, step = 2 * radius * np.sin(0.5), 2 * radius * np.sin(angle[1] / 2)
    assert chains.straightness[0] == pytest.approx(chord / (14 * step), rel=1e-9)


@pytest.mark.parametrize("direction", [(1, 0, 0), (1, 0.3, 0.1), (0, 1, 0.2), (0, 0, 1)])
def test_axis_of_a_tilted_chain(direction):
    film = straight_chains([[1.9e-6, 0.5e-6, 0.1e-6]], [9], direction=direction)
    axis = find_chains(*film.frame()).axis[0]
    assert abs(axis @ unit(direction)) == pytest.approx(1, abs=1e-9)


def test_nothing_is_bonded_without_moments_and_an_empty_frame_is_empty():
    film = straight_chains([[0.4e-6, 0.3e-6, 0.2e-6]], [6])
    chains = find_chains(film.positions, None, film.diameters, film.sides)
    assert chains.size.tolist() == [1] * 6
    empty = find_chains(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), SIDES)
    assert len(empty.size) == len(empty.cluster_size) == len(empty.bonds) == 0


def test_all_particles_in_one_cluster():
    grid = np.stack(np.meshgrid(*[np.arange(12)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    positions = (grid + 0.5) * DIAMETER
    sides = (14 * DIAMETER, 14 * DIAMETER)
    chains = find_chains(positions, np.tile([1.0, 0, 0], (1728, 1)), DIAMETER, sides)
    assert chains.cluster_size.tolist() == [1728]
    assert chains.size.tolist() == [12] * 144


def test_index_counts_chains_only():
    film = straight_chains(starts_on_grid(4), [1, 3, 1, 2])
    assert find_chains(*film.frame()).index.tolist() == [-1, 0, 0, 0, -1, 1, 1]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bond_distance": 0.0}, "bond_distance must be from 0 to 10"),
        ({"bond_distance": np.nan}, "bond_distance must be from 0 to 10"),
        ({"bond_alignment": 1.0}, "bond_alignment must be from -1 to below 1"),
        ({"sides": (1e-6, 0.0)}, "sides must be two positive lengths"),
        ({"positions": np.zeros((6, 2))}, r"positions must have shape \(N, 3\)"),
        ({"diameters": np.ones(5)}, "one row for each of 6 particles"),
        ({"diameters": np.zeros(6)}, "diameters positive"),
        ({"moments": np.full((6, 3), np.inf)}, "must be finite"),
    ],
)
def test_one_sentence_for_bad_input(change, message):
    film = straight_chains([[0.4e-6, 0.3e-6, 0.2e-6]], [6])
    arguments = {
        "positions": film.positions,
        "moments": film.moments,
        "diameters": film.diameters,
        "sides": film.sides,
    }
    with pytest.raises(ValueError, match=message):
        find_chains(**(arguments | change))


def test_kernels_give_the_same_without_compilation():
    from analysis.kernels import cells, pairs

    film = straight_chains(starts_on_grid(6, 3), [4, 7, 2, 1, 9, 3]).joined(
        ring(6, (0.02e-6, 0.3e-6, 0.05e-6))
    )
    units = film.moments / np.linalg.norm(film.moments, axis=1)[:, None]
    box = (np.array(SIDES), 0.0, film.thickness, (40, 12, 3))
    plain, compiled = [], []
    for kind, out in (("py_func", plain), (None, compiled)):
        call = (lambda f: f.py_func) if kind else (lambda f: f)
        sorted_film = call(cells.sort_into_cells)(film.positions, *box)
        place = np.zeros(len(units), np.int64)
        rule = (sorted_film, units, film.diameters, 1.3, 0.5)
        call(pairs.touching_pairs)(*rule, place, np.empty((0, 5), np.int64))
        table = np.empty((place.sum(), 5), np.int64)
        call(pairs.touching_pairs)(*rule, np.cumsum(place) - place, table)
        out.extend([sorted_film.start, sorted_film.order, sorted_film.points, place, table])
        out.extend(call(pairs.label_groups)(len(units), table))
    for a, b in zip(plain, compiled, strict=True):
        assert np.array_equal(a, b)
