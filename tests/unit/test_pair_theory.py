"""Pair potential, bond constant and chain theory against independent sums."""

import dataclasses
import itertools
import math

import numpy as np
import pytest

from analysis.common.laws import bond_life
from sim.interactions import dipolar
from sim.interactions.pairs import steric_radii
from sim.interactions.steric import KINDS, StericLaw
from sim.outlook import chain_lengths
from sim.outlook.bond_constants import bond_constant, bond_constants, oriented_factor
from sim.outlook.pair_potential import contact_distance, head_to_tail, size_classes, size_quantile
from tests.reference.bench_film import bench_film

NM = 1e-9


# ------------------------------------------------------------------ forces


def pushed_apart(film, core_i, core_j, distance):
    """Return the force of the repulsion in kT/m, for core diameters in m."""
    return StericLaw.asked_for(film).force(*steric_radii(film, core_i, core_j), distance)


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize(("core_i", "core_j"), [(20.0, 20.0), (14.0, 26.0)])
def test_every_repulsion_has_the_force_of_its_energy(kind, core_i, core_j):
    film = bench_film(kind=f'"{kind}"')
    contact = 0.5 * (core_i + core_j) + 4.0
    # an even number of points: none at contact, where the brush has a kink in its force
    distance = np.linspace(contact - 2.0, contact + 3.0, 40) * NM
    step = 1e-5 * NM
    pair = core_i * NM, core_j * NM
    ahead = StericLaw.pair_energy(film, *pair, distance + step)
    behind = StericLaw.pair_energy(film, *pair, distance - step)
    force = pushed_apart(film, *pair, distance)
    # The atanh series of the brush is exact to 1e-12, and differences lose about 1e-9 here.
    scale = float(np.max(np.abs(force)))
    np.testing.assert_allclose(force, -(ahead - behind) / (2.0 * step), atol=1e-6 * scale)
    assert np.max(force) > 0.0


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_repulsion_does_not_depend_on_the_length_unit(kind):
    film = bench_film(kind=f'"{kind}"')
    unit = 24 * NM
    reduced = StericLaw.asked_for(film, unit).energy(0.5, 0.4, 0.85)
    si = StericLaw.asked_for(film).energy(0.5 * unit, 0.4 * unit, 0.85 * unit)
    assert reduced > 0.1
    assert si == pytest.approx(float(reduced), rel=1e-12)


def test_coupling_at_contact():
    # mu0 m^2/(4 pi d^3 kT) for 20 nm cores in 24 nm spheres at 298.15 K, evaluated by hand
    moment = 446e3 * math.pi * (20 * NM) ** 3 / 6
    expected = 1e-7 * moment**2 / (24 * NM) ** 3 / (1.380649e-23 * 298.15)
    film = bench_film()
    assert dipolar.pair_coupling(film, 20 * NM, 20 * NM, 24 * NM) == pytest.approx(
        expected, rel=1e-9
    )


# --------------------------------------------------------------- potential


def test_bound_minimum_and_barrier_of_the_example():
    film = bench_film()
    pair = head_to_tail(film, 20 * NM, 20 * NM)
    place, core = pair.minimum_distance_m, 20 * NM
    assert core < place < contact_distance(film, core, core)

    def total(distance):
        return StericLaw.pair_energy(film, core, core, distance) + dipolar.head_to_tail_energy(
            film, core, core, distance
        )

    # lower than both neighbours, and the forces balance there
    assert pair.minimum_kt == pytest.approx(float(total(place)), abs=1e-3)
    assert total(place) < min(total(place - 0.05 * NM), total(place + 0.05 * NM))
    pull = 6.0 * dipolar.pair_coupling(film, core, core, place) / place
    push = pushed_apart(film, core, core, place)
    assert push == pytest.approx(float(pull), rel=5e-3)
    # the top of the barrier lies at or outside core contact
    walk = np.linspace(core, place, 20000)
    assert pair.barrier_kt == pytest.approx(float(total(walk).max() - total(place)), abs=0.01)


def test_a_thin_brush_does_not_keep_cores_apart():
    film = bench_film()
    thin = dataclasses.replace(film.repulsion, grafting_density=0.01e18)
    pair = head_to_tail(dataclasses.replace(film, repulsion=thin), 20 * NM, 20 * NM)
    assert pair.minimum_distance_m == pytest.approx(20 * NM)
    assert pair.barrier_kt == 0.0


def test_the_soft_core_has_nothing_to_stick_to():
    film = bench_film(kind='"soft_core"')
    pair = head_to_tail(film, 20 * NM, 20 * NM)
    assert math.isinf(pair.barrier_kt)
    assert pair.minimum_kt < -9.0


