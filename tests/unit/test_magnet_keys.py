"""Keys of magnets and of the cell: values, sentences, notices, and the field that they make."""

import math
import sys

import numpy as np
import pytest

pytest.importorskip("magpylib", reason="fields of magnets need magpylib")

from sim.command_line import main
from sim.magnets.shapes import CurrentLoop, Sphere, UniformField
from sim.outlook.text.magnets import field_variation
from sim.parameters import ParameterError, from_text
from sim.parameters.magnet_checks import field_of_magnets
from tests.reference.small_film import SMALLEST_FILM as FILM

SPHERE = """
[[magnets]]
kind = "sphere"
diameter = "10 mm"
remanence = "1.2 T"
position = ["0 mm", "0 mm", "-15 mm"]
"""


def problems_of(text):
    with pytest.raises(ParameterError) as caught:
        from_text(text, "film.toml")
    return caught.value.problems


def test_field_and_gradient_at_the_place_drive_the_run():
    """On the axis 2/3 J (R/z)^3 and -3 B/z along it, half of that with the other sign across."""
    found = from_text(FILM + SPHERE)
    assert found.magnets == (
        Sphere((0.0, 0.0, -15e-3), polarisation=(0.0, 0.0, 1.2), diameter=10e-3),
    )
    field = 2.0 / 3.0 * 1.2 / 27.0
    (step,) = found.field.steps
    assert (step.kind, step.duration) == ("hold", math.inf)
    assert step.vector == pytest.approx((0.0, 0.0, field), abs=1e-15)
    along = -3.0 * field / 15e-3
    expected = (-along / 2, -along / 2, along, 0.0, 0.0, 0.0)
    assert found.field.gradient == pytest.approx(expected, rel=1e-7, abs=1e-7)
    assert found.notices == ()


def test_the_place_moves_the_patch():
    """Equator of a dipole: half of the field on the axis, against the moment."""
    turned = SPHERE.replace('"-15 mm"', '"-15 mm"') + "direction = [1, 0, 0]\n"
    at = from_text(FILM + turned + '[cell]\nplace = ["0 mm", "0 mm"]\n')
    assert at.field.steps[0].vector[0] == pytest.approx(-1.2 / 3.0 / 27.0, rel=1e-12)
    beside = from_text(FILM + SPHERE + '[cell]\nplace = ["5 mm", "0 mm"]\n')
    assert beside.cell.place == (5e-3, 0.0)
    assert beside.field.steps[0].vector[0] > 0.0


def test_arrays_of_magnets():
    ring = SPHERE + 'repeat = "ring"\ncopies = 4\nring_diameter = "30 mm"\n'
    places = [magnet.position for magnet in from_text(FILM + ring).magnets]
    assert np.allclose(
        places,
        [[15e-3, 0, -15e-3], [0, 15e-3, -15e-3], [-15e-3, 0, -15e-3], [0, -15e-3, -15e-3]],
    )
    grid = SPHERE + 'repeat = "grid"\ncopies = 2\nrows = 3\nstep = ["12 mm", "14 mm", "0 mm"]\n'
    places = np.array([magnet.position for magnet in from_text(FILM + grid).magnets])
    assert sorted(set(places[:, 0].round(6))) == [-6e-3, 6e-3]
    assert sorted(set(places[:, 1].round(6))) == [-14e-3, 0.0, 14e-3]


