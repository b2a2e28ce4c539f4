"""Langevin function and its inverse, energies, mixing and the search for induced moments."""

import mpmath
import numba
import numpy as np
import pytest
from scipy.integrate import quad

from sim.engines.cpu_induced import make_mixing_work
from sim.kernels.dipoles import induced as kernels
from tests.reference import induced_moments as module
from tests.reference.dipole_sum import dipole_sum
from tests.reference.induced_moments import induce, induced_energy

SIDES = (6.0, 5.0)


def film(count=60, seed=3):
    """Return places, saturation moments and an applied field; susceptibilities up to about 2."""
    generator = np.random.default_rng(seed)
    sites = np.stack(np.meshgrid(np.arange(5), np.arange(4), np.arange(3)), -1).reshape(-1, 3)
    places = (sites * [1.2, 1.25, 1.1] + generator.uniform(-0.05, 0.05, sites.shape))[:count]
    return places, generator.uniform(0.5, 1.0, count), np.array([0.8, 0.1, 0.3])


def exact_langevin(x):
    with mpmath.workdps(40):
        return float(mpmath.coth(mpmath.mpf(x)) - 1 / mpmath.mpf(x))


# --- the law -------------------------------------------------------------------------------------


def test_langevin_against_40_digits():
    """coth x - 1/x with 40 digits, on both sides of where the form changes."""
    assert kernels.langevin_slope(0.0) == 1.0 / 3.0
    for x in [*np.geomspace(1e-12, 1e4, 161), 0.999999, 1.0, 1.000001]:
        assert x * kernels.langevin_slope(x) == pytest.approx(exact_langevin(x), rel=1e-15 * 2)


def test_inverse_langevin_against_a_root_with_40_digits():
    """Up to the last number below 1, where it is 9e15; its own error is a few roundings."""
    shares = [1e-15, 1e-6, 0.01, 0.31, 0.3130352, 0.32, 0.5, 0.9, 0.9499, 0.95, 0.99, 1 - 1e-9]
    with mpmath.workdps(40):
        for share in shares:
            found = kernels.inverse_langevin(share)
            root = mpmath.findroot(
                lambda x, s=share: mpmath.coth(x) - 1 / x - mpmath.mpf(s), mpmath.mpf(found)
            )
            assert found == pytest.approx(float(root), rel=3e-15)
    assert kernels.inverse_langevin(0.0) == 0.0
    assert kernels.inverse_langevin(1.0 - 2.0**-53) == 2.0**53
    assert kernels.inverse_langevin(1.0) == np.inf


@pytest.mark.parametrize("share", [1e-3, 0.2, 0.3130352, 0.5, 0.8, 0.97, 0.999])
def test_holding_energy_is_the_integral_of_the_inverse(share):
    """w(m) is the integral of L^-1(m/m_s)/m_core over m, by quadrature."""
    saturation, core = 3.0, 0.4
    area, _ = quad(kernels.inverse_langevin, 0.0, share, epsabs=1e-14, epsrel=1e-12)
    found = kernels.holding_energy(share * saturation, saturation, core)
    assert found == pytest.approx(area * saturation / core, rel=1e-10)


def test_holding_energy_near_saturation():
    """Own algebra: ln(2x) - 1 at x = 1/(1 - s), with 40 digits; 0 for a row without a moment."""
    share = 1.0 - 2.0**-40
    with mpmath.workdps(40):
        law = float(mpmath.log(2 * mpmath.mpf(2) ** 40) - 1)
    assert kernels.holding_energy(share, 1.0, 1.0) == pytest.approx(law, rel=1e-14)
    assert kernels.holding_energy(0.0, 0.0, 1.0) == 0.0
    assert kernels.holding_energy(1.0, 1.0, 1.0) == np.inf


# --- the search ----------------------------------------------------------------------------------


def plain_search(places, saturation, core, applied, sides):
    """Iterate m = m_s L(core b) b/|b| with half steps, slowly and obviously."""
    moments = np.zeros((len(places), 3))
    for _ in range(400):
        field = applied + dipole_sum(places, moments, sides, "exact", 1e-12)[0]
        size = np.linalg.norm(field, axis=1)
        share = np.array([exact_langevin(core * b) for b in size])
        moments = 0.5 * (moments + (saturation * share / size)[:, None] * field)
    return moments


def test_the_search_finds_what_a_slow_iteration_finds():
    places, saturation, applied = film(12)
    slow = plain_search(places, saturation, 0.9, applied, SIDES)
    found, field, force, _ = induce(
        places, saturation, 0.9, applied, SIDES, "exact", 1e-12, moment_tolerance=1e-12
    )
    assert found == pytest.approx(slow, rel=1e-9, abs=1e-10)
    inner, pull = dipole_sum(places, found, SIDES, "exact", 1e-12)
    assert field == pytest.approx(applied + inner, rel=1e-9, abs=1e-10)
    assert force == pytest.approx(pull, rel=1e-9, abs=1e-10)


@pytest.mark.parametrize("strength", [0.01, 1.0, 30.0])
def test_few_sums_are_needed(strength):
    """At chi near 3, dense: Anderson's mixing settles to 1e-6 where the plain iteration takes more.

    The count is no published value; the bound keeps the cost of a step from creeping up.
    """
    places, saturation, applied = film()
    saturation = np.full_like(saturation, 0.375)  # with core 1: chi = 8 m_s m_core = 3
    *_, count = induce(
        places, saturation, 1.0, strength * applied, SIDES, "exact", moment_tolerance=1e-6
    )
    assert count <= 12
    moments, *_ = induce(
        places, saturation, 1.0, strength * applied, SIDES, "exact", moment_tolerance=1e-9
    )
    *_, again = induce(
        places + 1e-4, saturation, 1.0, strength * applied, SIDES, "exact", start=moments
    )
    assert again == 1


