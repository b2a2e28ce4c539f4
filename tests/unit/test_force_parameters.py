"""Keys of the added forces, of the gradient and of tabulated sizes: values, sentences, notices."""

import dataclasses
import math

import numpy as np
import pytest

from sim.film import time_step
from sim.film.inner_steps import INNER_FACTOR
from sim.film.particles import draw
from sim.film.reduce import reduce
from sim.interactions.added import AddedPairs
from sim.outlook.expectations import expect
from sim.outlook.pair_potential import size_classes, size_quantile
from sim.parameters import ParameterError, from_text, load

FILM = """
[particles]
core_diameter = "20 nm"
volume_fraction = 0.03
[film]
thickness = "0.4 um"
width = "1 um"
[field]
strength = "30 mT"
[run]
duration = "0.2 ms"
"""
CHARGES = '[electrostatics]\nsurface_charge = "0.02 nm^-2"\n'
ATTRACTION = '[van_der_waals]\nhamaker = "33 zJ"\n'


def with_line(old, new):
    assert FILM.count(old) == 1
    return FILM.replace(old, new)


def with_sizes(table, more=""):
    return with_line('core_diameter = "20 nm"', f"core_diameter = {table}\n{more}")


def problem_of(text):
    with pytest.raises(ParameterError) as caught:
        from_text(text, "film.toml")
    assert len(caught.value.problems) == 1, caught.value.problems
    (problem,) = caught.value.problems
    assert problem.endswith(".")
    return problem


# --- forces ----------------------------------------------------------------------------------


def test_everything_is_off_by_default():
    p = from_text(FILM)
    assert (p.van_der_waals.hamaker, p.electrostatics.surface_charge) == (0.0, 0.0)
    assert (p.gravity.acceleration, p.field.gradient) == (0.0, (0.0,) * 6)
    assert (p.carrier.density, p.particles.shell_density) == (800.0, 900.0)
    assert p.notices == ()
    system = reduce(p, draw(p))
    assert not system.added.acts
    assert system.added_reach == 0.0
    assert not system.has_body_forces


def test_values_in_si_and_reduced():
    p = from_text(FILM + ATTRACTION + CHARGES + 'salt = "10 mM"\n')
    assert p.van_der_waals.hamaker == pytest.approx(33e-21 / (1.380649e-23 * 298.15))
    assert p.van_der_waals.smallest_gap == 0.3e-9
    assert p.electrostatics.surface_charge == 2e16
    assert p.electrostatics.debye_length == pytest.approx(3.04e-9, rel=3e-3)
    system = reduce(p, draw(p))
    attraction, repulsion = system.added.laws
    assert attraction.hamaker == p.van_der_waals.hamaker
    assert attraction.smallest_gap == pytest.approx(0.3 / 24.0)
    assert repulsion.screening == pytest.approx(24e-9 / p.electrostatics.debye_length)
    # The same energy in either unit of length.
    metres, reduced = AddedPairs.asked_for(p), AddedPairs.asked_for(p, 24e-9)
    first = float(metres.energy(12e-9, 12e-9, 25e-9))
    assert float(reduced.energy(0.5, 0.5, 25.0 / 24.0)) == pytest.approx(first, rel=1e-12)


def test_hamaker_constant_in_kt_and_gravity():
    more = '[van_der_waals]\nhamaker = "5 kT"\nsmallest_gap = "0.2 nm"\n[gravity]\n'
    p = from_text(FILM + more + 'acceleration = "9.81 m/s^2"\ndirection = [0, -2, 0]\n')
    assert p.van_der_waals.hamaker == 5.0
    assert (p.gravity.acceleration, p.gravity.direction) == (9.81, (0.0, -1.0, 0.0))
    assert reduce(p, draw(p)).has_body_forces


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (
            '[van_der_waals]\nhamaker = "-33 zJ"\n',
            "[van_der_waals] hamaker must be an energy from 0 to 250 kT such as "
            '"33 zJ"; received "-33 zJ".',
        ),
        ('[van_der_waals]\nhamaker = "1 uJ"\n', "[van_der_waals] hamaker must be an energy"),
        ("[van_der_waals]\nhamaker = 33\n", "received 33, a number without a unit"),
        (
            '[van_der_waals]\nhamaker = "33 zJ"\nsmallest_gap = "0 nm"\n',
            "[van_der_waals] smallest_gap must be a length from 50 pm to 5 nm",
        ),
        (
            '[van_der_waals]\nhammaker = "33 zJ"\n',
            "[van_der_waals] hammaker is not a known key; the nearest is hamaker.",
        ),
        (
            CHARGES,
            '[electrostatics] must give either debye_length such as "5 nm" or salt such as '
            '"1 mM"; received none.',
        ),
        (CHARGES + 'salt = "1 mM"\ndebye_length = "5 nm"\n', "received both."),
        (CHARGES + 'salt = "0 M"\n', "[electrostatics] salt must be a concentration from 0.1 uM"),
        (CHARGES + 'salt = "1 mT"\n', "mT is a unit of magnetic field, not of concentration"),
        (
            CHARGES + 'debye_length = "5 nm"\npermittivity = 0.5\n',
            "[electrostatics] permittivity must be a number from 1 to 200",
        ),
        (
            '[electrostatics]\nsurface_charge = "-1 nm^-2"\n',
            "[electrostatics] surface_charge must be a number per area from 0 to 10 nm^-2",
        ),
        (
            '[gravity]\nacceleration = "-9.81 m/s^2"\n',
            "[gravity] acceleration must be an acceleration from 0 to 1e+07 m/s^2",
        ),
        ('[gravity]\nacceleration = "9.81"\n', "a number without a unit (accepted: m/s^2)"),
        (
            '[gravity]\nacceleration = "1 m/s^2"\ndirection = [0, 0, 0]\n',
            "[gravity] direction must be three numbers (x, y, z) that are not all zero",
        ),
    ],
)
def test_bad_forces(more, sentence):
    assert sentence in problem_of(FILM + more)


