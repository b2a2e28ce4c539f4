"""Every kind of move of the sampler keeps the canonical ensemble: quadrature, enumeration.

Each kind is tried three times as often as the local moves that it needs to reach all states; were
its balance wrong, the averages would be those of another ensemble. Statistical gates are 4 standard
errors, from the scatter of 40 blocks, at fixed seeds.
"""

import itertools

import numpy as np
import pytest
from scipy.integrate import quad, trapezoid

from sim.interactions.electrostatic import ElectrostaticLaw
from sim.interactions.van_der_waals import VanDerWaalsLaw
from sim.kernels.laws import pairs
from sim.kernels.laws.motion import missing_field
from sim.kernels.sampler import layout, rounds
from sim.sampler.whole_energy import WholeEnergy
from tests.reference.small_films import (
    Moves,
    blocked,
    distance,
    pair_distribution,
    soft_core,
    window_weight,
)
from tests.reference.small_systems import (
    added_pairs,
    film,
    random_film,
    spread_diameters,
    unit_vectors,
)

SIDES, THICKNESS, CUTOFF, MOMENT2 = (6.4, 6.0), 3.0, 2.9, 2.5
EDGES = np.array([0.8, 1.05, 1.2, 1.5, 2.0, 2.8])
# Kinds that chain moves are made of, and where two particles stand at first.
KINDS = ("hop", "splice", "segment", "shift", "exchange", "slide", "turn", "swing")
GATE = 4.0


def small(count, **changes):
    """Return a film of a few dipoles without a field."""
    given = {
        "coupling": MOMENT2, "langevin": 0.0, "sides": SIDES, "thickness": THICKNESS,
        "cutoff": CUTOFF, "dynamics": "monte_carlo", **changes,
    }  # fmt: skip
    return film(count, **given)


def apart(count):
    """Return places without overlap in the small film."""
    sites = [(x, y, z) for z in (0.8, 2.2) for x in (0.7, 2.2, 3.7, 5.2) for y in (1.0, 3.0, 5.0)]
    return np.array(sites[:count])


@pytest.fixture(scope="module")
def pair_law():
    """Return the chances of the distances of one pair, by quadrature."""
    return pair_distribution(EDGES, MOMENT2, SIDES, THICKNESS, CUTOFF)


@pytest.mark.parametrize("kind", ["local", *KINDS])
def test_distances_of_one_pair_are_those_of_quadrature(kind, pair_law):
    shares = {} if kind == "local" else {kind: 1.0}
    moves = Moves(small(2), apart(2), unit_vectors(2), seed=3, missing=False, **shares)
    moves.film.step[0] = 0.9
    seen = []
    for _ in range(16_000):
        moves.round(3, 0 if kind == "local" else 9)
        seen.append(np.histogram(distance(moves.film.rows, 0, 1, SIDES), EDGES)[0])
    mean, error = blocked(seen)
    assert moves.accepted(kind) > 1000
    assert (error < 0.05 * pair_law.max()).all()
    assert np.all(np.abs(mean - pair_law) < GATE * error), (mean - pair_law) / error


@pytest.fixture(scope="module")
def four_by_local_moves():
    """Return averages of four particles by local moves, which the pair has tested."""
    return averages_of_four(Moves(small(4, coupling=3.2), apart(4), unit_vectors(4), seed=8), 0)


def averages_of_four(moves, chains):
    """Return (mean, error) of energy, chains, squared lengths and the moment's square."""
    rows = []
    moves.film.step[0] = 0.9
    energy = moves.energy()
    for _ in range(12_000):
        energy += moves.round(6, chains)
        moves.call(rounds.find_structure)
        found, moment = moves.film.found, moves.film.rows[:, 3:6].sum(axis=0)
        rows.append([energy, found[layout.CHAINS], found[layout.SQUARES], moment @ moment])
    return blocked(rows)


@pytest.mark.parametrize("kind", KINDS)
def test_four_particles_are_the_same_by_any_moves(kind, four_by_local_moves):
    moves = Moves(small(4, coupling=3.2), apart(4), unit_vectors(4), seed=9, **{kind: 1.0})
    mean, error = averages_of_four(moves, 36)
    expected, known = four_by_local_moves
    assert moves.accepted(kind) > 1000
    assert np.all(np.abs(mean - expected) < GATE * np.hypot(error, known))


