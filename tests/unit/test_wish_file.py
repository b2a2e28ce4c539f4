"""The file of a wish: what it gives, and one sentence for each mistake."""

import math
from pathlib import Path

import numpy as np
import pytest

from sim.command_line import main
from sim.commands.wish.design import quantities_of, with_sizes
from sim.commands.wish.laws import foretold_films, known_of
from sim.design.quantities import BY_WORD, Scaled
from sim.design.wish import first_films, read_wish
from sim.parameters.toml import ParameterError

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "runs_demo" / "wish"
GOOD = """film = "film.toml"
[wanted]
mean_length = { least = 2 }
field = { most = "40 mT" }
[free]
"field.strength" = { least = "5 mT", most = "60 mT" }
[budget]
runs = 12
"""


@pytest.fixture
def wish(tmp_path):
    """Return what writes a wish beside the film of the demo and gives its path."""
    film = (DEMO / "film.toml").read_text(encoding="utf-8")
    (tmp_path / "film.toml").write_text(film, encoding="utf-8")

    def write(text=GOOD, *changes):
        for before, after in changes:
            assert before in text, before
            text = text.replace(before, after)
        path = tmp_path / "wish.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize("name", ["met", "refused"])
def test_the_wishes_of_the_demo_are_read(name):
    found = read_wish(DEMO / f"{name}.toml")
    assert found.title
    assert found.odds == 0.9
    assert found.box.size == 2


def test_a_wish_gives_bounds_in_si_and_a_box(wish):
    found = read_wish(wish())
    length, field = found.wishes
    assert (length.least, length.most) == (2.0, math.inf)
    assert field.most == pytest.approx(0.04)
    assert field.text == "field at most 40 mT"
    assert found.box.settings([0.0]) == {"field.strength": "5 mT"}
    # a range of more than a factor of three is divided evenly in the logarithm
    middle = found.box.keys[0].number(found.box.settings([0.5])["field.strength"])
    assert middle == pytest.approx(math.sqrt(0.005 * 0.06), rel=1e-3)
    assert found.box.point({"field.strength": "60 mT"}) == pytest.approx([1.0])


@pytest.mark.parametrize("share", [0.0, 1.0, 1 / 3, 0.99999])
def test_settings_are_rounded_inside_the_range(wish, share):
    ends = '{ least = "5.00012 mT", most = "59.99987 mT" }'
    key = read_wish(wish(GOOD, ('{ least = "5 mT", most = "60 mT" }', ends))).box.keys[0]
    assert key.low <= key.number(key.written(key.value(share))) <= key.high


def test_a_phase_is_a_delay_of_its_wavelength(wish):
    text = 'retardance = { least = "90 deg", wavelength = "500 nm" }'
    (one,) = read_wish(
        wish(GOOD, ("mean_length = { least = 2 }\n", ""), ('field = { most = "40 mT" }', text))
    ).wishes
    assert one.least == pytest.approx(125e-9)
    assert one.of.wavelength == pytest.approx(500e-9)


