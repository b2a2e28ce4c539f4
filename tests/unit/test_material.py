"""Material formulas against a table that was worked out apart from this code.

Source of the table: COMPUTED, no literature claim. Evaluated from the textbook definitions with
kB = 1.380649e-23 J/K and mu0 = 4 pi 1e-7 for M_s = 446 kA/m, shell 2 nm, 298.15 K, 0.89 mPa s,
K = 11 kJ/m3, tau_0 = 1 ns: m = M_s pi d_c^3/6, lambda = mu0 m^2/(4 pi d^3 kT) with d = d_c + 4 nm
and with d = d_c, xi = m B/kT at 10 mT, tau_B = 3 eta V/kT, tau_N = tau_0 e^(KV/kT),
D0 = kT/(3 pi eta d). Values are rounded to the digits shown, hence the tolerances.
"""

import math

import numpy as np
import pytest

from analysis.common.constants import BOLTZMANN, MU0
from analysis.common.laws import langevin
from sim.physics import material, sizes

MAGNETISATION, SHELL, TEMPERATURE, VISCOSITY = 446e3, 2e-9, 298.15, 0.89e-3
ANISOTROPY, ATTEMPT = 11e3, 1e-9

# d_c nm, m, lambda at d, lambda at d_c, xi at 10 mT, tau_B s, KV/kT, tau_N s, D0 m2/s
TABLE = [
    (8, 1.1956e-19, 0.201, 0.678, 0.290, 5.87e-7, 0.72, 2.05e-9, 4.090e-11),
    (10, 2.3353e-19, 0.483, 1.325, 0.567, 9.32e-7, 1.40, 4.05e-9, 3.505e-11),
    (12, 4.0353e-19, 0.966, 2.289, 0.980, 1.391e-6, 2.42, 1.12e-8, 3.067e-11),
    (15, 7.8815e-19, 2.200, 4.471, 1.915, 2.329e-6, 4.72, 1.12e-7, 2.583e-11),
    (20, 1.8682e-18, 6.133, 10.598, 4.538, 4.695e-6, 11.19, 7.27e-5, 2.045e-11),
    (25, 3.6488e-18, 13.262, 20.700, 8.864, 8.283e-6, 21.86, 3.1, 1.692e-11),
]


def half_last_digit(value, digits):
    """Half a unit of the last of some significant digits, as rounding allows."""
    return 0.5 * 10.0 ** (math.floor(math.log10(value)) - digits + 1) * 1.001


@pytest.mark.parametrize("row", TABLE, ids=[f"{row[0]}nm" for row in TABLE])
def test_sample_particles(row):
    core = row[0] * 1e-9
    outer = core + 2 * SHELL
    moment = material.moment(core, MAGNETISATION)
    volume = math.pi / 6 * core**3
    computed = [
        (moment, row[1], 5),
        (material.coupling(moment, outer, TEMPERATURE), row[2], len(f"{row[2]:.3f}".lstrip("0."))),
        (material.coupling(moment, core, TEMPERATURE), row[3], len(f"{row[3]:.3f}".lstrip("0."))),
        (material.langevin_parameter(moment, 10e-3, TEMPERATURE), row[4], 3),
        (material.brown_time(VISCOSITY, outer, TEMPERATURE), row[5], 3),
        (ANISOTROPY * volume / (BOLTZMANN * TEMPERATURE), row[6], 2),
        (material.neel_time(volume, ANISOTROPY, ATTEMPT, TEMPERATURE), row[7], 2),
        (material.diffusion(VISCOSITY, outer, TEMPERATURE), row[8], 4),
    ]
    for value, expected, digits in computed:
        # 1e-3 is the tolerance stated with the table; rounding of short entries adds to it.
        allowed = max(1e-3 * expected, half_last_digit(expected, digits))
        assert abs(value - expected) <= allowed, (value, expected)


def test_high_barrier_form_is_far_shorter():
    # Ratio of the forms: (sqrt(pi)/2)/sigma^1.5, "up to 42 times shorter at 20 nm" for sigma 11.19.
    volume = math.pi / 6 * 20e-9**3
    simple = material.neel_time(volume, ANISOTROPY, ATTEMPT, TEMPERATURE)
    high = material.neel_time(volume, ANISOTROPY, ATTEMPT, TEMPERATURE, "high_barrier")
    assert simple / high == pytest.approx(42.2, rel=5e-3)
    with pytest.raises(ValueError, match='received "linear"'):
        material.neel_time(volume, ANISOTROPY, ATTEMPT, TEMPERATURE, "linear")