# -------------------------------------------------------------------- sizes


def test_size_classes_reproduce_the_law():
    film = bench_film(size_spread=0.25)
    cores, shares = size_classes(film)
    assert shares.sum() == pytest.approx(1.0)
    quantiles = [size_quantile(film, (k + 0.5) / 4000) for k in range(4000)]
    # classes are Gauss points: the means of smooth powers agree
    for power in (1, 3, 6):
        expected = np.mean(np.power(quantiles, power))
        assert shares @ cores**power == pytest.approx(expected, rel=2e-3)
    assert size_quantile(film, 0.5) == pytest.approx(20 * NM)
    assert size_quantile(film, 1.0) == pytest.approx(20 * NM * math.exp(0.75), rel=1e-6)


# ------------------------------------------------------------ bond constant


def test_field_average_against_random_directions():
    # Both moments drawn alone in the field, the pair's axis at random: 4 standard errors.
    generator = np.random.default_rng(20)
    count, coupling, alphas, alignment = 400_000, 1.2, (2.0, 4.0), 0.3

    def in_field(alpha):
        uniform = generator.random(count)
        c = 1.0 + np.log(uniform + (1.0 - uniform) * math.exp(-2.0 * alpha)) / alpha
        return around_z(c)

    def around_z(c):
        phi, s = 2.0 * math.pi * generator.random(count), np.sqrt(1.0 - c**2)
        return np.stack([s * np.cos(phi), s * np.sin(phi), c])

    first, second = in_field(alphas[0]), in_field(alphas[1])
    axis = around_z(2.0 * generator.random(count) - 1.0)
    c1, c2 = np.sum(first * axis, axis=0), np.sum(second * axis, axis=0)
    energy = -coupling * (3.0 * c1 * c2 - np.sum(first * second, axis=0))
    counted = np.where((c1 > 0.0) & (c1 * c2 > alignment), np.exp(-energy), 0.0)
    expected, error = counted.mean(), counted.std() / math.sqrt(count)
    found = oriented_factor(np.array([coupling]), alignment, *alphas)[0] * math.exp(2.0 * coupling)
    assert abs(found / (4.0 * math.pi) - expected) < 4.0 * error


@pytest.mark.parametrize("kind", ["surfactant", "soft_core"])
def test_bond_constant_against_a_plain_grid(kind):
    # Moments aligned by a strong field: integrate over distance and angle on a fine grid.
    film = bench_film(core_diameter='"16 nm"', kind=f'"{kind}"')
    core_i, core_j = 15 * NM, 17 * NM
    contact = contact_distance(film, core_i, core_j)
    r = (np.arange(4000) + 0.5) / 4000 * 0.5 * contact + 0.8 * contact
    c = math.sqrt(0.5) + (1.0 - math.sqrt(0.5)) * (np.arange(1000) + 0.5) / 1000
    coupling = dipolar.pair_coupling(film, core_i, core_j, r)[:, None]
    pushed = StericLaw.pair_energy(film, core_i, core_j, r)[:, None]
    boltzmann = np.exp(coupling * (3.0 * c**2 - 1.0) - pushed)
    cell = (0.5 * contact / 4000) * (1.0 - math.sqrt(0.5)) / 1000
    expected = 2.0 * math.pi * np.sum(r[:, None] ** 2 * boltzmann) * cell
    assert bond_constant(film, core_i, core_j, math.inf) == pytest.approx(expected, rel=1e-3)


def test_bond_constants_are_symmetric_and_grow_with_size():
    film = bench_film()
    constants = bond_constants(film, np.array([16, 20, 24]) * NM, 0.03)
    np.testing.assert_array_equal(constants, constants.T)
    assert np.all(np.diff(constants, axis=0) > 0.0)


def test_an_impossible_alignment_bonds_nothing():
    assert bond_constant(bench_film(alignment="1.0"), 20 * NM, 20 * NM, 0.03) == 0.0


# ------------------------------------------------------------------- chains


def test_one_size_obeys_mass_action():
    for product in (1e-3, 0.3, 20.0, 4000.0):
        chains = chain_lengths.chain_mixture(np.array([[product / 0.02]]), np.array([0.02]))
        expected = 0.5 + math.sqrt(0.25 + product)
        assert chains.mean_length == pytest.approx(expected, rel=1e-6)
        # geometric law: weight mean 2 <n> - 1, singles 1/<n>^2 of the particles
        assert chains.weight_mean_length == pytest.approx(2.0 * expected - 1.0, rel=1e-4)
        assert chains.singles_fraction == pytest.approx(expected**-2, rel=1e-6)