def test_patch_must_hold_the_range_of_the_forces():
    problem = problem_of(FILM + CHARGES + 'debye_length = "100 nm"\n')
    assert problem.startswith("[film] width must be at least ")
    assert "over which electrostatic forces act; received 1 um." in problem


def test_a_force_is_a_table():
    assert "[gravity] must be a table of keys; received 9.81." in problem_of(
        "gravity = 9.81" + FILM
    )


@pytest.mark.parametrize(
    ("more", "notice"),
    [
        ('[van_der_waals]\nsmallest_gap = "1 nm"\n', "[van_der_waals] smallest_gap is not used"),
        ('[electrostatics]\nsalt = "1 mM"\n', "[electrostatics] salt is not used: surface_charge"),
        ("[gravity]\ndirection = [0, 1, 0]\n", "[gravity] direction is not used: acceleration is"),
    ],
)
def test_keys_of_a_force_that_is_off(more, notice):
    (found,) = from_text(FILM + more).notices
    assert found.startswith(notice)


# --- gradient --------------------------------------------------------------------------------


def test_gradient_along_an_axis_and_in_full():
    p = from_text(with_line('strength = "30 mT"', 'gradient = "8 T/m"\nstrength = "30 mT"'))
    assert p.field.gradient == pytest.approx((-4.0, -4.0, 8.0, 0.0, 0.0, 0.0))
    rows = (
        '[["1 mT/mm", "2 T/m", "0 T/m"], ["2 T/m", "3 T/m", "5 T/m"], ["0 T/m", "5 T/m", "-4 T/m"]]'
    )
    p = from_text(with_line('strength = "30 mT"', f'gradient = {rows}\nstrength = "30 mT"'))
    assert p.field.gradient == pytest.approx((1.0, 3.0, -4.0, 2.0, 0.0, 5.0))
    system = reduce(p, draw(p))
    # m . grad B of the median particle in newton, either way
    force = (
        system.moment[0] * system.body.gradient[1] * system.units.energy_j / system.units.length_m
    )
    assert force == pytest.approx(draw(p).moment[0] * 3.0)


@pytest.mark.parametrize(
    ("value", "sentence"),
    [
        ('"10"', "a number without a unit (accepted: T/m"),
        ('"10 mT"', "mT is a unit of magnetic field, not of field gradient"),
        ('[["1 T/m"]]', "or three rows of three of them, symmetric and without trace; received"),
        (
            '[["1 T/m", "2 T/m", "0 T/m"], ["0 T/m", "0 T/m", "0 T/m"], '
            '["0 T/m", "0 T/m", "-1 T/m"]]',
            "which is not symmetric: a field without currents",
        ),
        (
            '[["1 T/m", "0 T/m", "0 T/m"], ["0 T/m", "1 T/m", "0 T/m"], '
            '["0 T/m", "0 T/m", "1 T/m"]]',
            "whose diagonal does not add up to zero",
        ),
    ],
)
def test_bad_gradients(value, sentence):
    text = with_line('strength = "30 mT"', f'gradient = {value}\nstrength = "30 mT"')
    problem = problem_of(text)
    assert problem.startswith("[field] gradient must be a field gradient from -1e+06 T/m to 1e+06")
    assert sentence in problem


# --- tabulated sizes -------------------------------------------------------------------------

