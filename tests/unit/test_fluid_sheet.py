"""The sheet of a bottle: units of the trade, curves, and sheets that cannot be."""

import math
import re

import pytest

from sim.fluid.chantrell import ends_of_curve
from sim.fluid.contradictions import contradictions, key_of
from sim.fluid.findings import find
from sim.fluid.model import Model
from sim.fluid.sheet import read_sheet
from sim.fluid.sheet_tables import SHEET_TABLES
from sim.parameters.keys import keys_of
from sim.parameters.toml import ParameterError

CURVE = "H (Oe), M (emu/cm^3)\n" + "\n".join(
    # rises to saturation as 12 (1 - 300/H)
    f"{h}, {12 * (1 - math.exp(-h / 300)) * (1 - 60 / (h + 300)):.5g}"
    for h in (-10000, -5000, 50, 100, 200, 400, 1000, 2000, 4000, 6000, 8000, 10000)
    if h > 0
)


def written(tmp_path, text, **files):
    for name, content in files.items():
        (tmp_path / f"{name}.csv").write_text(content, encoding="utf-8")
    path = tmp_path / "bottle.toml"
    path.write_text(text, encoding="utf-8")
    return path


def fluid(**keys):
    return "[fluid]\n" + "\n".join(f"{key} = {value!r}" for key, value in keys.items()) + "\n"


@pytest.mark.parametrize(
    ("key", "text", "value"),
    [
        # 4 pi M in gauss: 1 G is 1e-4 T/mu0; 1 emu/cm^3 is 1 kA/m; chi is 4 pi that of cgs
        ("saturation", "400 G", 0.04 / (4e-7 * math.pi)),
        ("saturation", "40 mT", 0.04 / (4e-7 * math.pi)),
        ("saturation", "32 emu/cm^3", 32e3),
        ("saturation", "32 kA/m", 32e3),
        ("saturation", "30 emu/g", 30.0 * 1200.0),
        ("susceptibility", "0.1 emu/(cm^3 Oe)", 0.4 * math.pi),
        ("susceptibility", 1.2, 1.2),
        ("density", "1.2 g/cm^3", 1200.0),
        ("viscosity", "6 cP", 6e-3),
    ],
)
def test_units_of_the_trade(tmp_path, key, text, value):
    keys = {"density": "1.2 g/cm^3", key: text}
    found = read_sheet(written(tmp_path, fluid(**keys))).numbers[key]
    assert found.value == pytest.approx(value)
    assert found.is_assumed


def test_errors_as_shares_and_as_quantities(tmp_path):
    text = fluid(saturation="20 mT ± 1 mT", susceptibility="0.9 +- 5 %", density="1.2 g/cm^3")
    sheet = read_sheet(written(tmp_path, text))
    saturation, susceptibility, density = sheet.numbers.values()
    assert saturation.error == pytest.approx(saturation.value / 20)
    assert susceptibility.error == pytest.approx(0.045)
    assert not susceptibility.is_assumed
    assert density.is_assumed
    assert len(sheet.assumptions) == 1


def test_a_curve_in_units_of_the_trade(tmp_path):
    text = '[curve]\nfile = "c.csv"\nerror = 0.02\ndemagnetising_factor = 0.5\n'
    rows = "# loop\nH (Oe), M (emu/cm^3)\n-1000, -10\n0, 0.1\n1000, 10\n2000, 11\n3000, 12\n"
    curve = read_sheet(written(tmp_path, text, c=rows)).curve
    applied = 1000 * 1e3 / (4 * math.pi)  # 1 Oe is 1000/(4 pi) A/m
    assert curve.field[:2] == pytest.approx([applied - 5e3] * 2)  # both directions, N M taken off
    assert curve.magnetisation == pytest.approx([10e3, 10e3, 11e3, 12e3])
    assert curve.error == pytest.approx(240.0)


