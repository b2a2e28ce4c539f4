"""Dipole sums in a slab against lattice sums, chains and rings known in closed form.

Energies in units of m^2/length^3. "Own algebra" marks a value that follows from the pair law by
the sum or integral written beside it; the other sources are named where they are used.
"""

import math

import mpmath
import numpy as np
import pytest

from tests.reference.dipole_sum import dipole_energy, dipole_sum

X, Y, Z = np.eye(3)
ZETA_3 = float(mpmath.zeta(3))
# sum' r^-3 over the square lattice, 4 zeta(3/2) beta(3/2), with Dirichlet's beta by Hurwitz zeta
# functions (Lorenz 1871, Hardy 1919, from memory; value 9.0336216831).
SQUARE = float(
    4
    * mpmath.zeta(1.5)
    * (mpmath.zeta(1.5, mpmath.mpf(1) / 4) - mpmath.zeta(1.5, mpmath.mpf(3) / 4))
    / 8
)
# The same for the triangular lattice, 6 zeta(3/2) L(3/2, chi_-3) (from memory; 11.0341757349).
TRIANGULAR = float(
    6
    * mpmath.zeta(1.5)
    * (mpmath.zeta(1.5, mpmath.mpf(1) / 3) - mpmath.zeta(1.5, mpmath.mpf(2) / 3))
    / mpmath.mpf(3) ** 1.5
)
TRIANGULAR_CELL = ([[0.0, 0.0, 0.0], [0.5, math.sqrt(0.75), 0.0]], (1.0, math.sqrt(3.0)))


@pytest.mark.parametrize("wide", [10.0, 20.0])
@pytest.mark.parametrize("along", ["x", "y"])
def test_infinite_touching_chain(wide, along, tell):
    """Own algebra: pairs of energy -2/k^3 on two sides, halved: -2 zeta(3) per dipole.

    The copies of the chain, `wide` away, act by exp(-2 pi wide) only.
    """
    sides, moment = ((1.0, wide), X) if along == "x" else ((wide, 1.0), Y)
    energy = dipole_energy([[0.3, 0.2, 5.0]], [moment], sides, "exact")
    tell(
        "infinite touching chain, −2 ζ(3)", -2.0 * ZETA_3, energy, unit="m²/d³",
        source="own algebra", when=along == "x" and wide == 10.0,
    )  # fmt: skip
    assert energy == pytest.approx(-2.0 * ZETA_3, rel=1e-10)


@pytest.mark.parametrize(
    ("moment", "share"), [(X, -0.25), (Y, -0.25), (Z, 0.5), ((X + Y) / math.sqrt(2), -0.25)]
)
def test_square_layer(moment, share, tell):
    """Own algebra: 1 - 3 (m.n)^2 averages to -1/2 in the plane and is 1 across, halved."""
    assert abs(SQUARE - 9.03362168310095) < 1e-13
    lone = dipole_energy([[0.0, 0.0, 0.0]], [moment], (1.0, 1.0), "exact")
    tell(
        "square layer, moments across, 2 ζ(3/2) β(3/2)", share * SQUARE, lone, unit="m²/d³",
        source="Lorenz 1871, Hardy 1919", when=moment is Z,
    )  # fmt: skip
    assert lone == pytest.approx(share * SQUARE, rel=1e-10)
    places = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.0, 1.0, 0.0]]
    four = dipole_energy(places, [moment] * 4, (2.0, 2.0), "exact")
    assert four == pytest.approx(4.0 * share * SQUARE, rel=1e-10)


@pytest.mark.parametrize(("moment", "share"), [(X, -0.25), (Y, -0.25), (Z, 0.5)])
def test_triangular_layer(moment, share, tell):
    """As the square layer: the sixfold axis gives the same averages."""
    assert abs(TRIANGULAR - 11.0341757349148) < 1e-12
    places, sides = TRIANGULAR_CELL
    energy = dipole_energy(places, [moment] * 2, sides, "exact")
    tell(
        "triangular layer, moments along, two dipoles", 2.0 * share * TRIANGULAR, energy,
        unit="m²/d³", source="6 ζ(3/2) L(3/2, χ₋₃)", when=moment is X,
    )  # fmt: skip
    assert energy == pytest.approx(2.0 * share * TRIANGULAR, rel=1e-10)


def test_lone_dipole_scales_with_its_cell():
    """Lone dipole and own images: -S/4 in the plane, S/2 across, over L^3."""
    for side in (0.01, 3.0, 2e-6):
        in_plane = dipole_energy([[0.0, 0.0, 0.0]], [X], (side, side), "exact")
        across = dipole_energy([[0.0, 0.0, 0.0]], [Z], (side, side), "exact")
        assert in_plane == pytest.approx(-2.2584054208 / side**3, rel=1e-9)
        assert across == pytest.approx(4.5168108416 / side**3, rel=1e-9)