@pytest.mark.parametrize("tolerance", [1e-2, 1e-4, 1e-6, 1e-8])
def test_the_tolerance_bounds_the_error(tolerance):
    """Against moments settled to 1e-13: residuals grow to errors by at most 1/(1 - chi/4.05)."""
    places, saturation, applied = film()
    given = (places, saturation, 0.45, applied, SIDES, "exact", 1e-12)
    best, _, push, _ = induce(*given, moment_tolerance=1e-13)
    found, _, force, _ = induce(*given, moment_tolerance=tolerance)
    assert np.linalg.norm(found - best) < 4.0 * tolerance * np.linalg.norm(best)
    assert np.linalg.norm(force - push) < 8.0 * tolerance * np.linalg.norm(push)


def test_mesh_and_exact_agree_to_the_tolerance_of_the_sums():
    places, saturation, applied = film()
    given = (places, saturation, 0.45, applied, SIDES)
    exact, *_ = induce(*given, "exact", moment_tolerance=1e-10)
    mesh, *_ = induce(*given, "mesh", 1e-5, moment_tolerance=1e-10)
    assert 0.0 < np.linalg.norm(mesh - exact) < 1e-5 * np.linalg.norm(exact)


def test_nothing_comes_of_nothing():
    """Without a field, and for rows without a moment, moments are zero at the first look."""
    places, saturation, applied = film(8)
    moments, _, force, count = induce(places, saturation, 0.9, [0.0, 0.0, 0.0], SIDES, "exact")
    assert not moments.any()
    assert not force.any()
    assert count == 1
    saturation[3] = 0.0
    moments, *_ = induce(places, saturation, 0.9, applied, SIDES, "exact")
    assert not moments[3].any()
    assert moments[2].any()


def test_moments_of_before_die_out_without_a_field():
    """Own algebra: below the runaway the only solution without a field is no moment."""
    places, saturation, _ = film(8)
    before = saturation[:, None] * np.array([[1.0, 0.0, 0.0]])
    moments, *_ = induce(places, saturation, 0.3, [0.0] * 3, SIDES, "exact", start=before)
    assert np.abs(moments).max() < 1e-11


def test_bits_do_not_depend_on_threads():
    places, saturation, applied = film()
    given = (places, saturation, 0.45, applied, SIDES, "cutoff")
    threads = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        one = induce(*given, cutoff=2.4, moment_tolerance=1e-12)
        numba.set_num_threads(threads)
        many = induce(*given, cutoff=2.4, moment_tolerance=1e-12)
    finally:
        numba.set_num_threads(threads)
    assert one[3] == many[3] > 4
    for a, b in zip(one[:3], many[:3], strict=True):
        assert np.array_equal(a, b)


def test_mixing_solves_linear_equations():
    """With as many remembered changes as unknowns the mixing is exact: x = g + M x."""
    matrix = np.array([[0.5, 0.2, -0.3], [0.1, -0.9, 0.4], [0.0, 0.3, 0.8]])
    target = np.linalg.solve(np.eye(3) - matrix, [1.0, 2.0, 3.0])
    moments, work = np.zeros((1, 3)), make_mixing_work(1)
    for step in range(5):
        kernels.mix(step, moments, moments @ matrix.T + [1.0, 2.0, 3.0], work)
    assert moments[0] == pytest.approx(target, rel=1e-8)


# --- refusals ------------------------------------------------------------------------------------


def test_a_search_that_does_not_settle_says_so(monkeypatch):
    monkeypatch.setattr(module, "MOST_ITERATIONS", 2)
    places, saturation, applied = film(8)
    with pytest.raises(RuntimeError, match="do not settle to 1e-12 within 2 sums; they still"):
        induce(places, saturation, 0.9, applied, SIDES, "exact", moment_tolerance=1e-12)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"saturation": [1.0]}, "saturation must be 2 finite numbers"),
        ({"saturation": [1.0, -1.0]}, "saturation must be 2 finite numbers of at least 0"),
        ({"core_moment": 0.0}, "core_moment must be above 0 and finite; received 0.0"),
        ({"applied": [1.0, 0.0]}, "applied must be finite numbers of the shape"),
        ({"start": [[1.0, 0.0, np.nan]] * 2}, "start must be finite numbers"),
        ({"moment_tolerance": 0.0}, "moment_tolerance must be above 0 and below 1"),
    ],
)
def test_bad_arguments(change, sentence):
    given = {
        "positions": [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]],
        "saturation": [1.0, 1.0],
        "core_moment": 0.5,
        "applied": [1.0, 0.0, 0.0],
        "sides": (9.0, 9.0),
        "method": "exact",
    }
    with pytest.raises(ValueError, match=sentence):
        induce(**(given | change))


def test_moments_above_saturation_have_no_energy():
    given = ([[0.0, 0.0, 0.0]], [[1.1, 0.0, 0.0]], [1.0], 0.5, [1.0, 0.0, 0.0], (9.0, 9.0), "exact")
    with pytest.raises(ValueError, match=r"at most the saturation of their bead; received 1\.1"):
        induced_energy(*given)