def test_long_curves_are_averaged(tmp_path):
    rows = "H (kA/m), M (kA/m), error (A/m)\n" + "\n".join(f"{k}, {k}, 60" for k in range(1, 241))
    curve = read_sheet(written(tmp_path, '[curve]\nfile = "c.csv"\n', c=rows)).curve
    assert curve.averaged == 4
    assert curve.field.size == 60
    assert curve.error == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (fluid(saturation="20 cP"), "cP is a unit of viscosity"),
        (fluid(saturation="900 kA/m"), "saturation must be .* from 10 A/m to 500 kA/m"),
        (fluid(saturation="20 mT +- 1 nm"), "whose error is .*nm"),
        (fluid(saturation="20 mT +- 0 %"), "error is not above 0 and at most 500 kA/m"),
        (fluid(saturation="20 mT +- 1e9 %"), "error is not above 0 and at most 500 kA/m"),
        (fluid(saturation="-5 emu/g", density="1 g/cm^3"), "not from 0.001 .* to 300 A m"),
        (fluid(saturation="1e30 emu/g", density="1 g/cm^3"), "not from 0.001 .* to 300 A m"),
        (fluid(saturation="15 emu/g"), r"\[fluid\] density is missing"),
        (fluid(viscosity="3 cP"), "must say how much is in the bottle"),
        (fluid(saturatoin="20 mT", density="1 g/cm^3"), "the nearest is saturation"),
        (fluid(saturation="20 mT", anisotropy="1 kJ/m^3"), r"it belongs in \[core\]"),
        ("[fluids]\n" + fluid(saturation="20 mT"), "fluids.* is not a known table of a sheet"),
        (fluid(saturation="20 mT") + '[core]\nmaterial = "custom"', "magnetisation is missing"),
        ('[curve]\nfile = "none.csv"', "must be a file beside the sheet"),
        ("[curve]\n", r"\[curve\] file is missing"),
    ],
)
def test_mistakes_are_told_in_a_sentence(tmp_path, text, told):
    with pytest.raises(ParameterError, match=told):
        read_sheet(written(tmp_path, text))


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ("a, b\n1, 2", "must begin with a header"),
        ("H (Oe), M (emu/cm^3)\n1, x\n", "must hold 2 numbers in row 1"),
        ("H (cP), M (emu/cm^3)\n1, 1\n", "cP is a unit of viscosity"),
        ("H (Oe), M (emu/g)\n1, 1\n2, 2\n3, 3\n4, 4\n", "needs .*density"),
        ("H (Oe), M (emu/cm^3)\n1, 1\n2, 2\n", "at least 4 points .*; received 2 from"),
        ("H (Oe), M (emu/cm^3)\n1, 1\n1e30, 2\n", "mu0 H of at most 100 T; received 1e.26 T"),
        ("H (Oe), M (emu/cm^3)\n1, 1\n2, 2000\n", "M of at most 500 kA/m; received 2e.03 kA/m"),
        ("H (Oe), M (emu/cm^3)\n1, -1\n2, -2\n3, -3\n4, -4\n", "must rise with the field"),
    ],
)
def test_curves_that_are_none(tmp_path, rows, told):
    with pytest.raises(ParameterError, match=told):
        read_sheet(written(tmp_path, '[curve]\nfile = "c.csv"', c=rows))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        # a susceptibility of 5 at 1 kA/m needs cores of more than 60 nm: no single domains
        (
            fluid(saturation="0.3 kA/m +- 2 %", susceptibility="5 +- 2 %"),
            "saturation must be higher",
        ),
        (
            fluid(saturation="100 kA/m +- 2 %", susceptibility="0.001 +- 5 %"),
            "must be higher for a sat",
        ),
        (fluid(density="750 kg/m^3 +- 1 %"), "density must be above that of the carrier"),
        (
            fluid(saturation="40 kA/m +- 2 %", density="900 kg/m^3 +- 0.5 %"),
            "dead layer would be negative",
        ),
        (
            fluid(saturation="9 kA/m", viscosity="1 cP +- 2 %"),
            "viscosity must be above that of the",
        ),
        (
            fluid(saturation="60 kA/m +- 2 %", viscosity="1.6 cP +- 1 %"),
            "shell would be negative",
        ),
    ],
)
def test_sheets_that_contradict_themselves(tmp_path, text, told):
    (sentence,) = contradictions(read_sheet(written(tmp_path, text)))
    assert told in sentence