def averages_of_six(seed, **shares):
    """Return (mean, error) of six particles in a field, in long chains, and their moves."""
    system = small(6, coupling=4.2, langevin=3.0, sides=(8.0, 6.0))
    moves = Moves(system, apart(6), unit_vectors(6), seed=seed, **shares)
    moves.film.step[0] = 0.25
    rows, energy = [], moves.energy()
    for _ in range(8_000):
        energy += moves.round(8, 16)
        moves.call(rounds.find_structure)
        found, moment = moves.film.found, moves.film.rows[:, 3:6].sum(axis=0)
        across = (moves.film.rows[:, 4:6] ** 2).sum()
        rows.append([energy, found[layout.CHAINS], found[layout.SQUARES], moment[0], across])
    return blocked(rows), moves


def test_bends_change_no_average_of_chains(monkeypatch):
    monkeypatch.setattr("sim.sampler.film.LONGEST_ROW", 7.0)  # no row is longer here
    (expected, known), _ = averages_of_six(2, hop=1.0)
    (mean, error), moves = averages_of_six(3, hop=0.3, bend=0.7)
    assert moves.accepted("bend") > 3000
    assert (error[2:] < 0.05 * expected[2:]).all()
    assert np.all(np.abs(mean - expected) < GATE * np.hypot(error, known))


def test_a_bend_between_two_that_stay_follows_its_energies(monkeypatch):
    # three in a row and bends alone: the middle one goes in the plane between the ends, its moment
    # stays, so that its places have the law exp(-U) there, as long as both bonds hold
    monkeypatch.setattr("sim.sampler.film.LONGEST_ROW", 4.0)  # rows of three alone
    gap = 1.2
    places = np.array([[1.0, 3.0, 1.5], [1.0 + gap, 3.0, 1.5], [1.0 + 2.0 * gap, 3.0, 1.5]])
    along = np.tile([1.0, 0.0, 0.0], (3, 1))
    moves = Moves(small(3, coupling=2.0), places, along, seed=7, missing=False, bend=1.0)
    squares = []
    for _ in range(12_000):
        moves.round(0, 6)
        assert moves.film.rows[1, 0] == pytest.approx(1.0 + gap)
        squares.append(((moves.film.rows[1, 1:3] - places[1, 1:3]) ** 2).sum())
    mean, error = blocked(squares)
    a = np.linspace(0.0, gap * np.tan(np.pi / 4.0), 2000)
    r2 = gap * gap + a * a
    # two dipoles along x: m^2 (1 - 3 cos^2)/r^3, and bonded nearer than 1.3 with cos^2 > 1/2
    energy = 2.0 * (2.0 * (1.0 - 3.0 * gap * gap / r2) / r2**1.5 + soft_core(np.sqrt(r2)))
    law = np.exp(-energy) * (r2 < 1.3**2) * a
    expected = trapezoid(law * a * a, a) / trapezoid(law, a)
    assert moves.accepted("bend") > 10_000
    assert error < 0.03 * expected
    assert abs(mean - expected) < GATE * error


def test_sizes_are_exchanged_by_their_weights():
    # three particles of different size and moment on three fixed places: six states, enumerated
    system = small(
        3, diameter=np.array([0.9, 1.0, 1.1]), coupling=1.5, langevin=2.0, core_weight=1.5,
        shell_weight=0.3, down=(0.0, 0.0, -1.0),
    )  # fmt: skip
    places = np.array([[1.0, 1.0, 0.8], [2.1, 1.2, 1.2], [1.6, 2.2, 2.1]])
    directions = unit_vectors(3)
    moves = Moves(system, places, directions, seed=4, sizes=1.0)
    states = list(itertools.permutations(range(3)))
    energies = []
    for order in states:
        one = Moves(system, places[list(order)], directions[list(order)])
        energies.append(one.energy())
    weight = np.exp(np.min(energies) - np.array(energies))
    seen = []
    for _ in range(40_000):
        moves.round(0, 2)
        order = tuple(int(np.argmin(np.abs(places[:, 0] - x))) for x in moves.film.rows[:, 0])
        seen.append(np.eye(len(states))[states.index(order)])
    mean, error = blocked(seen)
    assert (error > 0.0).all()
    assert np.all(np.abs(mean - weight / weight.sum()) < GATE * error)


def test_ideal_gas_of_sizes_under_weight():
    # without dipoles and far from each other, each size has its own barometric law
    diameter = np.array([0.7, 0.85, 1.0, 1.2])
    system = small(
        4, diameter=diameter, coupling=1e-12, core_weight=4.0, shell_weight=4.0,
        sides=(60.0, 60.0), thickness=4.0,
    )  # fmt: skip
    places = np.array([[10.0, 10, 1], [30, 30, 2], [50, 10, 1.5], [10, 50, 2.5]])
    moves = Moves(system, places, seed=5, sizes=1.0)
    moves.film.step[0] = 0.8
    heights = []
    for _ in range(30_000):
        moves.round(8, 8)
        heights.append(moves.film.rows[:, 2].copy())
    mean, error = blocked(heights)
    z = np.linspace(-0.1, 4.1, 4001)
    expected = []
    for d in diameter:
        law = window_weight(z, 4.0, 0.5 * d) * np.exp(-4.0 * (0.5 * d) ** 3 * z)
        expected.append(trapezoid(law * z, z) / trapezoid(law, z))
    assert moves.accepted("sizes") > 1000
    assert np.all(np.abs(mean - expected) < GATE * error)


