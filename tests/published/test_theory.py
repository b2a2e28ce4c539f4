"""Closed forms against published and handbook values; the source stands beside each."""

import math

import numpy as np
import pytest

from analysis.chains import theory
from analysis.common.constants import BOLTZMANN, MU0


@pytest.mark.parametrize(
    ("parameter", "value"),
    # L(1) = 0.3130352855: seen in a public table of the Langevin function,
    # https://keisoku.magicgifted.com/en/langevin-function-calculator/ ; the others are
    # coth x - 1/x evaluated independently to the digits shown.
    [(0.5, 0.163953), (1.0, 0.3130352855), (2.0, 0.537315), (5.0, 0.800091), (10.0, 0.9)],
)
def test_langevin_function(parameter, value):
    assert float(theory.langevin(parameter)) == pytest.approx(value, abs=6e-7)
    assert float(theory.langevin(-parameter)) == pytest.approx(-value, abs=6e-7)


def test_langevin_function_to_thirty_digits_and_across_its_series():
    import mpmath

    with mpmath.workdps(30):
        for x in (1e-6, 1e-3, 0.0199999, 0.0200001, 0.3, 7.0, 40.0, 600.0):
            exact = float(mpmath.coth(x) - 1 / mpmath.mpf(x))
            assert float(theory.langevin(x)) == pytest.approx(exact, rel=1e-11)
    assert float(theory.langevin(0.0)) == 0.0


@pytest.mark.parametrize(
    ("parameter", "value"),
    # 1 - 3 L(x)/x, from the average of P2 over exp(x cos); worked out by hand.
    [(1.0, 0.0609), (3.0, 0.3284), (10.0, 0.7300)],
)
def test_second_rank_order_of_free_dipoles(parameter, value):
    assert float(theory.mean_second_legendre(parameter)) == pytest.approx(value, abs=6e-5)


def test_second_rank_order_is_the_boltzmann_average():
    from scipy.integrate import quad

    for x in (0.01, 0.5, 4.0):
        top = quad(lambda c, x=x: (1.5 * c * c - 0.5) * math.exp(x * (c - 1)), -1, 1)[0]
        bottom = quad(lambda c, x=x: math.exp(x * (c - 1)), -1, 1)[0]
        assert float(theory.mean_second_legendre(x)) == pytest.approx(top / bottom, rel=1e-4)


def test_langevin_of_sizes_weighs_by_moment():
    moments = np.array([1e-18, 3e-18])
    field, temperature = 0.01, 298.15
    x = moments * field / (BOLTZMANN * temperature)
    exact = sum(m * (1 / math.tanh(a) - 1 / a) for m, a in zip(moments, x, strict=True))
    found = theory.langevin_of_sizes(moments, field, temperature)
    assert found == pytest.approx(exact / moments.sum(), rel=1e-12)
    assert theory.langevin_of_sizes(np.zeros(3), field, temperature) == 0.0


@pytest.mark.parametrize(
    ("coupling", "strong", "free"),
    # e^(2 lambda)/(3 lambda^2) and /(3 lambda^3), Zubarev and Iskakova, Phys. Rev. E 61, 5415
    # (2000), formula from memory; numbers evaluated independently.
    [(2, 4.5498, 2.2749), (4, 62.1, 15.53), (6, 1507, 251.2), (8, 4.628e4, 5785)],
)
def test_bond_constants(coupling, strong, free):
    assert theory.bond_constant(coupling, strong_field=True) == pytest.approx(strong, rel=1e-3)
    assert theory.bond_constant(coupling, strong_field=False) == pytest.approx(free, rel=2e-3)


@pytest.mark.parametrize(
    ("coupling", "fraction", "nearest", "aggregation"),
    # Mean length by nearest neighbours and by N* = sqrt(phi e^(2 lambda - 1)) (Andreu, Camacho,
    # Faraudo, Soft Matter 7, 2336 (2011), from memory); numbers evaluated independently.
    [(3, 0.01, 1.13, 1.22), (4, 0.03, 1.95, 5.74), (5, 0.01, 2.29, 9.00), (8, 0.001, 7.32, 57.2)],
)
def test_mean_lengths(coupling, fraction, nearest, aggregation):
    constant = theory.bond_constant(coupling, strong_field=True)
    assert theory.mean_chain_length(fraction, constant) == pytest.approx(nearest, abs=6e-3)
    assert theory.aggregation_number(fraction, coupling) == pytest.approx(aggregation, rel=2e-3)