def test_four_dipoles_in_a_slab():
    """Reference energy -0.87063242178, agreed by two independent summations.

    A pairwise two-dimensional Ewald sum at two splittings (1e-14) and a direct sum with its tail
    (1e-9); tests/unit/test_slab_sum.py repeats both for field and force.
    """
    places = [[0.5, 0.7, 0.2], [1.6, 0.9, 0.5], [4.1, 6.0, 2.4], [7.3, 3.2, 1.1]]
    moments = [[1.0, 0.0, 0.0], [0.6, 0.8, 0.0], [0.0, 0.6, 0.8], [0.36, 0.48, 0.8]]
    assert dipole_energy(places, moments, (8.0, 8.0), "exact") == pytest.approx(
        -0.87063242178, abs=1e-11
    )


@pytest.mark.parametrize(
    ("rho", "shift", "table"),
    [
        (1.0, 0.0, 0.14551524),
        (1.0, 0.5, -0.14397247),
        (math.sqrt(0.75), 0.5, -0.35554052),
        (1.5, 0.0, 0.00513844),
        (1.5, 0.5, -0.00513608),
        (2.0, 0.0, 0.00019285),
        (2.0, 0.5, -0.00019284),
    ],
)
@pytest.mark.parametrize("across", ["y", "z"])
def test_parallel_infinite_chains(rho, shift, table, across):
    """16 pi^2 sum k^2 K_0(2 pi k rho) cos(2 pi k z) per dipole, period 1.

    Own algebra: Poisson sum of the pair law along the chain; the table was also summed directly.
    """
    bessel = (
        16
        * math.pi**2
        * mpmath.nsum(
            lambda k: (
                k**2
                * mpmath.besselk(0, 2 * mpmath.pi * k * rho)
                * mpmath.cos(2 * mpmath.pi * k * shift)
            ),
            [1, 12],
        )
    )
    assert float(bessel) == pytest.approx(table, abs=6e-9)
    step = rho * (Y if across == "y" else Z)
    places = np.array([np.zeros(3), step + shift * X])
    pair = dipole_energy(places, [X, X], (1.0, 14.0), "exact")
    assert pair + 4.0 * ZETA_3 == pytest.approx(float(bessel), abs=2e-9)


@pytest.mark.parametrize("count", [2, 3, 10])
def test_straight_chain(count):
    """Own algebra: -2 sum_{k=1}^{N-1} (N - k)/k^3; -2, -4.25, -20.8511043 for N = 2, 3, 10.

    In a cell whose own images change the energy by less than 1e-10.
    """
    expected = -2.0 * sum((count - k) / k**3 for k in range(1, count))
    places = np.outer(np.arange(count), X)
    energy = dipole_energy(places, [X] * count, (2e4, 2e4), "exact")
    assert energy == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("count", "table"), [(4, -6.7071068), (5, -9.5655948), (10, -22.7223688)])
def test_ring(count, table):
    """Touching ring, tangential moments: own algebra, -N/2 sum (3 + cos t)/(2 D^3), t = 2 pi k/N.

    The distance is D = sin(t/2)/sin(pi/N). The square ring's -6.7071068 is 4 (-3/2) - 1/sqrt 2.
    Lying in the plane and standing across the film.
    """
    angle = 2.0 * math.pi * np.arange(1, count) / count
    distance = np.sin(angle / 2.0) / math.sin(math.pi / count)
    expected = -count / 2.0 * np.sum((3.0 + np.cos(angle)) / (2.0 * distance**3))
    assert expected == pytest.approx(table, abs=6e-8)
    t = 2.0 * math.pi * np.arange(count) / count
    radius = 0.5 / math.sin(math.pi / count)
    for second in (Y, Z):
        places = radius * (np.outer(np.cos(t), X) + np.outer(np.sin(t), second))
        moments = np.outer(-np.sin(t), X) + np.outer(np.cos(t), second)
        energy = dipole_energy(places, moments, (2e4, 3e4), "exact")
        assert energy == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("method", ["exact", "cutoff"])
def test_pair_vector(method):
    """A pair at (1, 0.5, -0.4): field, force and energy, own algebra evaluated to ten digits."""
    places = [[0.0, 0.0, 0.0], [1.0, 0.5, -0.4]]
    moments = [[1.0, 0.0, 0.0], [0.36, 0.48, 0.8]]
    side, cutoff = (1e6, None) if method == "exact" else (10.0, 5.0)
    field, force = dipole_sum(places, moments, (side, side), method, cutoff=cutoff)
    energy = dipole_energy(places, moments, (side, side), method, cutoff=cutoff)
    assert energy == pytest.approx(-0.1408034296878984, rel=1e-10)
    assert force[1] == pytest.approx([0.00901269, 0.2078326, 1.33834819], abs=6e-9)
    assert force[0] == pytest.approx(-force[1], abs=1e-12)
    torques = np.cross(moments, field)
    assert torques[1] == pytest.approx([-0.75230713, 0.7218082, -0.09454671], abs=6e-9)
    assert torques[0] == pytest.approx([0.0, 0.62014507, -0.10877954], abs=6e-9)


