"""Bond constants, virial coefficients and chain lengths of dipolar spheres against known values.

"Own quadrature" and "own algebra" mark values that were computed once from the integral or the sum
written beside them, by other means than the code under test; the rest names its source.
"""

import math
from itertools import pairwise

import numpy as np
import pytest

from sim.outlook import chain_lengths
from sim.outlook.bond_constants import aligned_factor, oriented_factor

# Volume of a sphere of diameter 1.
SPHERE = math.pi / 6.0
STRONG, FREE = math.inf, 0.0

# Hard spheres, q = K/V: integral of exp(-U/kT) over 1 < r < r_b ahead of the first sphere. Own
# quadrature. Aligned moments: all directions of the half space; free moments: half of all pairs.
ALIGNED = [
    (2.0, 11.15, 17.13),
    (3.0, 30.74, 38.84),
    (4.0, 109.2, 121.4),
    (5.0, 458.7, 478.6),
    (6.0, 2160.0, 2195.0),
    (8.0, 5.960e4, 5.972e4),
]
FREE_MOMENTS = [
    (2.0, 8.62, 14.24),
    (3.0, 17.26, 24.20),
    (4.0, 43.4, 52.6),
    (5.0, 133.2, 146.2),
    (6.0, 482.0, 501.3),
    (8.0, 8983.0, 9031.0),
]


def hard_sphere_constant(coupling, reach, field, alignment):
    """Bond constant of touching hard spheres per sphere volume."""
    points, weights = np.polynomial.legendre.leggauss(64)
    # the factor falls as exp(-6 lambda (r - 1)): two pieces
    edges = [1.0, min(reach, 1.0 + 4.0 / coupling), reach]
    total = 0.0
    for low, high in pairwise(edges):
        r = low + 0.5 * (high - low) * (points + 1.0)
        at_r = coupling / r**3
        if field == STRONG:
            factor = aligned_factor(at_r, alignment)
        else:
            factor = oriented_factor(at_r, alignment, field, field)
        total += 0.5 * (high - low) * np.sum(weights * r**2 * factor * np.exp(2.0 * at_r))
    return total / SPHERE


@pytest.mark.parametrize(("coupling", "near", "far"), ALIGNED)
def test_aligned_hard_spheres(coupling, near, far, tell):
    # 2e-3: half a unit of the last digit that the table gives
    found = hard_sphere_constant(coupling, 1.3, STRONG, 0.0)
    tell(
        f"bond constant of aligned hard spheres, λ = {coupling:g}", near, found,
        source="own quadrature", when=coupling == 4.0,
    )  # fmt: skip
    assert found == pytest.approx(near, rel=2e-3)
    assert hard_sphere_constant(coupling, 1.5, STRONG, 0.0) == pytest.approx(far, rel=2e-3)


@pytest.mark.parametrize(("coupling", "near", "far"), FREE_MOMENTS)
def test_free_hard_spheres(coupling, near, far):
    assert hard_sphere_constant(coupling, 1.3, FREE, -1.0) == pytest.approx(near, rel=2e-3)
    assert hard_sphere_constant(coupling, 1.5, FREE, -1.0) == pytest.approx(far, rel=2e-3)


@pytest.mark.parametrize(("field", "power"), [(STRONG, 2), (FREE, 3)])
def test_strong_coupling_limits(field, power, tell):
    # q -> exp(2 lambda)/(3 lambda^2) aligned, exp(2 lambda)/(3 lambda^3) free: E. V. Mendelev and
    # A. O. Ivanov, Physical Review E 70, 051502 (2004), from memory. Corrections fall as 1/lambda,
    # so that twice the ratio at 2 lambda less that at lambda is closer by one order.
    def ratio(coupling):
        q = hard_sphere_constant(coupling, 1.3, field, 0.5)
        return q / (math.exp(2.0 * coupling) / (3.0 * coupling**power))

    assert 0.0 < ratio(80.0) - 1.0 < 4.0 / 80.0
    limit = 2.0 * ratio(160.0) - ratio(80.0)
    tell(
        "bond constant/[e^(2λ)/(3λ³)], limit, free moments", 1.0, limit,
        source="Mendelev, Ivanov 2004", when=field == FREE,
    )  # fmt: skip
    assert limit == pytest.approx(1.0, abs=1e-3)


def test_a_strong_field_aligns():
    for coupling in (2.0, 6.0):
        strong = hard_sphere_constant(coupling, 1.3, STRONG, 0.5)
        fields = [hard_sphere_constant(coupling, 1.3, alpha, 0.5) for alpha in (0.0, 3.0, 20.0)]
        assert fields == sorted(fields)
        assert fields[-1] < strong
        # corrections to the limit fall as 1/alpha
        assert hard_sphere_constant(coupling, 1.3, 1e4, 0.5) == pytest.approx(strong, rel=1e-3)


