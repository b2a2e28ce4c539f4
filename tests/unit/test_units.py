"""Reading and writing of quantities, and the reduced units."""

import math
import subprocess
import sys

import pytest

from sim.physics import material
from sim.physics.units import (
    BOLTZMANN,
    DIMENSIONS,
    MU0,
    ReducedUnits,
    UnitError,
    format_quantity,
    parse,
)


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("12 nm", "length", 12e-9),
        ("12nm", "length", 12e-9),
        (" +1.2e1 nm ", "length", 12e-9),
        (".4 um", "length", 4e-7),
        ("0.4 \N{MICRO SIGN}m", "length", 4e-7),
        ("0.4 \N{GREEK SMALL LETTER MU}m", "length", 4e-7),
        ("5 \N{ANGSTROM SIGN}", "length", 5e-10),
        ("0.2 ms", "time", 2e-4),
        ("2 min", "time", 120.0),
        ("3 days", "time", 259_200.0),
        ("1 week", "time", 604_800.0),
        ("25 mT", "field", 25e-3),
        ("250 G", "field", 25e-3),
        ("100 Oe", "field", 10e-3),
        ("1.5 mPa s", "viscosity", 1.5e-3),
        ("1.5 mPa\N{MIDDLE DOT}s", "viscosity", 1.5e-3),
        ("1.5 cP", "viscosity", 1.5e-3),
        ("0.01 P", "viscosity", 1e-3),
        ("25 degC", "temperature", 298.15),
        ("-10 \N{DEGREE SIGN}C", "temperature", 263.15),
        ("300 K", "temperature", 300.0),
        ("0.3 nm^-2", "area_density", 3e17),
        ("0.3 nm\N{SUPERSCRIPT MINUS}\N{SUPERSCRIPT TWO}", "area_density", 3e17),
        ("0.3 1/nm^2", "area_density", 3e17),
        ("446 kA/m", "magnetisation", 446e3),
        ("446 emu/cm3", "magnetisation", 446e3),
        ("11 kJ/m3", "energy_density", 11e3),
        ("1e5 erg/cm^3", "energy_density", 1e4),
        ("5.18 g/cm^3", "density", 5180.0),
        ("2 kT", "energy", 2.0),
        ("3 %", "number", 0.03),
        ("2e-18 A m^2", "moment", 2e-18),
    ],
)
def test_texts_read_as_the_nearest_float(text, dimension, value):
    assert parse(text, dimension) == value


def test_field_in_ampere_per_metre_becomes_flux_density():
    # B = mu0 H in the non-magnetic surroundings.
    assert parse("20 kA/m", "field") == pytest.approx(MU0 * 20e3, rel=1e-15)
    # 1 Oe = 1000/(4 pi) A/m by definition of the oersted.
    oersted = parse(f"{1000.0 / (4.0 * math.pi)!r} A/m", "field")
    assert oersted == pytest.approx(parse("1 Oe", "field"), rel=1e-14)


def test_angle_reads_in_radians():
    assert parse("90 deg", "angle") == pytest.approx(math.pi / 2, rel=1e-15)
    assert parse("-0.5 rad", "angle") == -0.5


def test_energy_in_joule_needs_a_temperature():
    assert parse("4.11640e-21 J", "energy", 298.15) == pytest.approx(1.0, rel=1e-5)
    assert parse("25.6926 meV", "energy", 298.15) == pytest.approx(1.0, rel=1e-5)
    with pytest.raises(UnitError, match="needs a temperature"):
        parse("1 J", "energy")


