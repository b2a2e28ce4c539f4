"""Screened repulsion of charged particles against the theory of double layers.

U/kT = l_B Z^2 [e^(k a)/(1 + k a)]^2 e^(-k r)/r, k^2 = 4 pi l_B sum n z^2: the repulsive part of
the theory of Derjaguin, Landau, Verwey and Overbeek in its Yukawa form (for example Phys. Rev. E
62, 7961 (2000), as a public source quotes it).
"""

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import solve_bvp

from sim.interactions.electrostatic import ElectrostaticLaw, charge_number
from sim.outlook.pair_potential import head_to_tail
from sim.parameters.types import ElectrostaticParameters
from sim.physics import double_layer
from tests.reference.bench_film import bench_film

NM = 1e-9


def charged_film(charge=0.05, length=5.0, permittivity=78.4):
    given = ElectrostaticParameters(charge / NM**2, length * NM, permittivity)
    return dataclasses.replace(bench_film(), electrostatics=given)


def test_bjerrum_length_of_water(tell):
    # 0.71 nm at room temperature, as every book on colloids has it.
    found = double_layer.bjerrum_length(78.4, 298.15)
    tell("Bjerrum length of water", 0.715, found / NM, unit="nm", source="handbooks")
    assert found == pytest.approx(0.715 * NM, abs=1e-3 * NM)


def test_debye_length_of_salt_in_water(tell):
    # 0.304 nm/sqrt(c in mol/L) for single charges at 25 degC (J. N. Israelachvili, Intermolecular
    # and Surface Forces, section 14.6, from memory).
    bjerrum = double_layer.bjerrum_length(78.4, 298.15)
    for molar in (1e-4, 1e-3, 0.1):
        found, wanted = double_layer.debye_length(1e3 * molar, bjerrum), 0.304 / math.sqrt(molar)
        tell(
            f"Debye length in water, {molar:g} mol/L", wanted, found / NM, unit="nm",
            source="Israelachvili, 14.6", when=molar == 1e-3,
        )  # fmt: skip
        assert found == pytest.approx(wanted * NM, rel=3e-3)


@pytest.mark.parametrize("sizes", [(20.0, 20.0), (14.0, 26.0)])
def test_yukawa_form(sizes):
    film = charged_film()
    bjerrum, k = 0.7149 * NM, 1.0 / (5.0 * NM)
    for distance in (25.0, 30.0, 60.0):
        wanted = bjerrum * math.exp(-k * distance * NM) / (distance * NM)
        for core in sizes:
            radius = (0.5 * core + 2.0) * NM
            charges = 4.0 * math.pi * radius**2 * 0.05 / NM**2
            wanted *= charges * math.exp(k * radius) / (1.0 + k * radius)
        first, second = (core * NM for core in sizes)
        found = float(ElectrostaticLaw.pair_energy(film, first, second, distance * NM))
        assert found == pytest.approx(wanted, rel=2e-4)  # l_B is given to four digits here


def test_unscreened_limit_is_coulombs_law():
    # A Debye length of 1 mm: the energy of two charges Z at r is l_B Z^2/r.
    film = charged_film(charge=0.01, length=1e6)
    charges = charge_number(film, 24 * NM)
    assert charges == pytest.approx(math.pi * 24.0**2 * 0.01)
    bjerrum = double_layer.bjerrum_length(78.4, 298.15)
    found = float(ElectrostaticLaw.pair_energy(film, 20 * NM, 20 * NM, 80 * NM))
    assert found == pytest.approx(bjerrum * charges**2 / (80 * NM), rel=1e-4)


@pytest.mark.parametrize("screening", [0.5, 2.0, 6.0])
def test_potential_of_one_sphere_solves_the_linear_equation(screening, tell):
    # The prefactor: (1/r^2)(r^2 y')' = k^2 y with y'(a) = -l_B Z/a^2 has y = l_B Z
    # e^(k a)/(1 + k a) e^(-k r)/r. A point-like second charge Z' feels Z' y(r).
    radius, charge = 1.0, 1.0

    def equation(r, y):
        return np.vstack([y[1], screening**2 * y[0] - 2.0 / r * y[1]])

    def ends(inner, outer):
        # far away the decaying solution: y' = -(k + 1/r) y
        return np.array([inner[1] + charge, outer[1] + (screening + 1.0 / last) * outer[0]])

    last = radius + 6.0 / screening
    r = np.linspace(radius, last, 400)
    solved = solve_bvp(equation, ends, r, np.vstack([np.exp(-r), -np.exp(-r)]), tol=1e-10)
    # charging a^2 is sqrt(l_B) Z; the small second sphere has charging b^2 = 1
    law = ElectrostaticLaw(1.0, screening)
    tiny = 1e-4
    for distance in (1.3, 2.0):
        found = float(law.energy(radius, tiny, distance)) / tiny**2
        wanted = float(solved.sol(distance)[0])
        tell(
            f"potential of a sphere at {distance} radii, k a = {screening:g}", wanted, found,
            source="linear equation, solved", when=screening == 2.0 and distance == 1.3,
        )  # fmt: skip
        assert found == pytest.approx(wanted, rel=1e-3)


def test_force_is_minus_the_slope():
    law = ElectrostaticLaw(13.0, 5.0)
    for r in (0.95, 1.1, 2.0, 3.0):
        ahead, behind = (float(law.energy(0.5, 0.6, r + way)) for way in (1e-6, -1e-6))
        found = float(law.force(0.5, 0.6, r))
        assert found == pytest.approx(-(ahead - behind) / 2e-6, rel=1e-8)


def test_charges_raise_the_barrier_by_their_own_energy():
    # With a weak layer and charges the barrier's top is core contact: it rises by the difference
    # of the charges' energy between there and the minimum.
    bare, charged = bench_film(), charged_film(charge=0.02, length=2.0)
    first = head_to_tail(bare, 20 * NM, 20 * NM, points=20001)
    second = head_to_tail(charged, 20 * NM, 20 * NM, points=20001)
    energy = ElectrostaticLaw.pair_energy(charged, 20 * NM, 20 * NM, second.distance_m)
    at_minimum = np.interp(second.minimum_distance_m, second.distance_m, energy)
    moved = np.interp(second.minimum_distance_m, first.distance_m, first.total_kt)
    wanted = first.barrier_kt + energy[0] - at_minimum - (moved - first.minimum_kt)
    assert second.barrier_kt == pytest.approx(wanted, rel=1e-4)


def test_range_is_where_a_thousandth_of_kt_is_left():
    law = ElectrostaticLaw(13.0, 5.0)
    reach = law.reach(0.5)
    assert float(law.energy(0.5, 0.5, reach)) == pytest.approx(1e-3, rel=1e-6)
