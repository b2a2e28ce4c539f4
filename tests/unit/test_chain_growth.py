"""Growth of chains by diffusion: limits, inverse and the equation it solves."""

import math

import pytest

from sim.outlook.chain_growth import GROWTH_BAND, chain_growth


def test_steady_rate_is_that_of_sticking_spheres():
    # Smoluchowski 1917 (from memory): dn/dt = -4 pi D d n^2 halves n = 6 phi/(pi d^3) after
    # 1/(4 pi D d n) = d^2/(24 D phi).
    assert chain_growth(1e-4, 0.03, 0.0).halving_time == pytest.approx(1e-4 / (24 * 0.03))
    # attraction reaches (2 lambda)^(1/3) diameters
    assert chain_growth(1e-4, 0.03, 4.0).halving_time == pytest.approx(1e-4 / (48 * 0.03))


def test_late_growth_follows_the_square_root():
    growth = chain_growth(1e-4, 0.03, 4.0)
    late = 1e9 * growth.halving_time
    assert growth.length_after(4.0 * late) / growth.length_after(late) == pytest.approx(2, rel=1e-3)
    assert growth.length_after(0.0) == 1.0


@pytest.mark.parametrize("length", [1.0, 1.001, 2.0, 17.4, 1e4])
def test_time_and_length_are_inverse(length):
    growth = chain_growth(4.7e-5, 0.03, 6.46)
    assert growth.length_after(growth.time_to(length)) == pytest.approx(length, rel=1e-12)


@pytest.mark.parametrize("time", [1e-6, 2e-5, 1e-3])
def test_slope_is_the_rate_of_meeting(time):
    diffusion_time, fraction, coupling = 4.7e-5, 0.03, 6.46
    growth = chain_growth(diffusion_time, fraction, coupling)
    step = 1e-4 * time
    behind, ahead = (growth.length_after(time + sign * step) for sign in (-1, 1))
    slope = growth.length_after(time) * (ahead - behind) / (2.0 * step)
    # in units of d and D0: R and 2 D0 of a pair
    capture = math.cbrt(2.0 * coupling)
    excess = capture / math.sqrt(math.pi * 2.0 * time / diffusion_time)
    steady = 24.0 * fraction * capture / diffusion_time
    assert slope == pytest.approx(steady * (1.0 + excess), rel=1e-6)


@pytest.mark.parametrize(("time", "simulated"), [(1e-5, 1.98), (2e-5, 2.79), (2e-4, 12.1)])
def test_the_first_demo_is_within_the_band(time, simulated):
    """Mean lengths of runs_demo/growing_chains (time_series.csv, seed 7), not a fit."""
    grown = chain_growth(4.7476e-5, 0.03, 6.463).length_after(time)
    assert 1.0 / GROWTH_BAND < simulated / grown < GROWTH_BAND
