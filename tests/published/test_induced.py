"""Beads that magnetise each other against closed forms.

Lengths in bead diameters d, energies in kT. In weak fields a bead of the saturation moment m_s with
cores of the moment m_core answers a field b by A b, A = m_s m_core/3; with its own volume V as the
unit, its susceptibility is chi = 4 pi A/V = 24 A/d^3. "Own algebra" marks what follows from that
and from the dipole field [3 n (m.n) - m]/r^3 by the equation written beside it.
"""

import math

import mpmath
import numpy as np
import pytest

from tests.reference.induced_moments import induce, induced_energy

X, Y, Z = np.eye(3)
ZETA_3 = float(mpmath.zeta(3))
# sum' r^-3 over the square lattice, 4 zeta(3/2) beta(3/2) (Lorenz 1871, Hardy 1919, from memory).
SQUARE = 9.03362168310095
CORE = 0.2
WEAK = 1e-5
TIGHT = {"tolerance": 1e-12, "moment_tolerance": 1e-12}
WIDE = (200.0, 200.0)
ALONE = {"method": "cutoff", "cutoff": 90.0, "moment_tolerance": 1e-13}


def saturation_of(chi):
    """Return the saturation moment of a bead of diameter 1 with this susceptibility."""
    return chi / 8.0 / CORE


def respond(places, chi, direction, sides, **how):
    """Return the moments of equal beads in a weak field over that of a bead alone, (N, 3)."""
    saturation = np.full(len(places), saturation_of(chi))
    moments, *_ = induce(places, saturation, CORE, WEAK * direction, sides, **how)
    return moments / (saturation_of(chi) * CORE / 3.0 * WEAK)


# --- one bead --------------------------------------------------------------------------------


@pytest.mark.parametrize("xi", [0.01, 0.5, 3.0, 40.0, 1e4])
def test_a_bead_alone_follows_langevin(xi, tell):
    """Langevin 1905: m = m_s (coth xi - 1/xi), here with 30 digits."""
    with mpmath.workdps(30):
        law = float(mpmath.coth(mpmath.mpf(xi)) - 1 / mpmath.mpf(xi))
    direction = (X + 2.0 * Y - 2.0 * Z) / 3.0
    moments, *_ = induce([[0.0, 0.0, 0.0]], [7.0], CORE, xi / CORE * direction, WIDE, **ALONE)
    tell(
        "multicore bead alone, m/m_s at ξ = 3", law, moments[0] @ direction / 7.0,
        source="Langevin 1905", when=xi == 3.0,
    )  # fmt: skip
    assert moments[0] == pytest.approx(7.0 * law * direction, rel=1e-14)


@pytest.mark.parametrize(("direction", "share"), [(X, 0.5), (Y, 0.5), (Z, -1.0)])
def test_a_bead_with_its_own_images_is_a_square_layer(direction, share):
    """Own algebra: the layer's field is S/2 m along it and -S m across, S = sum' r^-3."""
    (found,) = respond([[0.2, 0.3, 0.0]], 2.0, direction, (1.0, 1.0), method="exact", **TIGHT)
    law = 1.0 / (1.0 - share * SQUARE * 2.0 / 24.0)
    assert found == pytest.approx(law * direction, rel=1e-9, abs=1e-9)


# --- two and three ---------------------------------------------------------------------------


@pytest.mark.parametrize("distance", [1.0, 1.3])
@pytest.mark.parametrize(("direction", "factor"), [(X, 2.0), (Y, -1.0), (Z, -1.0)])
def test_two_beads(distance, direction, factor, tell):
    """Own algebra: m = A (b + f m/r^3), so m = A b/(1 - f chi/(24 r^3)); f = 2 along, -1 across."""
    chi = 2.5
    places = [[0.0, 0.0, 0.0], [distance, 0.0, 0.0]]
    found = respond(places, chi, direction, WIDE, **ALONE)
    law = 1.0 / (1.0 - factor * chi / (24.0 * distance**3))
    name = "along" if direction is X else "across"
    tell(
        f"touching pair of induced beads, χ = 2.5, field {name}, m/m(alone)", law,
        found[0] @ direction, source="own algebra", when=distance == 1.0 and direction is not Z,
    )  # fmt: skip
    # In weak fields the law is linear to (xi/15)^2, far below this.
    assert found == pytest.approx(np.array([law * direction] * 2), rel=1e-10, abs=1e-10)


@pytest.mark.parametrize(("direction", "factor"), [(X, 2.0), (Y, -1.0)])
def test_three_beads_in_a_row(direction, factor):
    """Own algebra, q = f chi/24: middle c = 1 + 2 q e, ends e = 1 + q c + q e/8."""
    chi = 2.5
    q = factor * chi / 24.0
    end = (1.0 + q) / (1.0 - q / 8.0 - 2.0 * q * q)
    middle = 1.0 + 2.0 * q * end
    places = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [2.0, 0.0, 0.0]]
    found = respond(places, chi, direction, WIDE, **ALONE)
    assert found @ direction == pytest.approx([end, middle, end], rel=1e-10)


def test_three_beads_in_a_triangle():
    """Own algebra: across the plane two neighbours act by -m/r^3 each: 1/(1 + 2 chi/24)."""
    places = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.5, math.sqrt(0.75), 0.0]]
    found = respond(places, 2.5, Z, WIDE, **ALONE)
    assert found == pytest.approx(np.outer(np.ones(3), Z / (1.0 + 5.0 / 24.0)), abs=1e-10)


# --- where they would run away ----------------------------------------------------------------


