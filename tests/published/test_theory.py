"""Closed forms against published and handbook values; the source stands beside each."""

import math

import numpy as np
import pytest

from analysis.chains import theory
from analysis.common.constants import BOLTZMANN, MU0
from analysis.common.laws import bond_life, langevin
from tests.reference.free_dipoles import mean_second_legendre


@pytest.mark.parametrize(
    ("parameter", "value"),
    # L(1) = 0.3130352855: seen in a public table of the Langevin function,
    # https://keisoku.magicgifted.com/en/langevin-function-calculator/ ; the others are
    # coth x - 1/x evaluated independently to the digits shown.
    [(0.5, 0.163953), (1.0, 0.3130352855), (2.0, 0.537315), (5.0, 0.800091), (10.0, 0.9)],
)
def test_langevin_function(parameter, value):
    assert float(langevin(parameter)) == pytest.approx(value, abs=6e-7)
    assert float(langevin(-parameter)) == pytest.approx(-value, abs=6e-7)


def test_langevin_function_to_thirty_digits_and_across_its_series():
    import mpmath

    with mpmath.workdps(30):
        for x in (1e-8, 1e-6, 1e-3, 0.0199999, 0.0200001, 0.3, 7.0, 40.0, 600.0, 1e6):
            exact = float(mpmath.coth(x) - 1 / mpmath.mpf(x))
            assert float(langevin(x)) == pytest.approx(exact, rel=3e-12)
    assert langevin(0.0) == 0.0


@pytest.mark.parametrize(
    ("parameter", "value"),
    # 1 - 3 L(x)/x, from the average of P2 over exp(x cos); worked out by hand.
    [(1.0, 0.0609), (3.0, 0.3284), (10.0, 0.7300)],
)
def test_second_rank_order_of_free_dipoles(parameter, value):
    assert float(mean_second_legendre(parameter)) == pytest.approx(value, abs=6e-5)


def test_second_rank_order_is_the_boltzmann_average():
    from scipy.integrate import quad

    for x in (0.01, 0.5, 4.0):
        top = quad(lambda c, x=x: (1.5 * c * c - 0.5) * math.exp(x * (c - 1)), -1, 1)[0]
        bottom = quad(lambda c, x=x: math.exp(x * (c - 1)), -1, 1)[0]
        assert float(mean_second_legendre(x)) == pytest.approx(top / bottom, rel=1e-4)


def test_langevin_of_sizes_weighs_by_moment():
    moments = np.array([1e-18, 3e-18])
    field, temperature = 0.01, 298.15
    x = moments * field / (BOLTZMANN * temperature)
    exact = sum(m * (1 / math.tanh(a) - 1 / a) for m, a in zip(moments, x, strict=True))
    found = theory.langevin_of_sizes(moments, field, temperature)
    assert found == pytest.approx(exact / moments.sum(), rel=1e-12)
    assert theory.langevin_of_sizes(np.zeros(3), field, temperature) == 0.0


def test_chain_length_law_is_normalised_and_has_its_mean():
    length = np.arange(1, 2000)
    for mean in (1.0, 1.5, 12.0):
        share = theory.chain_length_law(length, mean)
        assert share.sum() == pytest.approx(1, rel=1e-9)
        assert (share * length).sum() == pytest.approx(mean, rel=1e-9)


def test_clear_fraction_of_discs_at_random():
    # exp(-1.5 phi h/d): Poisson statistics; N discs of d in area A fill N pi d^2/(4 A).
    fraction, thickness, diameter, area = 0.03, 0.4e-6, 24e-9, 1.2e-12
    count = round(fraction * area * thickness / (math.pi * diameter**3 / 6))
    found = theory.random_clear_fraction(np.full(count, diameter), area)
    assert found == pytest.approx(math.exp(-1.5 * fraction * thickness / diameter), rel=1e-3)


@pytest.mark.parametrize(
    ("coupling", "lives"),
    # t0 e^(2 lambda)/(144 lambda^2), detailed balance; numbers evaluated independently.
    [(4.2, 1.7507), (6.1, 37.08), (8.0, 964.2), (10.0, 3.3692e4)],
)
def test_bond_life(coupling, lives):
    assert bond_life(1.0, coupling) == pytest.approx(lives, rel=1e-3)


def test_constants():
    # SI brochure (2019), exact; mu0 = 4 pi 1e-7 T m/A as before 2019.
    assert BOLTZMANN == 1.380649e-23
    assert pytest.approx(1.25663706e-6, rel=1e-8) == MU0
