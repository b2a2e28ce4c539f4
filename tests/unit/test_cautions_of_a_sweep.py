"""The cautions of the points of a sweep, told before it runs as `check` tells those of one run."""

import pytest

from sim.command_line import main
from sim.commands.sweep_text import check_content, check_text, doubts
from sim.outlook.expectations import expect
from sim.parameters import from_text
from sim.sweeps.outlook import look_ahead_of_points
from sim.sweeps.table import load_sweep
from tests.reference.small_film import small_film

NARROW, SHORT = "The patch is only", "chain lengths long"


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "film.toml"
    sizes = '[sweep]\n"particles.core_diameter" = ["8 nm", "16 nm", "20 nm", "22 nm"]\n'
    path.write_text(small_film(duration="60 us") + sizes)
    return load_sweep(path, None)


def test_small_patches_of_points_are_told_once_for_all(plan):
    points = look_ahead_of_points(plan)
    for point, one in zip(points, plan.points, strict=True):
        assert point.cautions == expect(one.runs[0].parameters).on_numbers
    told = [text for text in doubts(points) if NARROW in text]
    # Cores of 8 nm make no chains, so that their patch has nothing to show.
    assert not any(NARROW in text for text in points[0].cautions)
    assert len(told) == 2
    assert told[0].startswith("3 of 4 points (2, 3, 4), such as point 2: The patch is only ")
    assert "chain spacings wide across the field" in told[0]
    assert SHORT in told[1]


def test_check_of_a_sweep_has_them_on_screen_and_in_json(plan):
    points = look_ahead_of_points(plan)
    text = " ".join(check_text(plan, points, None).split())
    content = check_content(plan, points, None)
    assert "Cautions 4 of 4" not in text  # all of them are "All points"
    for caution in doubts(points):
        assert " ".join(caution.split()) in text
        assert caution in content["cautions"]
    assert content["points"][1]["cautions"] == points[1].cautions


def test_many_points_are_counted_and_few_are_named(plan):
    point = look_ahead_of_points(plan)[1]
    alike = [type(point)(**{**vars(point), "point": k + 1}) for k in range(12)]
    other = type(point)(**{**vars(point), "point": 13, "cautions": ()})
    (narrow, *_) = [text for text in doubts([*alike, other]) if NARROW in text]
    assert narrow.startswith("12 of 13 points (1, 2, 3, 4, 5, 6, 7, 8 and 4 more): The patch")


def test_a_sweep_whose_step_is_too_long_for_a_point_says_so(tmp_path, capsys):
    path = tmp_path / "film.toml"
    text = small_film().replace("[run]\n", '[run]\ntime_step = "2 ns"\n')
    path.write_text(text + '[sweep]\n"particles.core_diameter" = ["8 nm", "16 nm"]\n')
    assert main(["check", str(path), "--no-timing"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "1 of 2 points (1): [run] time_step of 2 ns is" in told


def test_numbers_that_are_cut_are_told_with_the_others():
    text = small_film().replace('"16 nm"', '"80 nm"').replace('"0.12 um"', '"0.9 um"')
    expected = expect(from_text(text.replace("count = 60", "count = 90")))
    (told,) = (one for one in expected.on_numbers if "cut at 1e+100" in one)
    assert "bond_life_largest_tenth_s" in told
    assert told in expected.cautions


def test_a_field_that_leaves_moments_free_stands_beside_the_numbers():
    weak = expect(from_text(small_film().replace('"20 mT"', '"0 mT"')))
    assert any("which the predicted length leaves out" in one for one in weak.on_numbers)