def test_second_virial_coefficient_series(tell):
    # Dipolar hard spheres, B2/(4 V) = 1 - l^2/3 - l^4/75 - 29 l^6/55125 - ...: W. H. Keesom (1912),
    # as in Hirschfelder, Curtiss and Bird, Molecular Theory of Gases and Liquids (1954), from
    # memory. The next term is under 1e-6 of the first at lambda = 0.5 and about 2e-5 at 1.
    for coupling, tolerance in ((0.5, 2e-5), (1.0, 1e-4)):
        square = coupling**2
        series = 4.0 * (1.0 - square / 3.0 - square**2 / 75.0 - 29.0 * square**3 / 55125.0)
        found = second_virial(coupling)
        tell(
            f"B2/V of dipolar hard spheres, λ = {coupling:g}", series, found,
            source="Keesom 1912", when=coupling == 1.0,
        )  # fmt: skip
        assert found == pytest.approx(series, rel=tolerance)


@pytest.mark.parametrize(
    ("coupling", "expected"),
    # Own quadrature of B2/V = 4 - 12 int_1^inf (<exp(-U/kT)> - 1) r^2 dr.
    [(0.5, 3.663300), (1.0, 2.611164), (2.0, -2.339148), (3.0, -14.3703), (4.0, -45.8117)],
)
def test_second_virial_coefficient(coupling, expected):
    assert second_virial(coupling) == pytest.approx(expected, abs=1e-4)


def second_virial(coupling):
    """B2 of dipolar hard spheres over their volume; u = 1/r^3 maps the integral on 0 to 1."""
    points, weights = np.polynomial.legendre.leggauss(48)
    u = 0.5 * (points + 1.0)
    half = oriented_factor(coupling * u, -1.0) * np.exp(2.0 * coupling * u)
    average = 2.0 * half / (4.0 * math.pi)
    return 4.0 - 12.0 * float(np.sum(0.5 * weights * (average - 1.0) / (3.0 * u**2)))


@pytest.mark.parametrize(
    ("coupling", "third", "fifth", "endless"),
    # Gain of the bond that completes a chain of 3, 5, and any number, over that of a pair: ratios
    # of the partition sums of stiff aligned chains. Own algebra (harmonic modes of hard spheres).
    [
        (3.0, 28.1 / 14.94, 37.8 / 14.94, 43.8 / 14.94),
        (4.0, 150.0 / 62.1, 224.0 / 62.1, 272.0 / 62.1),
        (5.0, 912.0 / 293.7, 1514.0 / 293.7, 1929.0 / 293.7),
        (6.0, 6006.0 / 1507.0, 1.108e4 / 1507.0, 1.482e4 / 1507.0),
    ],
)
def test_gains_of_long_chains(coupling, third, fifth, endless):
    gains = chain_lengths.chain_gains(coupling)
    assert gains[2] == 1.0
    assert gains[3] == pytest.approx(third, rel=3e-3)
    assert gains[5] == pytest.approx(fifth, rel=3e-3)
    assert chain_lengths.end_gain(np.array(coupling)) == pytest.approx(endless, rel=3e-3)


@pytest.mark.parametrize(
    ("coupling", "fraction", "expected"),
    # Mean length of ideal aligned chains with all neighbours, q_2 = exp(2 l)/(3 l^2). Own algebra.
    [
        (3.0, 0.01, 1.17),
        (4.0, 0.001, 1.07),
        (4.0, 0.01, 2.21),
        (4.0, 0.03, 4.80),
        (5.0, 0.001, 1.78),
        (5.0, 0.01, 10.9),
        (6.0, 0.001, 10.2),
        (6.0, 0.01, 67.3),
    ],
)
def test_mean_lengths_with_all_neighbours(coupling, fraction, expected):
    constant = np.array([[math.exp(2.0 * coupling) / (3.0 * coupling**2)]])
    chains = chain_lengths.chain_mixture(constant, np.array([fraction]), np.array([[coupling]]))
    # the tail of long chains is summed in closed form: within 5 %
    assert chains.mean_length == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(
    ("coupling", "fraction", "expected"),
    # <n> = 1/2 + sqrt(1/4 + phi q): Mendelev and Ivanov (2004), from memory.
    [(3.0, 0.01, 1.13), (4.0, 0.03, 1.95), (5.0, 0.01, 2.29), (6.0, 0.01, 4.41)],
)
def test_mean_lengths_of_neighbours(coupling, fraction, expected, tell):
    q = math.exp(2.0 * coupling) / (3.0 * coupling**2)
    found = chain_lengths.chain_mixture(np.array([[q]]), np.array([fraction])).mean_length
    tell(
        f"mean length, λ = {coupling:g}, φ = {fraction:g}", expected, found,
        source="Mendelev, Ivanov 2004", when=coupling == 5.0,
    )  # fmt: skip
    assert found == pytest.approx(expected, abs=6e-3)


@pytest.mark.parametrize(
    ("coupling", "fraction", "expected"),
    # N* = sqrt(phi exp(2 lambda - 1)): Andreu, Camacho and Faraudo (2011), from memory.
    [(3.0, 0.01, 1.22), (4.0, 0.01, 3.31), (5.0, 0.01, 9.00), (6.0, 0.001, 7.74)],
)
def test_aggregation_numbers(coupling, fraction, expected):
    assert chain_lengths.aggregation_number(fraction, coupling) == pytest.approx(expected, abs=6e-3)
