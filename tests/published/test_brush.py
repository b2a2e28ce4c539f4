"""The surfactant layer against its published form and values; dipoles head to tail beside it.

Values at 10 nm cores, 2 nm layers, 1 molecule/nm^2, 446 kA/m, 298.15 K. They follow from
R. E. Rosensweig, Ferrohydrodynamics (Cambridge University Press, 1985), section 2.5 (from memory):
U/kT = (pi dc^2 zeta/2) [2 - ((l + 2)/t) ln((1 + t)/(1 + l/2)) - l/t], l = 2 s/dc, t = 2 delta/dc,
at the gap s between the cores, and from U/kT = -2 mu0 m^2/(4 pi r^3 kT).
"""

import math

import numpy as np
import pytest

from sim.interactions import dipolar
from sim.interactions.pairs import steric_radii
from sim.interactions.steric import StericLaw
from tests.reference.bench_film import bench_film

NM = 1e-9
# gap in nm, repulsion in kT, dipoles head to tail in kT: evaluated by hand from the two formulas.
TABLE = [
    (0.2, 44.7653, -2.4968),
    (0.5, 37.6471, -2.2888),
    (1.0, 27.2704, -1.9907),
    (2.0, 11.7960, -1.5333),
    (3.0, 2.8743, -1.2060),
    (3.9, 0.0281, -0.9866),
]


def pushed_apart(film, core_i, core_j, distance):
    """Return the force of the repulsion in kT/m, for core diameters in m."""
    return StericLaw.asked_for(film).force(*steric_radii(film, core_i, core_j), distance)


@pytest.fixture(scope="module")
def film():
    return bench_film(core_diameter='"10 nm"', grafting_density='"1 nm^-2"')


def rosensweig(gap, core, shell, grafting):
    reduced, thickness = 2.0 * gap / core, 2.0 * shell / core
    bracket = (
        2.0
        - (reduced + 2.0) / thickness * math.log((1.0 + thickness) / (1.0 + 0.5 * reduced))
        - reduced / thickness
    )
    return 0.5 * math.pi * core**2 * grafting * bracket


@pytest.mark.parametrize(("gap", "repulsion", "attraction"), TABLE)
def test_tabulated_points(film, gap, repulsion, attraction, tell):
    core, distance = 10 * NM, (10 + gap) * NM
    pushed = StericLaw.pair_energy(film, core, core, distance)
    drawn = dipolar.head_to_tail_energy(film, core, core, distance)
    for name, wanted, found in (
        ("surfactant layers", repulsion, pushed),
        ("dipoles head to tail", attraction, drawn),
    ):
        tell(
            f"{name}, 10 nm cores, {gap:g} nm apart", wanted, found, unit="kT",
            source="Rosensweig 1985, 2.5", when=gap == 1.0,
        )  # fmt: skip
    # half a unit of the last digit printed
    assert pushed == pytest.approx(repulsion, abs=6e-5)
    assert drawn == pytest.approx(attraction, abs=6e-5)


def test_energy_at_core_contact(film):
    # Same formula at s = 0: (pi dc^2 zeta/2) [2 - (2/t) ln(1 + t)] = 49.895 kT.
    assert StericLaw.pair_energy(film, 10 * NM, 10 * NM, 10 * NM) == pytest.approx(49.895, abs=5e-4)


@pytest.mark.parametrize("core", [6.0, 10.0, 20.0])
def test_the_two_forms_agree(film, core):
    for gap in np.linspace(0.01, 3.99, 40):
        expected = rosensweig(gap * NM, core * NM, 2 * NM, 1e18)
        found = StericLaw.pair_energy(film, core * NM, core * NM, (core + gap) * NM)
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_no_repulsion_beyond_contact(film):
    assert StericLaw.pair_energy(film, 10 * NM, 10 * NM, 14.0001 * NM) == 0.0
    assert pushed_apart(film, 10 * NM, 10 * NM, 14.0001 * NM) == 0.0


def test_curvature_of_the_example():
    # pi dc^2 zeta d/(2 delta) at contact, from the force pi dc^2 zeta ln(d/r)/(2 delta) of the same
    # source: 20 nm cores, 2 nm layers, 0.3/nm^2 give 2262 kT/d^2.
    film = bench_film()
    contact, step = 24 * NM, 1e-6 * 24 * NM
    force = float(pushed_apart(film, 20 * NM, 20 * NM, contact - step))
    assert force / step * contact**2 == pytest.approx(2262.0, rel=1e-3)


def test_unequal_cores_follow_derjaguin(film):
    # Derjaguin: the force between spheres at one gap goes as R1 R2/(R1 + R2); in this law the
    # equal pair of cores 2 a b/(a + b) at the same gap stands for the unequal one.
    a, b = 8 * NM, 14 * NM
    equal = 2.0 * a * b / (a + b)
    for gap in (0.5 * NM, 2 * NM, 3.5 * NM):
        unequal_pair = StericLaw.pair_energy(film, a, b, 0.5 * (a + b) + gap)
        equal_pair = StericLaw.pair_energy(film, equal, equal, equal + gap)
        assert unequal_pair == pytest.approx(float(equal_pair), rel=1e-12)
