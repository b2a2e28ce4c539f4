"""Laws of a fluid against closed forms: magnetisation, sizes from a curve, viscosity, density."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from analysis.common.constants import BOLTZMANN, MU0
from sim.fluid import magnetisation as law
from sim.fluid.chantrell import ends_of_curve, from_ends, log_normal
from sim.fluid.magnetisation import Cores, Turning
from sim.fluid.measured import Value
from sim.fluid.model import Model
from sim.fluid.sheet import Sheet
from sim.fluid.suspension import LAWS, density, fraction_of_viscosity, relative_viscosity
from sim.physics.material import Material

M_CORE, T = 446e3, 298.15
KT = BOLTZMANN * T


def cores(fraction=0.03, median=10e-9, spread=0.0, dead=0.0):
    values = (fraction, median, spread, dead, M_CORE)
    return Cores.of(*(np.array([value]) for value in values))


def test_ends_of_langevins_law():
    """M -> chi_L H for weak fields and M_s (1 - kT/mu0 m H) for strong ones (Langevin, 1905)."""
    fluid = cores()
    moment = M_CORE * math.pi / 6 * 10e-9**3
    weak, strong = 1e-3 * KT / (MU0 * moment), 200 * KT / (MU0 * moment)
    found, slope = law.langevin_magnetisation(fluid, np.array([[weak, strong]]), T)
    alone = MU0 * 0.03 * M_CORE * moment / (3 * KT)
    assert fluid.saturation[0] == pytest.approx(0.03 * M_CORE)
    assert law.langevin_susceptibility(fluid, T)[0] == pytest.approx(alone)
    assert found[0, 0] == pytest.approx(alone * weak, rel=1e-6)
    assert slope[0, 0] == pytest.approx(alone, rel=1e-5)
    assert found[0, 1] == pytest.approx(0.03 * M_CORE * (1 - 1 / 200))


@pytest.mark.parametrize("fraction", [0.005, 0.05, 0.15])
def test_initial_slope_with_interactions_is_the_published_series(fraction):
    """chi = chi_L (1 + chi_L/3 + chi_L^2/144): Ivanov and Kuznetsova (2001), from memory."""
    fluid = cores(fraction, 11e-9, 0.3, 0.5e-9)
    alone = float(law.langevin_susceptibility(fluid, T)[0])
    field = 1.0
    slope = float(law.magnetisation(fluid, np.array([field]), T)[0, 0]) / field
    assert slope == pytest.approx(alone * (1 + alone / 3 + alone**2 / 144), rel=1e-5)
    assert law.without_interactions(slope) == pytest.approx(alone, rel=1e-5)


def test_slope_of_the_langevin_sum_is_its_derivative():
    fluid = cores(0.05, 12e-9, 0.4, 0.7e-9)
    places = np.geomspace(1e2, 1e6, 9)
    above, below = (
        law.langevin_magnetisation(fluid, (places * x)[None], T)[0] for x in (1.0001, 0.9999)
    )
    slope = law.langevin_magnetisation(fluid, places[None], T)[1]
    np.testing.assert_allclose(slope[0], ((above - below) / (2e-4 * places))[0], rtol=1e-5)


def test_sizes_from_exact_moments_of_a_log_normal_law():
    """Chantrell, Popplewell and Charles: moments by quadrature give median and spread back."""
    median, spread, fraction = 11e-9, 0.28, 0.02

    def mean(power):
        """Mean of D^power over volumes, of the law that is not cut."""

        def weighted(u):
            return (median * math.exp(spread * u)) ** power * math.exp(-u * u / 2)

        return quad(weighted, -12, 12, epsabs=0.0)[0] / math.sqrt(2 * math.pi)

    alone = MU0 * fraction * M_CORE**2 * math.pi * mean(3) / (18 * KT)
    intercept = 6 * KT * mean(-3) / (math.pi * MU0 * M_CORE)
    found = log_normal(alone, intercept, fraction * M_CORE, M_CORE, T)
    assert found.volume_median == pytest.approx(median, rel=1e-9)
    assert found.spread == pytest.approx(spread, rel=1e-9)
    # Hatch and Choate (1929): the median by number is exp(3 s^2) smaller.
    assert found.number_median == pytest.approx(median * math.exp(-3 * spread**2))


def test_both_ends_of_a_curve_give_its_sizes():
    fluid = cores(0.02, 11e-9, 0.15)
    field = np.geomspace(100.0, 4e6, 60)
    ends = ends_of_curve(field, law.magnetisation(fluid, field, T)[0])
    assert ends.is_saturated
    assert ends.saturation == pytest.approx(0.02 * M_CORE, rel=0.002)
    found = from_ends(ends, M_CORE, T)
    assert found.number_median == pytest.approx(11e-9, rel=0.03)
    assert found.spread == pytest.approx(0.15, abs=0.02)
    straight = ends_of_curve(field[:20], field[:20] * 0.5)
    assert not straight.is_saturated


def test_spectrum_at_rest_and_at_the_peak_of_its_loss():
    """Debye: chi'' of one size is largest where 2 pi f tau = 1, and half of chi(0) there."""
    fluid = cores(1e-4, 14e-9)
    turning = Turning(np.array([1.5e-3]), 1e7, 1e-9)  # so anisotropic that only Brown is left
    brown = math.pi * 1.5e-3 * 18e-9**3 / (2 * KT)
    peak = 1 / (2 * math.pi * brown)
    shell, m = np.array([2e-9]), np.array([M_CORE])
    found = law.spectrum(
        fluid, shell, m, turning, np.array([1e-3, 0.99 * peak, peak, 1.01 * peak]), T
    )[0]
    rest = law.with_interactions(law.langevin_susceptibility(fluid, T))[0]
    assert found[0] == pytest.approx(rest, rel=1e-6)
    assert -found[2].imag == pytest.approx(rest / 2, rel=2e-3)
    assert -found[2].imag > max(-found[1].imag, -found[3].imag)


def test_a_moment_that_turns_inside_is_as_fast_as_neel_says():
    fluid = cores(1e-4, 8e-9)
    turning = Turning(np.array([1.0]), 11e3, 1e-9)  # in honey: Brown takes for ever
    volume = math.pi / 6 * 8e-9**3
    peak = 1 / (2 * math.pi * 1e-9 * math.exp(11e3 * volume / KT))
    found = law.spectrum(fluid, np.array([2e-9]), np.array([M_CORE]), turning, np.array([peak]), T)
    rest = law.langevin_susceptibility(fluid, T)[0]
    assert -found[0, 0].imag == pytest.approx(rest / 2, rel=0.01)


def test_spectrum_of_many_sizes_is_the_integral_over_them():
    """Neel's time grows with exp(K V/kT), so few sizes do not stand for the law; 4001 do."""
    sheet = Sheet(
        "", "", T, {}, None, None, Material(M_CORE, 11e3, 1e-9, 5180.0),
        *(Value(value, 0.0, "number") for value in (M_CORE, 5180.0, 1.5e-3, 800.0)),
        900.0, "einstein", "magnetite",
    )  # fmt: skip
    place = np.array([[math.log(0.02), math.log(15e-9), 0.25, 0.0, 2e-9]])
    frequency = np.geomspace(1e2, 1e6, 9)
    deviations = np.linspace(-3.0, 3.0, 4001)
    core = 15e-9 * np.exp(0.25 * deviations)
    volume, share = math.pi / 6 * core**3, np.exp(-0.5 * deviations**2)
    brown = 0.5 * math.pi * 1.5e-3 * (core + 4e-9) ** 3 / KT
    rate = 1 / brown + 1 / (1e-9 * np.exp(11e3 * volume / KT))
    debye = 1 / (1 + 2j * math.pi * frequency[:, None] / rate)
    squares = (debye * volume**2) @ share / (volume @ share)
    alone = MU0 * 0.02 * M_CORE**2 / (3 * KT) * squares
    found = Model(sheet).spectrum(place, frequency)[0]
    assert found == pytest.approx(law.with_interactions(alone), abs=1e-3 * abs(found[0]))