@pytest.mark.parametrize(
    ("value", "dimension", "words"),
    [
        (3, "length", "a number without a unit"),
        (0.4, "length", "a number without a unit"),
        ("3", "length", "a number without a unit"),
        pytest.param(10**5000, "length", "a huge whole number", id="5000 digits"),
        (True, "time", "not a text"),
        (None, "time", "not a text"),
        (["1 nm"], "length", "not a text"),
        ("3 px", "length", '"px" is no unit of length'),
        ("5 kT", "field", "kT is a unit of energy, not of magnetic field"),
        ("25 mT", "length", "mT is a unit of magnetic field, not of length"),
        ("25 C", "temperature", '"C" is no unit of temperature'),
        ("3 NM", "length", "no unit of length"),
        ("1e999 nm", "length", "too large"),
        ("1e99999 nm", "length", "no unit of length"),
        ("nan nm", "length", "not a plain number"),
        ("inf nm", "length", "not a plain number"),
        ("0x10 nm", "length", "no unit"),
        ("9**9**9**9 nm", "length", "no unit"),
        ("1 2 nm", "length", "no unit"),
        ("1,5 nm", "length", "no unit"),
        ("1\n nm", "length", "not a plain number"),
        ("", "length", "not a plain number"),
        pytest.param("1" * 100000 + " nm", "length", "not a plain number", id="long text"),
        ("\N{ARABIC-INDIC DIGIT THREE} nm", "length", "not a plain number"),
    ],
)
def test_wrong_texts_are_refused_with_an_example(value, dimension, words):
    with pytest.raises(UnitError) as caught:
        parse(value, dimension)
    sentence = str(caught.value)
    assert words in sentence
    assert DIMENSIONS[dimension].example in sentence
    assert len(sentence) < 300
    assert caught.value.reason in sentence


@pytest.mark.parametrize(
    ("value", "dimension", "text"),
    [
        (12.34e-9, "length", "12.34 nm"),
        (4e-7, "length", "400 nm"),
        (9.99999e-7, "length", "1 um"),
        (-2e-9, "length", "-2 nm"),
        (0.0, "length", "0 m"),
        (0.03, "field", "30 mT"),
        (1.5e-3, "viscosity", "1.5 mPa s"),
        (300.0, "temperature", "300 K"),
        (3e17, "area_density", "0.3 nm^-2"),
        (math.pi / 6, "angle", "30 deg"),
        (0.03, "number", "0.03"),
    ],
)
def test_quantities_are_written_with_a_handy_unit(value, dimension, text):
    assert format_quantity(value, dimension) == text


@pytest.mark.parametrize("dimension", sorted(DIMENSIONS))
def test_examples_and_written_quantities_read_back(dimension):
    value = parse(DIMENSIONS[dimension].example, dimension)
    assert parse(format_quantity(value, dimension), dimension) == pytest.approx(value, rel=1e-3)


def test_reduced_units_follow_from_their_definitions():
    units = ReducedUnits.of(24e-9, 1.5e-3, 298.15)
    thermal = BOLTZMANN * 298.15
    assert units.length_m == 24e-9
    assert units.energy_j == pytest.approx(thermal, rel=1e-15)
    # time: d^2/D0, the diffusion time; field: energy over moment
    expected = 24e-9**2 / material.diffusion(1.5e-3, 24e-9, 298.15)
    assert units.time_s == pytest.approx(expected, rel=1e-14)
    assert units.field_t * units.moment_am2 == pytest.approx(thermal, rel=1e-14)
    # A median particle has the reduced moment sqrt(lambda): 20 nm magnetite with 2 nm shell.
    moment = material.moment(20e-9, 446e3)
    coupling = material.coupling(moment, 24e-9, 298.15)
    assert (moment / units.moment_am2) ** 2 == pytest.approx(coupling, rel=1e-14)
    # Reduced moment times reduced field is the Langevin parameter.
    reduced = (moment / units.moment_am2) * (0.03 / units.field_t)
    assert reduced == pytest.approx(material.langevin_parameter(moment, 0.03, 298.15), rel=1e-14)


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.nan, math.inf])
def test_reduced_units_refuse_what_is_not_positive(wrong):
    for position, name in enumerate(("diameter_m", "viscosity", "temperature")):
        given = [24e-9, 1.5e-3, 298.15]
        given[position] = wrong
        with pytest.raises(ValueError, match=f"{name} must be a positive finite number"):
            ReducedUnits.of(*given)


def test_units_and_material_stay_light():
    code = (
        "import sys, sim.physics.units, sim.physics.material, sim.parameters;"
        "import sim.commands.template;"
        "heavy = {'scipy', 'numba', 'h5py', 'matplotlib'} & set(sys.modules);"
        "sys.exit(f'imported {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