def test_coils():
    text = '[[magnets]]\nkind = "uniform"\nstrength = "30 mT"\ndirection = [0, 1, 0]\n'
    text += '[[magnets]]\nkind = "loop"\ndiameter = "40 mm"\ncurrent = "20 A"\n'
    found = from_text(FILM + text)
    assert [type(magnet) for magnet in found.magnets] == [UniformField, CurrentLoop]
    centre = 4e-7 * math.pi * 20.0 / 40e-3  # mu0 I/(2 R), handbooks
    assert found.field.steps[0].vector == pytest.approx((0.0, 30e-3, centre), rel=1e-8, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (SPHERE.replace("-15 mm", "-4 mm"), "position must leave the film outside the magnet"),
        (SPHERE.replace("1.2 T", "0 T"), "number 1 remanence must be a magnetic field from"),
        (SPHERE + '[cell]\nplace = ["11 mm", "0 mm"]\n', "[cell] place must lie on the cell"),
        (SPHERE + '[field]\nstrength = "1 mT"\n', "[field] must be left out beside [[magnets]]"),
        (SPHERE.replace('diameter = "10 mm"', ""), "number 1 diameter is missing; kind"),
        (SPHERE.replace("sphere", "cone"), "number 1 kind must be "),
        ("magnets = 3\n", "magnets must be a list of at most 1000 tables"),
        (
            SPHERE + 'repeat = "grid"\ncopies = 40\nrows = 30\nstep = ["12 mm", "12 mm", "0 mm"]\n',
            "[[magnets]] must be at most 1000 single magnets in all; copies and rows make 1200 of "
            "them, number 1 alone 1200.",
        ),
    ],
)
def test_mistakes(text, sentence):
    problems = problems_of(text + FILM if text.startswith("magnets") else FILM + text)
    assert len(problems) == 1, problems
    assert sentence in problems[0]


def test_a_ring_must_have_a_hole_smaller_than_itself():
    ring = '[[magnets]]\nkind = "ring"\ndiameter = "9 mm"\ninner_diameter = "9 mm"\n'
    ring += 'height = "3 mm"\nremanence = "1 T"\nposition = ["0 mm", "0 mm", "-9 mm"]\n'
    (problem,) = problems_of(FILM + ring)
    assert "inner_diameter must be below the diameter of 9 mm; received 9 mm." in problem


def test_what_a_kind_needs_is_told_beside_mistaken_keys():
    disc = '[[magnets]]\nkind = "disc"\ndiameter = "9 mm"\nremanence = "1 T"\nturn = 3\n'
    mistaken, missing = problems_of(FILM + disc)
    assert "[[magnets]] number 1 turn must be an angle" in mistaken
    assert '[[magnets]] number 1 height is missing; kind = "disc" needs it, and it' in missing


def test_overlapping_magnets_and_unused_keys_give_notices():
    overlap = SPHERE + SPHERE.replace('"0 mm", "0 mm"', '"8 mm", "0 mm"')
    assert "number 1 and 2 overlap" in from_text(FILM + overlap).notices[0]
    touching = SPHERE + SPHERE.replace('"0 mm", "0 mm"', '"10 mm", "0 mm"')
    assert from_text(FILM + touching).notices == ()
    (notice,) = from_text(FILM + SPHERE + 'height = "2 mm"\n').notices
    assert notice == '[[magnets]] number 1 height is not used with kind = "sphere".'
    (notice,) = from_text(FILM + SPHERE + "permeability = 500\n").notices
    assert notice == '[[magnets]] number 1 permeability is not used with kind = "sphere".'
    (notice, _) = from_text(FILM + '[cell]\nwidth = "9 mm"\n').notices
    assert notice == "[cell] is not used without [[magnets]]."


def test_a_missing_library_is_told(monkeypatch):
    field_of_magnets.cache_clear()
    monkeypatch.setitem(sys.modules, "magpylib", None)
    (problem,) = problems_of(FILM + SPHERE)
    assert "need the package magpylib" in problem


def test_exit_code_of_bad_magnets(tmp_path, capsys):
    path = tmp_path / "film.toml"
    path.write_text(FILM + SPHERE.replace("-15 mm", "-4 mm"))
    assert main(["check", str(path)]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_variation_over_the_patch_follows_the_gradient():
    """To first order the field differs by the gradient times half of the sides."""
    found = from_text(FILM + SPHERE)
    side = 20e-6
    varied = field_variation(found, (side, side))
    g = np.abs(found.field.gradient[0])
    corner = g * math.hypot(side / 2, side / 2) / found.field.largest
    assert varied.field == pytest.approx(corner, rel=0.05)
    assert varied.turn_deg == pytest.approx(math.degrees(corner), rel=0.05)