@pytest.mark.parametrize("name", LAWS)
def test_dilute_suspensions_follow_einstein(name):
    """Einstein (1906, 1911): 1 + 2.5 phi."""
    assert relative_viscosity(0.0, name) == pytest.approx(1.0)
    assert (relative_viscosity(1e-6, name) - 1.0) / 1e-6 == pytest.approx(2.5, rel=1e-4)


def test_the_square_of_the_fraction_is_batchelors():
    """Batchelor (1977): 6.2 phi^2 for Brownian spheres; the dense laws lie near it."""
    step = 1e-3
    for name, square in (("batchelor", 6.2), ("krieger_dougherty", 5.078), ("rosensweig", 4.69)):
        found = (relative_viscosity(step, name) - 1.0 - 2.5 * step) / step**2
        assert found == pytest.approx(square, rel=0.01)
    assert relative_viscosity(0.6, "krieger_dougherty") > 50.0


def test_viscosity_backwards():
    for name in LAWS:
        assert fraction_of_viscosity(relative_viscosity(0.2, name), name) == pytest.approx(0.2)


def test_density_is_that_of_its_parts():
    cores_share, whole = 0.03, 0.1
    parts = cores_share * 5180.0 + (whole - cores_share) * 900.0 + (1 - whole) * 800.0
    assert density(cores_share, whole, 5180.0, 900.0, 800.0) == pytest.approx(parts)
