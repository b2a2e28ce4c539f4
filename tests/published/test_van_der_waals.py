"""Van der Waals attraction of two cores against Hamaker's law and handbook points.

Source of the law: H. C. Hamaker, Physica 4, 1058 (1937), for spheres of any sizes (from memory; the
printed form agrees with the one that engineering handbooks repeat):
U = -(A/6) [2 R1 R2/(r^2 - (R1+R2)^2) + 2 R1 R2/(r^2 - (R1-R2)^2)
            + ln((r^2 - (R1+R2)^2)/(r^2 - (R1-R2)^2))].
For equal spheres of diameter d at the gap s, with l = 2 s/d, it becomes
U = -(A/6) [2/(l^2 + 4 l) + 2/(l + 2)^2 + ln((l^2 + 4 l)/(l + 2)^2)], which ferrofluid books use
(R. E. Rosensweig, Ferrohydrodynamics (1985), section 2.5, from memory).

Points of the table: evaluated by hand from that second form for 10 nm cores at 298.15 K. A = 39 zJ
and 9 zJ are the ends of the ranges that Faure, Salazar-Alvarez and Bergstrom give for iron oxides
across water, 33 to 39 zJ, and hydrocarbons, 9 to 29 zJ ("Hamaker constants of iron oxide
nanoparticles", Langmuir, 2011).
"""

import dataclasses
import math

import mpmath
import numpy as np
import pytest

from sim.interactions.van_der_waals import VanDerWaalsLaw
from sim.outlook.pair_potential import head_to_tail
from tests.reference.bench_film import bench_film

NM = 1e-9
KT = 1.380649e-23 * 298.15
# gap in nm, energy in kT for 39 zJ (water) and for 9 zJ (oil)
TABLE = [
    (0.2, -15.17195, -3.50122),
    (0.5, -4.66781, -1.07719),
    (1.0, -1.64680, -0.38003),
    (2.0, -0.47050, -0.10858),
    (3.0, -0.19691, -0.04544),
    (3.9, -0.10467, -0.02415),
]


def with_hamaker(joules, gap=0.1 * NM, core='"10 nm"'):
    film = bench_film(core_diameter=core, grafting_density='"1 nm^-2"')
    law = dataclasses.replace(film.van_der_waals, hamaker=joules / KT, smallest_gap=gap)
    return dataclasses.replace(film, van_der_waals=law)


@pytest.mark.parametrize(("gap", "water", "oil"), TABLE)
def test_tabulated_points(gap, water, oil, tell):
    # half a unit of the last digit printed
    for zeptojoules, wanted in ((39.0, water), (9.0, oil)):
        film = with_hamaker(zeptojoules * 1e-21)
        found = VanDerWaalsLaw.pair_energy(film, 10 * NM, 10 * NM, (10 + gap) * NM)
        tell(
            f"10 nm cores across water, 39 zJ, {gap:g} nm apart", wanted, found, unit="kT",
            source="Hamaker 1937; Rosensweig 1985", when=gap == 0.5 and wanted == water,
        )  # fmt: skip
        assert found == pytest.approx(wanted, abs=6e-6)


def equal_spheres(gap, diameter, hamaker):
    reduced = 2.0 * gap / diameter
    first, second = reduced**2 + 4.0 * reduced, (reduced + 2.0) ** 2
    return -hamaker / 6.0 * (2.0 / first + 2.0 / second + math.log(first / second))


@pytest.mark.parametrize("diameter", [6.0, 10.0, 20.0])
def test_the_two_forms_agree(diameter):
    law = VanDerWaalsLaw(7.0, 1e-3, 2.0)
    radius = 0.5 * diameter + 2.0
    for gap in np.geomspace(0.01, 20.0, 30):
        found = float(law.energy(radius, radius, diameter + gap))
        # The three terms cancel far away: the error of either form is 1e-15 of one of them.
        assert found == pytest.approx(equal_spheres(gap, diameter, 7.0), rel=1e-9, abs=1e-12)


def exact_energy(r, first, second, hamaker):
    """Return the energy to 50 digits by integrating 1/r^6 over both spheres (Hamaker's sum).

    A point at the distance x from the centre of a sphere of radius R has the energy
    -(4 pi/3) R^3/(x^2 - R^2)^3 times the strength (from memory; itself the integral of 1/r^6); the
    second sphere is cut into caps of equal distance from the first.
    """
    r, a, b = (mpmath.mpf(value) for value in (r, first, second))

    def shell(x):
        area = mpmath.pi * x / r * (b**2 - (r - x) ** 2)
        return area * 4 * mpmath.pi / 3 * a**3 / (x**2 - a**2) ** 3

    return -hamaker / mpmath.pi**2 * mpmath.quad(shell, mpmath.linspace(r - b, r + b, 9))