def test_strong_field_length_is_refused_where_it_diverges(tell):
    # de Gennes and Pincus, Phys. Kondens. Mater. 11, 189 (1970), from memory:
    # 1/(1 - (2/3)(0.01/9) e^6) = 1/(1 - 0.29884) = 1.42619
    found = theory.strong_field_chain_length(0.01, 3.0)
    tell(
        "mean length in a strong field, λ = 3, φ = 0.01", 1.42619, found,
        source="de Gennes, Pincus 1970",
    )  # fmt: skip
    assert found == pytest.approx(1.42619, rel=1e-4)
    assert theory.strong_field_chain_length(0.03, 6.0) is None


def test_chain_length_law_is_normalised_and_has_its_mean():
    length = np.arange(1, 2000)
    for mean in (1.0, 1.5, 12.0):
        share = theory.chain_length_law(length, mean)
        assert share.sum() == pytest.approx(1, rel=1e-9)
        assert (share * length).sum() == pytest.approx(mean, rel=1e-9)


@pytest.mark.parametrize(
    ("fraction", "spacing"),
    # d sqrt(pi/(6 phi)): area per straight chain pi d^2/(6 phi), worked out by hand.
    [(0.01, 7.24), (0.03, 4.18), (0.05, 3.24)],
)
def test_line_density_spacing(fraction, spacing):
    assert theory.line_density_spacing(1.0, fraction) == pytest.approx(spacing, abs=6e-3)


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
    assert theory.bond_life(coupling, 1.0) == pytest.approx(lives, rel=1e-3)


@pytest.mark.parametrize(
    ("parameter", "along", "across"),
    # Martsenyuk, Raikher, Shliomis, Sov. Phys. JETP 38, 413 (1974), formulas from memory;
    # numbers evaluated independently, in Brown times.
    [
        (0.5, 0.96767, 0.97578),
        (1, 0.88149, 0.91136),
        (3, 0.45179, 0.57692),
        (8, 0.14285, 0.24561),
        (20, 0.05263, 0.09974),
    ],
)
def test_relaxation_in_a_field(parameter, along, across, tell):
    found = theory.relaxation_in_field(parameter)
    tell(
        f"initial relaxation time across a field, ξ = {parameter:g}", across, found[1],
        unit="τ_B", source="Martsenyuk and others 1974", when=parameter == 3,
    )  # fmt: skip
    assert found[0] == pytest.approx(along, abs=2e-5)
    assert found[1] == pytest.approx(across, abs=2e-5)


def test_relaxation_without_a_field_is_brownian():
    assert theory.relaxation_in_field(0.0) == (1.0, 1.0)
    assert theory.relaxation_in_field(0.01)[0] == pytest.approx(1, abs=1e-4)


def test_debye_at_its_own_frequency():
    # Debye, Polar Molecules (1929): at omega tau = 1 both parts are one half.
    found = complex(theory.debye(1e5, 1e-5))
    assert found.real == pytest.approx(0.5)
    assert found.imag == pytest.approx(-0.5)


@pytest.mark.parametrize(
    ("langevin", "value"),
    # chi_L (1 + chi_L/3 + chi_L^2/144), Ivanov and Kuznetsova, Phys. Rev. E 64, 041405 (2001),
    # from memory; numbers evaluated independently.
    [(0.1, 0.10334), (0.5, 0.58420), (1, 1.34028), (2, 3.38889), (4, 9.77778)],
)
def test_mean_field_susceptibility(langevin, value):
    assert theory.mean_field_susceptibility(langevin) == pytest.approx(value, abs=6e-6)


@pytest.mark.parametrize(
    ("length", "distance", "poles", "exact"),
    # Two pole pairs beside the exact dipole sums, both evaluated independently.
    [(20, 5, 0.30299, 0.30438), (50, 10, 0.16078, 0.16095), (100, 20, 0.08039, 0.08041)],
)
def test_chains_side_by_side(length, distance, poles, exact):
    found = theory.side_by_side_energy(length, distance)
    assert found == pytest.approx(poles, abs=1e-5)
    assert found == pytest.approx(exact, rel=0.01)
    # The dipole sum itself, from the pair law (m1.m2 - 3 (m1.n)(m2.n))/r^3.
    z = np.arange(length)
    apart = (z[:, None] - z[None, :]).astype(float)
    square = apart**2 + distance**2
    assert (1 / square**1.5 - 3 * apart**2 / square**2.5).sum() == pytest.approx(exact, abs=1e-5)


def test_constants():
    # SI brochure (2019), exact; mu0 = 4 pi 1e-7 T m/A as before 2019.
    assert BOLTZMANN == 1.380649e-23
    assert pytest.approx(1.25663706e-6, rel=1e-8) == MU0