def test_moment_of_one_particle_follows_langevin():
    # L(a) = coth a - 1/a (P. Langevin, 1905), a = 2
    moves = Moves(small(1, langevin=2.0), [[1.0, 1.0, 1.5]], missing=False)
    along = []
    for _ in range(20_000):
        moves.round(1, 0)
        along.append(moves.film.rows[0, 3] / moves.film.rows[0, 7])
    mean, error = blocked(along)
    assert abs(mean - (1.0 / np.tanh(2.0) - 0.5)) < GATE * error


def test_one_particle_in_its_own_field_beyond_the_cutoff():
    # U = -(1/2 V) [f(z) (m_x^2 + m_y^2) + g(z) m_z^2]: height and direction by quadrature
    system = small(1, coupling=60.0)
    moves = Moves(system, [[1.0, 1.0, 1.5]], seed=6)
    moves.film.step[0] = 0.5
    rows = []
    for _ in range(40_000):
        moves.round(4, 0)
        row = moves.film.rows[0]
        rows.append([row[2], row[2] ** 2, row[5] ** 2 / row[7] ** 2])
    mean, error = blocked(rows)
    z = np.linspace(-0.1, THICKNESS + 0.1, 601)
    factor = 60.0 / (2.0 * SIDES[0] * SIDES[1] * THICKNESS)
    weights, squares = [], []
    for height in z:
        plane, across = missing_field(height, THICKNESS, CUTOFF)
        law = lambda c: np.exp(factor * (plane * (1 - c * c) + across * c * c))  # noqa: B023, E731
        weights.append(quad(law, 0.0, 1.0)[0])
        squares.append(quad(lambda c: c * c * law(c), 0.0, 1.0)[0])  # noqa: B023
    window = window_weight(z, THICKNESS)
    norm = trapezoid(window * np.array(weights), z)
    expected = [
        trapezoid(window * np.array(weights) * z, z) / norm,
        trapezoid(window * np.array(weights) * z**2, z) / norm,
        trapezoid(window * np.array(squares), z) / norm,
    ]
    assert abs(expected[2] - 1.0 / 3.0) > 8.0 * error[2]  # the term matters here
    assert np.all(np.abs(mean - expected) < GATE * error)


LAWS = {
    "soft core": {},
    "sizes": {"diameter": spread_diameters(60)},
    "surfactant": {"steric": "surfactant", "diameter": spread_diameters(60)},
    "springs of cores": {"steric": "surfactant", "grafting": 20.0, "core_stiffness": 900.0},
    "added forces": {
        "diameter": spread_diameters(60), "added_reach": 3.4, "added": added_pairs(
            VanDerWaalsLaw(6.0, 0.02, 1.0 / 12.0), ElectrostaticLaw(4.0, 6.0)),
    },
    "weight and gradient": {
        "core_weight": 2.0, "shell_weight": 0.5, "down": (0.0, 0.6, -0.8),
        "gradient": (0.1, 0.2, -0.3, 0.05, 0.4, 0.1),
    },
    "field across": {"direction": (0.3, 0.2, 0.9)},
}  # fmt: skip


@pytest.mark.parametrize("law", LAWS)
def test_moves_count_the_energies_of_the_engine(law):
    system = film(60, dynamics="monte_carlo", cutoff=4.0, coupling=3.0, **LAWS[law])
    state = random_film(system)
    moves = Moves(system, state.positions, state.directions)
    whole = WholeEnergy(system, 1)
    energy = moves.energy()
    assert energy == pytest.approx(whole(moves.film), rel=1e-11)
    for _ in range(30):
        energy += moves.round(30, 60)
    assert energy == pytest.approx(whole(moves.film), rel=1e-9, abs=1e-9)
    assert moves.energy() == pytest.approx(energy, rel=1e-9, abs=1e-9)
    assert moves.film.counts[:, 1].sum() > 500


def test_a_pair_is_refused_before_point_dipoles_win():
    moves = Moves(small(2, steric="surfactant"), [[1.0, 1.0, 1.5], [1.3, 1.0, 1.5]])
    assert moves.energy() >= 1e8
    assert moves.film.laws.steric == pairs.SURFACTANT
    assert soft_core(1.2) == 0.0