MISTAKES = {
    "minimum above maximum": (
        "mean_length = { least = 2 }", "mean_length = { least = 4, most = 3 }",
        r"\[wanted\] mean_length least must be below most, or no film can meet both; "
        "received 4 and 3",
    ),
    "nothing wanted of it": (
        "mean_length = { least = 2 }", "mean_length = {}",
        "must be a table with least, most or both",
    ),
    "unknown wish": (
        "mean_length", "colour", r"\[wanted\] colour is nothing that can be wanted; known are mean"
    ),
    "no unit": ('"40 mT"', "40", r"\[wanted\] field most must be a magnetic field"),
    "unknown end": (
        "{ least = 2 }", "{ least = 2, mean = 3 }", "mean_length mean is not a known key"
    ),
    "unknown free key": (
        '"field.strength"', '"field.strenght"', "is not a known key; the nearest is field.strength"
    ),
    "free text": ('"field.strength"', '"particles.moment"', "must be a key that holds one number"),
    "free seed": ('"field.strength"', '"run.seed"', r"\[free\] run.seed cannot be free"),
    "range beyond that of the key": (
        'most = "60 mT" }', 'most = "100 T" }',
        r"\[free\] field.strength most must be a magnetic field",
    ),
    "range upside down": (
        'least = "5 mT", most = "60 mT"', 'least = "60 mT", most = "5 mT"',
        r'\[free\] field.strength least must be below most; received "60 mT" and "5 mT"',
    ),
    "half a range": (
        'least = "5 mT", most = "60 mT"', 'least = "5 mT"', "least and most; received least alone"
    ),
    "times of a sampled film": (
        "mean_length = { least = 2 }", 'on_time = { most = "1 ms" }',
        r"\[wanted\] on_time cannot be measured: film.toml samples films at rest",
    ),
    "budget too small": (
        "runs = 12", "runs = 3", r"\[budget\] runs must be at least 6 for 1 free keys",
    ),
    "budget unknown": ("runs = 12", "money = 12", r"\[budget\] money is not a known key"),
    "no film": ('"film.toml"', '"other.toml"', "other.toml"),
    "odds": ("[wanted]", "odds = 1.0\n[wanted]", "odds must be a number from 0.5"),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_in_a_sentence(wish, name, capsys, tmp_path):
    before, after, told = MISTAKES[name]
    path = wish(GOOD, (before, after))
    with pytest.raises(ParameterError, match=told):
        read_wish(path)
    out = tmp_path / "out"
    assert main(["design", str(path), "-o", str(out)]) == 2
    assert capsys.readouterr().err.count("\n") == 2  # the head, and one sentence
    assert not out.exists()


def test_all_mistakes_come_at_once(wish):
    path = wish(GOOD, ("{ least = 2 }", "{ least = 0 }"), ("runs = 12", "runs = 0"))
    with pytest.raises(ParameterError) as told:
        read_wish(path)
    assert len(told.value.problems) == 2


def test_light_that_nobody_knows_is_refused(wish, capsys, tmp_path):
    text = 'retardance = { least = "1 nm", wavelength = "12 um" }'
    path = wish(GOOD, ('field = { most = "40 mT" }', text))
    assert main(["design", str(path), "-o", str(tmp_path / "out")]) == 2
    assert "the index of the cores is not known at 12000 nm" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_folder_with_something_else_is_left_alone(wish, capsys, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("keep me")
    for words in ([], ["--overwrite"], ["--resume"]):
        assert main(["design", str(wish()), "-o", str(out), *words]) == 2
        assert "is not empty and holds no search" in capsys.readouterr().err
    assert (out / "letter.txt").read_text() == "keep me"
    assert len(list(out.iterdir())) == 1


def test_theory_and_what_follows_from_the_film_alone(wish):
    """Twice the fraction brings chains closer by the root of two; the field is that of the file."""
    text = '"particles.volume_fraction" = { least = 0.01, most = 0.04 }'
    asked = read_wish(wish(GOOD, ('"field.strength" = { least = "5 mT", most = "60 mT" }', text)))
    quantities = (Scaled(BY_WORD["spacing"]), Scaled(BY_WORD["field"]))
    (law,) = foretold_films(asked, quantities)
    thin, thick = (law({"particles.volume_fraction": x}) for x in (0.01, 0.02))
    # as far as whole numbers of particles give the fraction
    assert thin[0] / thick[0] == pytest.approx(math.sqrt(2.0), rel=0.01)
    assert thin[1] == pytest.approx(0.02)
    known = known_of(law, quantities)({"particles.volume_fraction": 0.01})
    assert np.isnan(known[0])
    assert known[1] == pytest.approx(0.02)


def test_all_that_runs_measure_is_modelled_and_no_times_of_sampled_films(wish):
    words = [one.wanted.word for one in quantities_of(read_wish(wish()))]
    assert words[:2] == ["mean_length", "field"]
    assert {"spacing", "retardance", "transmittance", "life"} < set(words)
    assert not {"on_time", "off_time"} & set(words)


def test_a_delay_that_no_bound_sizes_has_the_band_of_theory(wish):
    """A factor of two each way; that a delay by theory is above zero is as good as sure."""
    text = 'retardance = { least = "0 nm" }'
    asked = with_sizes(read_wish(wish(GOOD, ('field = { most = "40 mT" }', text))))
    wished = asked.wishes[1]
    (law,) = foretold_films(asked, [wished.of])
    value = law({"field.strength": "20 mT"})[0]
    middle, wide = float(wished.of.scaled(value)), math.log(2.0)
    ends = wished.of.in_si([middle - wide, middle + wide])
    assert ends == pytest.approx([0.5 * value, 2.0 * value], rel=0.1)
    assert wished.ends == (0.0, math.inf)
    drawn = {one.wanted.word: one for one in quantities_of(read_wish(wish()))}["retardance"]
    assert drawn.unit_value == pytest.approx(value / 3.0, rel=0.01)


@pytest.mark.parametrize("word", BY_WORD)
def test_scales_go_there_and_back(word):
    one = Scaled(BY_WORD[word], unit_value=1e-9)
    value = {"transmittance": 0.7, "mean_length": 3.0}.get(word, 2e-9)
    assert float(one.in_si(one.scaled(value))) == pytest.approx(value)
    little = 1e-4 * value
    moved = abs(float(one.scaled(value + little) - one.scaled(value)))
    assert one.scaled_error(value, little) == pytest.approx(moved, rel=1e-3)


def test_more_keys_need_more_first_films():
    assert [first_films(keys) for keys in (1, 2, 4)] == [4, 6, 10]