def runaway(places, sides, **how):
    """Return the susceptibility at which 1/m, a straight line in it, would vanish."""
    low, high = (respond(places, chi, X, sides, **how)[0, 0] for chi in (1.0, 2.9))
    slope = (1.0 / high - 1.0 / low) / 1.9
    return 1.0 - 1.0 / low / slope


def test_a_touching_pair_runs_away_at_12(tell):
    """Own algebra: 1 - 2 chi/24 = 0."""
    found = runaway([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]], WIDE, **ALONE)
    tell("susceptibility at which a touching pair runs away", 12.0, found, source="own algebra")
    assert found == pytest.approx(12.0, rel=1e-9)


def test_a_touching_chain_runs_away_at_4_99(tell):
    """Own algebra: 4 zeta(3) A/d^3 = 1, so chi = 6/zeta(3) = 4.9915."""
    found = runaway([[0.0, 0.0, 0.0]], (1.0, 20.0), method="exact", **TIGHT)
    tell("susceptibility at which a touching chain runs away, 6/ζ(3)", 6.0 / ZETA_3, found,
         source="own algebra")  # fmt: skip
    assert found == pytest.approx(6.0 / ZETA_3, rel=1e-9)
    assert found == pytest.approx(4.99, abs=0.005)


# --- many --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("direction", "factor"), [(X, 1.0), (Z, -2.0)])
def test_simple_cubic_slab_follows_clausius_and_mossotti(direction, factor, tell):
    """The field inside is b + 4 pi/3 M along the slab and b - 8 pi/3 M across (Lorentz 1909).

    Ten layers, the inner two: the field of a layer on the next but one is below 2e-4 m/d^3.
    """
    chi = 2.0
    places = [[0.0, 0.0, float(k)] for k in range(10)]
    found = respond(places, chi, direction, (1.0, 1.0), method="exact", **TIGHT)
    law = 1.0 / (1.0 - factor * chi / 24.0 * 4.0 * math.pi / 3.0)
    tell(
        "simple cubic slab of induced beads, χ = 2, along, inner m/m(alone)", law,
        found[4] @ direction, source="Lorentz 1909; Clausius, Mossotti", when=direction is X,
    )  # fmt: skip
    assert found[4:6] == pytest.approx(np.array([law * direction] * 2), abs=1e-4)


def test_saturated_beads_are_fixed_dipoles():
    """In a strong field each m is m_s to 1/xi, whatever the neighbours do."""
    places = np.random.default_rng(5).uniform(0.0, 4.0, (12, 3)) * [1.0, 1.0, 3.0]
    saturation = np.linspace(0.0, 3.0, 12)
    moments, *_ = induce(places, saturation, CORE, 1e9 * Y, (4.0, 4.0), "exact", **TIGHT)
    assert moments == pytest.approx(np.outer(saturation, Y), abs=1e-5)
    assert (np.linalg.norm(moments, axis=1) <= saturation).all()


@pytest.mark.parametrize("strength", [0.05, 15.0, 120.0])
def test_force_is_minus_the_gradient_of_the_energy(strength):
    """Central differences of F, the moments found anew at each place; weak to near saturation."""
    places = np.array(
        [[0.1, 0.2, 0.3], [1.2, 0.3, 0.5], [2.1, 1.4, 0.2], [0.4, 1.5, 1.1], [1.6, 2.2, 1.4]]
    )
    saturation = np.array([1.0, 1.4, 0.7, 1.2, 0.9])
    applied = strength * (2.0 * X + Y + 2.0 * Z) / 3.0
    sides = (3.0, 3.2)

    def energy(where):
        moments, *_ = induce(where, saturation, 1.3, applied, sides, "exact", **TIGHT)
        return induced_energy(where, moments, saturation, 1.3, applied, sides, "exact", 1e-12)

    _, field, force, _ = induce(places, saturation, 1.3, applied, sides, "exact", **TIGHT)
    assert 0.01 < 1.3 * np.linalg.norm(field, axis=1).max() < 200.0
    step = 1e-4
    for i in range(5):
        for axis in range(3):
            moved = np.zeros_like(places)
            moved[i, axis] = step
            slope = (energy(places + moved) - energy(places - moved)) / (2.0 * step)
            assert force[i, axis] == pytest.approx(-slope, rel=1e-5, abs=1e-6 * abs(force).max())


def test_the_energy_is_least_at_the_induced_moments():
    """F is stationary there: any small change of the moments raises it, by its square."""
    generator = np.random.default_rng(8)
    places = [[0.0, 0.0, 0.0], [1.0, 0.1, 0.2], [0.3, 1.1, 0.9]]
    given = (np.array([2.0, 1.5, 1.0]), 1.1, 2.0 * X, (5.0, 5.0), "exact")
    moments, *_ = induce(places, *given, **TIGHT)
    least = induced_energy(places, moments, *given, 1e-12)
    for _ in range(10):
        change = generator.normal(size=(3, 3))
        near, far = (
            induced_energy(places, moments + size * change, *given, 1e-12) - least
            for size in (1e-3, 2e-3)
        )
        assert 0.0 < near < 1e-3
        assert far == pytest.approx(4.0 * near, rel=0.02)


def test_energy_of_a_linear_pair():
    """Own algebra: F = -m.b/2 a bead in all linear media, m = A b/(1 - 2 A/r^3) along the pair."""
    chi = 2.5
    places = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]]
    saturation = np.full(2, saturation_of(chi))
    moments, *_ = induce(places, saturation, CORE, WEAK * X, WIDE, **ALONE)
    found = induced_energy(places, moments, saturation, CORE, WEAK * X, WIDE, "cutoff", cutoff=90.0)
    law = -chi / 24.0 * WEAK**2 / (1.0 - 2.0 * chi / 24.0)
    assert found == pytest.approx(law, rel=1e-9)