def test_names_of_classes_do_not_matter():
    one = chain_lengths.chain_mixture(np.array([[300.0]]), np.array([0.03]), np.array([[4.0]]))
    split = chain_lengths.chain_mixture(
        np.full((3, 3), 300.0), np.array([0.01, 0.015, 0.005]), np.full((3, 3), 4.0)
    )
    assert split.mean_length == pytest.approx(one.mean_length, rel=1e-6)
    assert split.weight_mean_length == pytest.approx(one.weight_mean_length, rel=1e-4)


def test_a_mixture_against_the_list_of_all_chains():
    # Every sequence of two kinds of up to 8 particles, weighed one by one, in the equilibrium that
    # a plain fixed-point iteration finds; longer chains hold under 1e-7 of these particles.
    constants = np.array([[2.0, 8.0], [8.0, 30.0]])
    couplings = np.array([[2.0, 2.5], [2.5, 3.0]])
    densities = np.array([0.004, 0.001])
    found = chain_lengths.chain_mixture(constants, densities, couplings)
    mean_coupling = float(
        np.sum(chain_lengths.chain_mixture(constants, densities).bond_share * couplings)
    )
    gains, endless = chain_lengths.chain_gains(mean_coupling), chain_lengths.end_gain(couplings)
    shape = np.cumprod(gains[2:] / chain_lengths.end_gain(np.array(mean_coupling)))

    bonds, members = [], []
    for length in range(1, 9):
        for kinds in itertools.product((0, 1), repeat=length):
            weight = shape[length - 2] if length > 2 else 1.0
            for a, b in itertools.pairwise(kinds):
                weight *= constants[a, b] * (endless[a, b] if length > 2 else 1.0)
            bonds.append(weight)
            members.append(np.bincount(kinds, minlength=2))
    members = np.array(members)

    def listed(activities):
        weights = np.array(bonds) * np.prod(activities**members, axis=1)
        return float(weights.sum()), weights @ members

    activities = densities.copy()
    for _ in range(200):
        activities = activities * np.sqrt(densities / listed(activities)[1])
    chains, particles = listed(activities)
    assert particles == pytest.approx(densities, rel=1e-9)
    assert found.mean_length == pytest.approx(float(densities.sum()) / chains, rel=1e-6)
    singles = activities.sum() / densities.sum()
    assert found.singles_fraction == pytest.approx(float(singles), rel=1e-6)


def test_gain_of_the_third_particle_against_random_triples():
    # Two bonds drawn from the aligned pair (hard spheres, bond rule 1.3 and 0.5); the mean of
    # exp(-U_13/kT) is the gain. The harmonic chain is an approximation: 8 %.
    generator = np.random.default_rng(3)
    for coupling in (2.0, 4.0, 6.0):
        steps = [_drawn_bonds(generator, coupling, 100_000) for _ in range(2)]
        reach = steps[0] + steps[1]
        r2 = np.sum(reach**2, axis=1)
        energy = -coupling * (3.0 * reach[:, 2] ** 2 / r2 - 1.0) / r2**1.5
        gain = np.mean(np.where(r2 > 1.0, np.exp(-energy), 0.0))
        assert chain_lengths.chain_gains(coupling)[3] == pytest.approx(gain, rel=0.08)


def _drawn_bonds(generator, coupling, count):
    r, c = np.meshgrid(np.linspace(1.0, 1.3, 300), np.linspace(math.sqrt(0.5), 1.0, 300))
    weight = r**2 * np.exp(coupling * (3.0 * c**2 - 1.0) / r**3)
    chosen = generator.choice(r.size, size=count, p=weight.ravel() / weight.sum())
    r, c = r.ravel()[chosen], c.ravel()[chosen]
    phi, s = 2.0 * math.pi * generator.random(count), np.sqrt(1.0 - c**2)
    return r[:, None] * np.stack([s * np.cos(phi), s * np.sin(phi), c], axis=1)


def test_very_strong_bonds_stay_finite():
    cores = np.array([100.0, 200.0]) * NM
    film = bench_film(core_diameter='"150 nm"', thickness='"3 um"', width='["9 um", "9 um"]')
    constants = bond_constants(film, cores, 0.03)
    chains = chain_lengths.chain_mixture(constants, np.array([1e18, 1e18]), np.full((2, 2), 500.0))
    assert 100.0 < chains.mean_length < math.inf


@pytest.mark.parametrize(("coupling", "lives"), [(4.2, 2), (6.1, 37), (8.0, 960), (10.0, 3e4)])
def test_bond_life(coupling, lives):
    # exp(2 lambda)/(144 lambda^2), rounded
    assert bond_life(1.0, coupling) == pytest.approx(lives, rel=0.13)
