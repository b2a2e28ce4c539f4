"""The remanence from the energy product of a grade, against data sheets."""

import pytest

pytest.importorskip("magpylib", reason="fields of magnets need magpylib")

from sim.magnets.grade import remanence_of
from sim.parameters import ParameterError, from_text
from sim.physics.units import UnitError, parse
from tests.reference.small_film import SMALLEST_FILM as FILM
from tests.unit.test_magnet_keys import SPHERE

SHEETS = {
    "N35": ((33, 36), (263, 287), (1.17, 1.22)),
    "N38": ((36, 39), (287, 310), (1.22, 1.25)),
    "N40": ((38, 41), (302, 326), (1.25, 1.28)),
    "N42": ((40, 43), (318, 342), (1.28, 1.32)),
    "N45": ((43, 46), (342, 366), (1.32, 1.37)),
    "N48": ((45, 49), (358, 390), (1.37, 1.42)),
    "N50": ((47, 51), (374, 406), (1.39, 1.44)),
    "N52": ((49, 53), (390, 422), (1.42, 1.46)),
}
"""Least and most (BH)max in MGOe and kJ/m^3, and remanence in T, of sintered neodymium magnets.

From a data sheet of a supplier that gives a recoil permeability of 1.05 (looked up in 2026). The
names of grades are those of the trade: the number is about (BH)max in MGOe.
"""


@pytest.mark.parametrize("grade", SHEETS)
def test_remanence_of_grades_is_that_of_their_data_sheets(grade):
    """A real curve bends a little, so that the straight line asks for up to 3 % more remanence."""
    products, joules, remanences = SHEETS[grade]
    for product, energy, remanence in zip(products, joules, remanences, strict=True):
        assert parse(f"{product} MGOe", "energy_product") == pytest.approx(1e3 * energy, rel=0.01)
        assert remanence_of(1e3 * energy) == pytest.approx(remanence, rel=0.03)


def test_the_number_of_a_grade_gives_its_remanence():
    """Tables of N42 give 1.28 T to 1.34 T (handbooks of suppliers, from memory)."""
    assert 1.28 < remanence_of(parse("42 MGOe", "energy_product")) < 1.34


def test_hard_ferrite():
    """Y30 with 26 to 30 kJ/m^3 has 0.37 to 0.40 T (from memory)."""
    assert 0.37 < remanence_of(28e3) < 0.40


def test_megagauss_oersted():
    """100/(4 pi) kJ/m^3 (handbooks)."""
    assert parse("1 MGOe", "energy_product") == pytest.approx(7957.747, rel=1e-6)
    for wrong in ("42", "42 T", "42 N"):
        with pytest.raises(UnitError, match="with its unit such as"):
            parse(wrong, "energy_product")


GRADED = SPHERE.replace('remanence = "1.2 T"', 'energy_product = "42 MGOe"')


def test_a_magnet_of_a_grade():
    found = from_text(FILM + GRADED)
    assert found.magnets[0].polarisation == pytest.approx((0.0, 0.0, 1.3281), abs=1e-4)
    (notice,) = found.notices
    assert notice == (
        "[[magnets]] number 1 energy_product is taken as a remanence of 1.328 T, that of a "
        "straight demagnetisation curve with a recoil permeability of 1.05."
    )
    same = from_text(FILM + GRADED.replace("42 MGOe", "334.2254 kJ/m^3"))
    assert same.magnets[0].polarisation == pytest.approx(found.magnets[0].polarisation, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (GRADED + 'remanence = "1.2 T"\n', "number 1 energy_product must be left out beside "
         "remanence, which follows from it; received 334.2 kJ/m^3."),
        (SPHERE.replace('remanence = "1.2 T"', ""), "number 1 remanence or energy_product is "
         'missing; kind = "sphere" needs it, such as "1.2 T".'),
        (GRADED.replace("42 MGOe", "42 T"), "number 1 energy_product must be an energy product"),
        (GRADED.replace("42 MGOe", "0 MGOe"), "number 1 energy_product must be an energy product"),
        (GRADED.replace("42 MGOe", "420 MGOe"), "number 1 energy_product must be an energy prod"),
    ],
)  # fmt: skip
def test_mistakes(text, sentence):
    with pytest.raises(ParameterError) as caught:
        from_text(FILM + text)
    (problem,) = caught.value.problems
    assert sentence in problem


def test_a_coil_has_no_grade():
    loop = '[[magnets]]\nkind = "loop"\ndiameter = "40 mm"\ncurrent = "20 A"\n'
    (notice,) = from_text(FILM + loop + 'energy_product = "42 MGOe"\n').notices
    assert notice == '[[magnets]] number 1 energy_product is not used with kind = "loop".'