def test_a_curve_that_passes_or_never_reaches_saturation(tmp_path):
    stated = fluid(saturation="8 kA/m +- 1 %") + '[curve]\nfile = "c.csv"'
    (sentence,) = contradictions(read_sheet(written(tmp_path, stated, c=CURVE)))
    assert "saturation must be at least" in sentence
    straight = "H (Oe), M (emu/cm^3)\n" + "\n".join(f"{k}, {0.01 * k}" for k in range(10, 200, 10))
    alone = written(tmp_path, '[curve]\nfile = "c.csv"', c=straight)
    (sentence,) = contradictions(read_sheet(alone))
    assert "must rise to saturation" in sentence
    assert not list(contradictions(read_sheet(written(
        tmp_path, fluid(saturation="8 kA/m") + '[curve]\nfile = "c.csv"', c=straight
    ))))  # fmt: skip
    good = written(tmp_path, '[curve]\nfile = "c.csv"', c=CURVE)
    assert not list(contradictions(read_sheet(good)))


def test_a_curve_that_falls_by_more_than_its_errors(tmp_path):
    text = fluid(saturation="12 kA/m") + '[curve]\nfile = "c.csv"\nerror = 0.02'
    fallen = written(tmp_path, text, c=CURVE + "\n12000, 5\n")
    (sentence,) = contradictions(read_sheet(fallen))
    assert "must hold an M that rises with H; received 11.9 kA/m" in sentence
    assert "and 5 kA/m at H = 955 kA/m" in sentence  # 12 kOe, 1 Oe is 1000/(4 pi) A/m
    noisy = written(tmp_path, text, c=CURVE + "\n12000, 11\n")
    assert not list(contradictions(read_sheet(noisy)))


def test_a_file_that_is_no_sheet_is_called_one(tmp_path):
    (tmp_path / "empty.toml").write_text("", encoding="utf-8")
    for place, told in (
        (tmp_path / "none.toml", "does not exist; it must be the sheet of a bottle"),
        (tmp_path / "empty.toml", "is empty; it must be the sheet of a bottle"),
        (tmp_path, "is a folder, the sheet of a bottle is needed"),
    ):
        with pytest.raises(ParameterError, match=told):
            read_sheet(place)


def test_a_curve_of_nothing_and_a_level_one(tmp_path):
    zeros = "frequency (kHz), chi_real, chi_loss\n" + "\n".join(f"{k}, 0, 0" for k in range(1, 8))
    with pytest.raises(ParameterError, match="must hold values other than 0"):
        read_sheet(written(tmp_path, '[spectrum]\nfile = "c.csv"', c=zeros))
    level = "H (Oe), M (emu/cm^3)\n" + "\n".join(f"{100 * k}, 5" for k in range(1, 12))
    curve = read_sheet(written(tmp_path, '[curve]\nfile = "c.csv"', c=level)).curve
    ends = ends_of_curve(curve.field, curve.magnetisation, curve.error)
    assert ends.susceptibility == 0.0  # saturated from the first point on: nothing is known of it


def test_numbers_that_no_possible_fluid_shows_are_named(tmp_path):
    text = fluid(saturation="9 kA/m +- 1 %", density="1.4 g/cm^3 +- 0.1 %")
    text += '[core]\ncore_diameter = "20 nm +- 0.1 nm"\ndead_layer = "0.1 nm +- 0.01 nm"\n'
    with pytest.raises(ParameterError, match="must agree with the rest of the sheet") as told:
        find(read_sheet(written(tmp_path, text)), "bottle.toml", 1, count=100)
    keys = [problem.split(" must ")[0] for problem in told.value.problems]
    assert keys == ["[fluid] saturation", "[fluid] density", "[core] core_diameter",
                    "[core] dead_layer"]  # fmt: skip


def test_all_numbers_that_fluids_show_are_told_by_a_key_of_the_sheet(tmp_path):
    """Each with an error, so that each is a number which a fluid may miss."""
    text = fluid(saturation="30 mT", susceptibility="1", density="1.2 g/cm^3", viscosity="4 cP")
    text += """[core]
magnetisation = "446 kA/m +- 2 %"
density = "5.18 g/cm^3 +- 1 %"
core_diameter = "10 nm"
size_spread = "0.3 +- 0.05"
dead_layer = "0.8 nm"
[surfactant]
thickness = "2 nm"
[carrier]
viscosity = "1.5 cP +- 3 %"
density = "0.8 g/cm^3 +- 1 %"
"""
    model = Model(read_sheet(written(tmp_path, text)))
    assert len(model.data) == 12
    for name in model.data:
        table, key = re.fullmatch(r"\[(\w+)\] (\w+)", key_of(name)).groups()
        assert key in keys_of(SHEET_TABLES[table])
        assert f"{key} = " in text.partition(f"[{table}]")[2].partition("\n[")[0]