TABLE = '[["24 nm", 1], ["18 nm", 3], ["20 nm", 6]]'


def test_table_of_sizes():
    p = from_text(with_sizes(TABLE))
    table = np.array(p.particles.size_table)
    assert table == pytest.approx(np.array([(18e-9, 0.3), (20e-9, 0.6), (24e-9, 0.1)]))
    assert p.particles.core_diameter == 20e-9
    assert p.particles.sizes.largest_core == pytest.approx(24e-9)
    cube = 0.3 * 22.0**3 + 0.6 * 24.0**3 + 0.1 * 28.0**3
    assert p.particles.mean_volume == pytest.approx(math.pi / 6.0 * cube * 1e-27)
    logs, shares = np.log([18.0, 20.0, 24.0]), np.array([0.3, 0.6, 0.1])
    spread = math.sqrt(shares @ logs**2 - (shares @ logs) ** 2)
    assert p.particles.size_spread == pytest.approx(spread)
    particles = draw(p)
    sizes, counts = np.unique(particles.core_diameter, return_counts=True)
    assert sizes == pytest.approx([18e-9, 20e-9, 24e-9])
    assert counts / particles.count == pytest.approx(shares, abs=1.0 / particles.count)
    assert particles.volume_fraction == pytest.approx(0.03, rel=2e-3)


def test_shares_by_volume():
    p = from_text(with_sizes(TABLE, 'size_basis = "volume"\n'))
    number = np.array([3.0 / 18.0**3, 6.0 / 20.0**3, 1.0 / 24.0**3])
    assert [share for _, share in p.particles.size_table] == pytest.approx(number / number.sum())


def test_theory_takes_the_table():
    p = from_text(with_sizes(TABLE))
    cores, shares = size_classes(p)
    assert cores == pytest.approx([18e-9, 20e-9, 24e-9])
    assert shares == pytest.approx([0.3, 0.6, 0.1])
    assert size_quantile(p, 0.5) == 20e-9
    assert size_quantile(p, 1.0) == 24e-9
    rows = ", ".join(f'["{14 + 0.1 * k:.1f} nm", 1]' for k in range(100))
    cores, shares = size_classes(from_text(with_sizes(f"[{rows}]")))
    assert cores.size == 9
    assert shares.sum() == pytest.approx(1.0)
    cubes = np.mean((14.0 + 0.1 * np.arange(100)) ** 3)
    assert shares @ (cores * 1e9) ** 3 == pytest.approx(cubes, rel=1e-9)
    assert expect(p).derived["coupling_largest_tenth"] > expect(p).derived["coupling"]


def test_file_of_sizes(tmp_path):
    (tmp_path / "sizes.csv").write_text("# core, share\n18 nm, 3\n20 nm,6\n\n24 nm\n")
    path = tmp_path / "film.toml"
    path.write_text(with_sizes('{ file = "sizes.csv" }'))
    assert load(path).particles == from_text(with_sizes(TABLE)).particles


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ("[]", "[particles] core_diameter must hold pairs of a diameter from 2 nm to 1 um and its"),
        ('[["20 nm", -1]]', 'received ["20 nm", -1] as number 1.'),
        ('[["18 nm", 1], ["1 nm", 1]]', 'received ["1 nm", 1] as number 2.'),
        ('[["18 nm", 1], [20, 1]]', "received [20, 1] as number 2."),
        ('[["18 nm", 0]]', "received shares that are all zero."),
        ('["18 nm", "20 nm"]', 'received "18 nm" as number 1.'),
        ('[["18 nm", nan]]', 'received ["18 nm", nan] as number 1.'),
        (
            '{ file = "none.csv" }',
            "core_diameter names none.csv: the file does not exist; it must be a text with a "
            "diameter and its share a line, such as 18 nm, 0.3.",
        ),
        ('{ name = "sizes.csv" }', "core_diameter must name one file such as"),
    ],
)
def test_bad_tables(table, sentence):
    assert sentence in problem_of(with_sizes(table))