@pytest.mark.parametrize("sizes", [(5.0, 5.0), (4.0, 9.0), (2.0, 12.0)])
def test_law_is_the_sum_over_both_spheres(sizes, tell):
    first, second = sizes
    law = VanDerWaalsLaw(3.0, 1e-3, 0.0)
    for gap in (0.3, 1.0, 4.0):
        r = first + second + gap
        wanted = float(exact_energy(r, first, second, 3.0))
        found = float(law.energy(first, second, r))
        tell(
            "spheres of radii 4 and 9, gap 1, A = 3", wanted, found,
            source="1/r⁶ integrated over both", when=sizes == (4.0, 9.0) and gap == 1.0,
        )  # fmt: skip
        assert found == pytest.approx(wanted, rel=1e-8)


@pytest.mark.parametrize("sizes", [(5.0, 5.0), (3.0, 9.0)])
def test_force_is_minus_the_slope(sizes):
    law = VanDerWaalsLaw(5.0, 0.2, 1.0)
    first, second = sizes
    contact = first + second - 2.0
    for gap in (0.25, 1.0, 3.0, 10.0):
        r, step = contact + gap, 1e-5 * gap
        ahead, behind = (float(law.energy(first, second, r + way)) for way in (step, -step))
        found = float(law.force(first, second, r))
        assert found == pytest.approx(-(ahead - behind) / (2.0 * step), rel=1e-6)


def test_limits_near_and_far(tell):
    # Near, Derjaguin's rule: U = -A R1 R2/(6 (R1 + R2) s). Far, -(16/9) A R1^3 R2^3/r^6, from the
    # London energy of two small spheres (both in any book on colloids; J. N. Israelachvili,
    # Intermolecular and Surface Forces, chapter 13, from memory).
    law = VanDerWaalsLaw(2.0, 1e-9, 0.0)
    first, second, gap = 3.0, 5.0, 1e-4
    near = -2.0 * first * second / (6.0 * (first + second) * gap)
    found = float(law.energy(first, second, first + second + gap))
    assert found == pytest.approx(near, rel=1e-3)
    r = 200.0
    far = -16.0 / 9.0 * 2.0 * first**3 * second**3 / r**6
    found = float(law.energy(first, second, r))
    tell("radii 3 and 5 at distance 200, limit", far, found, source="London; Israelachvili, 13")
    assert found == pytest.approx(far, rel=5e-3)


def test_barrier_is_the_climb_from_the_minimum():
    # By a fine search over the same three formulas, written out here.
    film = with_hamaker(33e-21, 0.3 * NM, '"20 nm"')
    pair = head_to_tail(film, 20 * NM, 20 * NM, points=8001)
    gap = np.linspace(0.3, 20.0, 400_001)
    r = 20.0 + gap
    steric = np.where(
        r < 24.0, 0.5 * math.pi * 400.0 / 2.0 * (24.0 - r * (1.0 + np.log(24.0 / r))), 0.0
    )
    moment2 = (446e3 * math.pi / 6.0 * 8e-24) ** 2
    dipoles = -2.0 * 1e-7 * moment2 / (r * NM) ** 3 / KT
    attraction = np.array([equal_spheres(g, 20.0, 33e-21 / KT) for g in gap])
    total = steric + dipoles + attraction
    lowest = np.flatnonzero(total[:-1] > total[1:])[-1] + 1
    wanted = total[:lowest].max() - total[lowest]
    assert pair.barrier_kt == pytest.approx(wanted, rel=1e-3)
    assert pair.minimum_kt == pytest.approx(total[lowest], rel=1e-4)


def test_range_is_where_a_thousandth_of_kt_is_left():
    law = VanDerWaalsLaw(9.0, 0.02, 1.0 / 12.0)
    reach = law.reach(0.5)
    assert float(law.energy(0.5, 0.5, reach)) == pytest.approx(-1e-3, rel=1e-9)
    assert dataclasses.replace(law, hamaker=0.0).reach(0.5) == 0.0