def test_cubic_slab_of_ten_layers(tell):
    """Local field in the middle: Lorentz's 4 pi/3 along, 4 pi/3 - 4 pi across the film.

    H. A. Lorentz, The Theory of Electrons (1909), from memory; a layer five spacings away acts by
    exp(-10 pi) beyond its mean field, and a plate across its field demagnetises with N = 1.
    """
    places = np.outer(np.arange(10.0), Z)
    for moment, local in ((X, 4.0 * math.pi / 3.0), (Z, -8.0 * math.pi / 3.0)):
        field, _ = dipole_sum(places, [moment] * 10, (1.0, 1.0), "exact")
        tell(
            "local field in a magnetised slab, across", local, field[4] @ moment, unit="m/d³",
            source="Lorentz 1909", when=moment is Z,
        )  # fmt: skip
        assert field[4] @ moment == pytest.approx(local, rel=1e-9)


MESH_TOLERANCES = [1e-2, 1e-4, 1e-6, 1e-8]


@pytest.mark.parametrize("tolerance", MESH_TOLERANCES)
def test_mesh_on_layers_and_chains(tolerance):
    """The lattice sums above by the mesh, to the tolerance asked for: one value per moment."""
    cases = [
        ([[0.3, 0.2, 5.0]], X, (1.0, 20.0), -2.0 * ZETA_3),
        ([[0.3, 0.2, 5.0]], Y, (20.0, 1.0), -2.0 * ZETA_3),
    ]
    for moment, share in ((X, -0.25), (Y, -0.25), (Z, 0.5)):
        cases.append(([[0.1, 0.2, 0.3]], moment, (1.0, 1.0), share * SQUARE))
        places, sides = TRIANGULAR_CELL
        cases.append((places, moment, sides, share * TRIANGULAR))
    for places, moment, sides, expected in cases:
        moments = [moment] * len(places)
        energy = dipole_energy(places, moments, sides, "mesh", tolerance) / len(places)
        assert energy == pytest.approx(expected, rel=tolerance)


@pytest.mark.parametrize("tolerance", MESH_TOLERANCES)
def test_mesh_on_the_four_dipoles(tolerance):
    """Reference energy as in `test_four_dipoles_in_a_slab`; the RMS field is near 1."""
    places = [[0.5, 0.7, 0.2], [1.6, 0.9, 0.5], [4.1, 6.0, 2.4], [7.3, 3.2, 1.1]]
    moments = [[1.0, 0.0, 0.0], [0.6, 0.8, 0.0], [0.0, 0.6, 0.8], [0.36, 0.48, 0.8]]
    energy = dipole_energy(places, moments, (8.0, 8.0), "mesh", tolerance)
    assert energy == pytest.approx(-0.87063242178, abs=max(tolerance, 1e-11))


@pytest.mark.parametrize("tolerance", MESH_TOLERANCES)
@pytest.mark.parametrize("copies", [1, 5])
def test_mesh_on_a_cubic_slab_of_ten_layers(tolerance, copies, tell):
    """As `test_cubic_slab_of_ten_layers`, in a cell of one column and of 25; difference 4 pi."""
    grid = np.arange(float(copies))
    places = np.array([[i, j, k] for i in grid for j in grid for k in range(10)])
    along, _ = dipole_sum(places, [X] * len(places), (copies, copies), "mesh", tolerance)
    across, _ = dipole_sum(places, [Z] * len(places), (copies, copies), "mesh", tolerance)
    assert along[4::10] @ X == pytest.approx(4.0 * math.pi / 3.0, rel=tolerance)
    assert across[4::10] @ Z == pytest.approx(-8.0 * math.pi / 3.0, rel=tolerance)
    difference = along[4] @ X - across[4] @ Z
    tell(
        f"along less across by the mesh, 4π, tolerance {tolerance:g}", 4.0 * math.pi, difference,
        unit="m/d³", source="Lorentz 1909", when=tolerance == 1e-6 and copies == 5,
    )  # fmt: skip
    assert difference == pytest.approx(4.0 * math.pi, rel=tolerance)


def test_mesh_on_chains_and_rings():
    """Free straight chains and rings, by the mesh in a wide cell: to the tolerance asked for."""
    places = np.outer(np.arange(10), X)
    expected = -2.0 * sum((10 - k) / k**3 for k in range(1, 10))
    energy = dipole_energy(places, [X] * 10, (2e3, 2e3), "mesh", 1e-5)
    assert energy == pytest.approx(expected, rel=1e-5)
    t = 2.0 * math.pi * np.arange(10) / 10
    places = 0.5 / math.sin(math.pi / 10) * (np.outer(np.cos(t), X) + np.outer(np.sin(t), Z))
    moments = np.outer(-np.sin(t), X) + np.outer(np.cos(t), Z)
    energy = dipole_energy(places, moments, (2e3, 3e3), "mesh", 1e-5)
    assert energy == pytest.approx(-22.7223688, rel=1e-5)