def test_bad_size_files(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(with_sizes('{ file = "sizes.csv" }'))
    for content, sentence in (("18 nm, many\n", '["18 nm", "many"] as number 1'), ("", "0 pairs")):
        (tmp_path / "sizes.csv").write_text(content)
        with pytest.raises(ParameterError, match=r"\[particles\] core_diameter") as caught:
            load(path)
        assert sentence in caught.value.problems[0]


def test_table_and_spread_do_not_go_together():
    problem = problem_of(with_sizes(TABLE, "size_spread = 0.1\n"))
    assert problem == (
        "[particles] size_spread must be left out where core_diameter is a table of sizes; "
        "received 0.1."
    )


# --- step and words --------------------------------------------------------------------------


def test_step_shortens_where_pairs_reach_stiff_forces():
    bare = from_text(FILM)
    weak = from_text(FILM + '[van_der_waals]\nhamaker = "9 zJ"\n')
    strong = from_text(FILM + '[van_der_waals]\nhamaker = "100 zJ"\n')
    first, second, third = (reduce(p, draw(p)) for p in (bare, weak, strong))
    # 9 zJ: 20 kT of barrier, cores never touch, and the step is about that of the layer.
    plain = first.inner_dt / INNER_FACTOR[first.repulsion.kind]
    assert 0.5 * plain < second.dt < 1.3 * plain
    assert second.limit == "the surfactant's stiffness"
    # 100 zJ: cores touch. At the gap s Derjaguin's law has U'' = A R/(6 s^3), in the middle of
    # which (equal spheres: R/2 for R1 R2/(R1 + R2)) k = A R1/(6 s^3) as well.
    assert third.limit == "the stiffness of van der Waals forces"
    law = third.added.laws[0]
    stiffest = law.hamaker * (10.0 / 24.0) / (6.0 * law.smallest_gap**3)
    assert third.dt == pytest.approx(time_step.STIFFNESS_SHARE / stiffest, rel=0.15)


def test_weak_barriers_are_told_with_their_number():
    outlook = expect(from_text(FILM + '[van_der_waals]\nhamaker = "60 zJ"\n'))
    (weak,) = [text for text in outlook.cautions if "too weak" in text]
    number = outlook.derived["barrier_kt"]
    assert number < 10.0
    assert f"{number:.1f} kT for median" in weak
    assert any("not between cores and windows" in text for text in outlook.cautions)
    strong = expect(from_text(FILM))
    assert not [text for text in strong.cautions if "too weak" in text]
    assert any(f"{strong.derived['barrier_kt']:.1f} kT" in text for text in strong.sentences)


def test_soft_cores_stick_too_once_they_attract():
    soft = '[repulsion]\nkind = "soft_core"\n'
    assert expect(from_text(FILM + soft)).derived["barrier_kt"] is None
    assert expect(from_text(FILM + soft + ATTRACTION)).derived["barrier_kt"] < 10.0


def test_parts_add_up_in_the_pair_potential():
    text = FILM + ATTRACTION + CHARGES + 'debye_length = "4 nm"\n'
    for curve in expect(from_text(text)).pair_potential.values():
        names = ("dipole_kt", "steric_kt", "van_der_waals_kt", "electrostatic_kt")
        assert sum(curve[name] for name in names) == pytest.approx(curve["total_kt"])
        assert curve["van_der_waals_kt"].max() < 0.0 < curve["electrostatic_kt"].min()


def test_gravity_and_gradient_in_words():
    text = FILM + '[gravity]\nacceleration = "9.81 m/s^2"\ndirection = [1, 0, 0]\n'
    told = expect(from_text(text))
    # 20 nm cores in 24 nm particles: 4.36e-21 kg more than the liquid, kT/weight = 22.5 mm at most
    mass = math.pi / 6.0 * (4380.0 * 8e-24 + 100.0 * (24.0**3 - 20.0**3) * 1e-27)
    wanted = 1.380649e-23 * 298.15 / (9.81 * mass)
    assert told.derived["gravitational_length_m"] == pytest.approx(wanted, rel=1e-9)
    assert any("no bottom" in caution for caution in told.cautions)
    assert any(sentence.startswith("Gravity: ") for sentence in told.sentences)
    assert expect(from_text(FILM)).derived["gravitational_length_m"] is None
    text = with_line('strength = "30 mT"', 'gradient = "8 T/m"\nstrength = "30 mT"')
    told = expect(from_text(text))
    assert any("no energy function" in caution for caution in told.cautions)
    assert any(sentence.startswith("Gradient: ") for sentence in told.sentences)


def test_strong_charges_leave_the_linear_theory():
    text = FILM + '[electrostatics]\nsurface_charge = "0.3 nm^-2"\ndebye_length = "5 nm"\n'
    assert any(
        "linear theory overstates" in caution for caution in expect(from_text(text)).cautions
    )
    text = text.replace('"0.3 nm^-2"', '"0.01 nm^-2"')
    assert not any("linear theory" in caution for caution in expect(from_text(text)).cautions)


def test_without_moments_nothing_breaks():
    p = from_text(FILM + ATTRACTION)
    weak = dataclasses.replace(p.particles, magnetisation=1e-3)
    assert expect(dataclasses.replace(p, particles=weak)).derived["barrier_kt"] > 0.0