@pytest.mark.parametrize(
    ("anisotropy", "form", "low", "high"),
    [(30e3, "simple", 11.5e-9, 13.5e-9), (11e3, "high_barrier", 20e-9, 22e-9)],
)
def test_size_where_neel_meets_brown(anisotropy, form, low, high):
    # The core size above which the body turns faster is 12 nm for K = 30 kJ/m3 and the simple form
    # and 21 nm for K = 11 kJ/m3 and the high-barrier form (COMPUTED, same data as the table).
    def ratio(core):
        neel = material.neel_time(math.pi / 6 * core**3, anisotropy, ATTEMPT, TEMPERATURE, form)
        return neel / material.brown_time(VISCOSITY, core + 2 * SHELL, TEMPERATURE)

    assert ratio(low) < 1.0 < ratio(high)


def test_neel_time_of_a_huge_core_is_infinite_without_a_warning():
    assert material.neel_time(1e-18, 1e6, 1e-9, 298.15) == math.inf


def test_moment_counts_the_core_without_its_dead_layer():
    # 0.8 nm of dead layer leaves 16.4 of 18 nm.
    full, left = material.moment(18e-9, 446e3), material.moment(18e-9, 446e3, 0.8e-9)
    assert left / full == pytest.approx((16.4 / 18.0) ** 3, rel=1e-12)
    assert material.moment(1e-9, 446e3, 0.8e-9) == 0.0


def test_arrays_give_what_scalars_give():
    cores = np.array([row[0] * 1e-9 for row in TABLE])
    moments = material.moment(cores, MAGNETISATION)
    assert isinstance(moments, np.ndarray)
    outers = cores + 2 * SHELL
    for function, values in (
        (lambda m: material.coupling(m, 24e-9, TEMPERATURE), moments),
        (lambda m: material.langevin_parameter(m, 0.02, TEMPERATURE), moments),
        (lambda d: material.brown_time(VISCOSITY, d, TEMPERATURE), outers),
        (lambda d: material.rotational_diffusion(VISCOSITY, d, TEMPERATURE), outers),
        (lambda v: material.neel_time(v, ANISOTROPY, ATTEMPT, TEMPERATURE), cores**3),
        (langevin, moments * 1e18),
    ):
        together = function(values)
        one_by_one = [function(float(value)) for value in values]
        assert all(type(value) is float for value in one_by_one)
        np.testing.assert_allclose(together, one_by_one, rtol=1e-15)


def test_rotation_and_translation_are_those_of_one_sphere():
    # Stokes: D_r/D0 = 3/d^2, and tau_B = 1/(2 D_r).
    d = 24e-9
    rotation = material.rotational_diffusion(VISCOSITY, d, TEMPERATURE)
    assert rotation * d**2 == pytest.approx(3 * material.diffusion(VISCOSITY, d, TEMPERATURE))
    assert material.brown_time(VISCOSITY, d, TEMPERATURE) == pytest.approx(0.5 / rotation)


@pytest.mark.parametrize("spread", [0.0, 0.1, 0.3, 0.6])
@pytest.mark.parametrize("layers", [0.0, 4e-9, -1.6e-9])
def test_mean_cube_is_the_integral_over_the_cut_law(spread, layers):
    core = 20e-9
    steps = np.linspace(-3.0, 3.0, 20001)
    weights = np.exp(-0.5 * steps**2)
    cubes = (core * np.exp(spread * steps) + layers) ** 3
    integral = np.trapezoid(cubes * weights, steps) / np.trapezoid(weights, steps)
    mean = sizes.mean_cubed_diameter(core, spread, layers)
    assert mean == pytest.approx(integral, rel=1e-7)


def test_volume_median_becomes_number_median():
    # The volume-weighted law has its median at ln d_n + 3 s^2: half of the volume is below.
    spread, steps = 0.3, np.linspace(-9.0, 9.0, 200001)
    number = sizes.number_median(20e-9, spread)
    volume = (number * np.exp(spread * steps)) ** 3 * np.exp(-0.5 * steps**2)
    below = number * np.exp(spread * steps) < 20e-9
    assert volume[below].sum() / volume.sum() == pytest.approx(0.5, abs=1e-4)


def test_three_ways_to_give_the_amount_agree():
    drawn = sizes.Sizes(20e-9, 0.2, 0.8e-9, 2e-9)
    steric, core = drawn.mean_cube(4e-9), drawn.mean_cube(0.0)
    magnetic = drawn.mean_cube(-1.6e-9)
    whole = 0.03
    saturation = MU0 * 446e3 * whole * magnetic / steric
    for given in (
        {"whole": whole},
        {"cores": whole * core / steric},
        {"saturation": saturation},
    ):
        assert sizes.whole_volume_fraction(drawn, 446e3, **given) == pytest.approx(whole)
    with pytest.raises(ValueError, match="received none"):
        sizes.whole_volume_fraction(drawn, 446e3)


def test_largest_core_is_three_deviations_up():
    assert sizes.largest_core_diameter(20e-9, 0.1) == pytest.approx(20e-9 * math.exp(0.3))
