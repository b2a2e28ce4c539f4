"""The [sweep] table: which points it asks for, and what is told about mistaken ones."""

import dataclasses

import pytest

from sim.parameters import ParameterError, from_text
from sim.sweeps.keys import find_key, known_keys, ramp_rate
from sim.sweeps.table import is_sweep, load_sweep, plan_sweep
from tests.reference.small_film import small_film

RAMP = """
[[field.steps]]
kind = "ramp"
duration = "4 us"
strength = "20 mT"
[[field.steps]]
kind = "hold"
duration = "1 us"
strength = "20 mT"
[[field.steps]]
kind = "ramp"
duration = "4 us"
strength = "0 mT"
"""


def film(sweep, **changes):
    return f"{small_film(**changes)}[sweep]\n{sweep}"


def ramped(sweep):
    text = small_film().replace('strength = "20 mT"\n', "", 1)
    return f"{text}{RAMP}[sweep]\n{sweep}"


def plan(text):
    return plan_sweep(from_text(text, "film.toml"))


def settings(text):
    return [tuple(point.settings.values()) for point in plan(text).points]


def problems(text):
    with pytest.raises(ParameterError) as caught:
        plan(text)
    return caught.value.problems


TWO_KEYS = '"field.strength" = ["5 mT", "10 mT"]\n"film.thickness" = ["0.1 um", "0.2 um"]\n'


def test_lists_are_crossed_and_the_last_key_varies_fastest():
    whole = plan(film(TWO_KEYS + "replicas = 3"))
    assert [tuple(point.settings.values()) for point in whole.points] == [
        ("5 mT", "0.1 um"),
        ("5 mT", "0.2 um"),
        ("10 mT", "0.1 um"),
        ("10 mT", "0.2 um"),
    ]
    assert [key.column for key in whole.keys] == ["field.strength_T", "film.thickness_m"]
    assert whole.points[1].columns == {"field.strength_T": 0.005, "film.thickness_m": 0.2e-6}
    made = whole.points[2].runs[0].parameters
    assert (made.field.largest, made.film.thickness) == (0.01, 0.1e-6)
    assert made.title == "small film: field.strength = 10 mT, film.thickness = 0.1 um"
    assert len(whole.runs) == 12
    assert [run.point for run in whole.runs[:5]] == [1, 2, 3, 4, 1]
    assert len({run.folder for run in whole.runs}) == 12


def test_the_text_of_a_run_is_a_file_that_gives_the_same_run():
    for run in plan(film(TWO_KEYS + "replicas = 2")).runs:
        again = from_text(run.parameters.text, run.parameters.name)
        assert dataclasses.replace(again, name="") == dataclasses.replace(run.parameters, name="")
        assert not again.sweep


def test_every_run_has_its_own_seed_and_more_values_change_none():
    few = plan(film('"field.strength" = ["5 mT", "10 mT"]\nreplicas = 2'))
    more = plan(film('"field.strength" = ["2 mT", "5 mT", "10 mT"]\nreplicas = 3'))
    seeds = {
        (point.name, run.replica): run.parameters.run.seed
        for point in more.points
        for run in point.runs
    }
    assert len(set(seeds.values())) == 9
    for point in few.points:
        for run in point.runs:
            assert run.parameters.run.seed == seeds[point.name, run.replica]
    other = from_text(film('"field.strength" = ["5 mT"]').replace("seed = 7", "seed = 8"), "f")
    assert plan_sweep(other).runs[0].parameters.run.seed not in seeds.values()


def test_keys_can_run_in_step():
    text = TWO_KEYS + '"run.duration" = ["4 us", "4 us"]\n'
    text += 'together = [["film.thickness", "run.duration"]]'
    assert settings(film(text)) == [
        ("5 mT", "0.1 um", "4 us"),
        ("5 mT", "0.2 um", "4 us"),
        ("10 mT", "0.1 um", "4 us"),
        ("10 mT", "0.2 um", "4 us"),
    ]


def test_points_can_be_listed_and_crossed_with_a_list():
    listed = (
        '"field.strength" = ["5 mT", "10 mT"]\n'
        '[[sweep.points]]\n"particles.core_diameter" = "14 nm"\n'
        '"particles.shell_thickness" = "2 nm"\n'
        '[[sweep.points]]\n"particles.core_diameter" = "16 nm"\n'
        '"particles.shell_thickness" = "1 nm"\n'
    )
    assert settings(film(listed)) == [
        ("5 mT", "14 nm", "2 nm"),
        ("5 mT", "16 nm", "1 nm"),
        ("10 mT", "14 nm", "2 nm"),
        ("10 mT", "16 nm", "1 nm"),
    ]


def test_a_key_without_quotes_is_the_same_key():
    assert settings(film('field.strength = ["5 mT", "10 mT"]')) == [("5 mT",), ("10 mT",)]


def test_steps_of_the_field_are_counted_from_0():
    made = plan(ramped('"field.steps.0.strength" = ["5 mT", "10 mT"]')).points
    steps = made[1].runs[0].parameters.field.steps
    assert [step.vector[0] for step in steps] == [0.01, 0.02, 0.0]


def test_a_ramp_rate_sets_the_durations_of_ramps_and_of_the_run():
    made = plan(ramped('"field.ramp_rate" = ["5 mT/us", "10 mT/us"]'))
    fast = made.points[1].runs[0].parameters
    # 20 mT at 10 mT/us up and down, and the microsecond between them
    assert [step.duration for step in fast.field.steps] == pytest.approx([2e-6, 1e-6, 2e-6])
    assert fast.run.duration == pytest.approx(5e-6)
    assert made.points[0].columns == {"field.ramp_rate_T_per_s": 5000.0}


@pytest.mark.parametrize("text", ["0.4 mT/us", "400 T/s", "4 G / us", "4 mT/10us"])
def test_a_ramp_rate_is_one_number_in_all_units(text):
    if "10" in text:  # a rate has a unit below the slash, no time
        with pytest.raises(ValueError, match="must be a ramp rate"):
            ramp_rate(text)
    else:
        assert ramp_rate(text) == 400.0


@pytest.mark.parametrize("value", ["0.4 kT/us", 5, "x/s", "1e-12 T/s", "1e9 T/us"])
def test_what_is_no_ramp_rate_is_refused(value):
    with pytest.raises(ValueError, match=r"must be a ramp rate from 1e-09 to 1e\+12 T/s"):
        ramp_rate(value)


def test_every_key_that_is_known_is_found_and_has_one_column():
    keys = [find_key(path, {}) for path in known_keys({})]
    assert len({key.column for key in keys}) == len(keys) > 20
    assert not any(key.path.startswith(("output", "sweep")) for key in keys)


@pytest.mark.parametrize(
    ("sweep", "said"),
    [
        ('"field.strengh" = ["5 mT"]', "field.strengh is not a known key; the nearest is field.s"),
        ('"strength" = ["5 mT"]', "strength is not a known key; a key is written with its table"),
        ('"run.seed" = [1, 2]', "run.seed cannot be swept: replicas = N makes runs with other"),
        ('"output.frames" = [1, 2]', "output.frames cannot be swept: it changes no film"),
        ('"title" = ["a"]', "title cannot be swept: it names the film"),
        ('"field.ramp_rate" = ["1 T/s"]', "field.ramp_rate cannot be swept: the file has no"),
        ('"field.steps.0.duration" = ["1 us"]', "cannot be swept: the file has no [[field.steps]]"),
        ('"field.strength" = []', "must hold at least one value; received an empty list"),
        ('"field.strength" = "5 mT"', 'must be a list of values; received "5 mT"'),
        ('"field.strength" = ["5 mT", "5 mT"]', 'must hold each value once; received "5 mT" twice'),
        ('"field.strength" = ["5 mT", "50 G"]', "must differ; they are the same film"),
        ('"run.duration" = [2020-01-01]', "must hold texts, numbers or lists of them; received 20"),
        ("replicas = 2", "must name at least one key to vary"),
        (TWO_KEYS + "replicas = 0", "replicas must be a whole number from 1 to 1000; received 0"),
        (TWO_KEYS + "replicas = true", "a whole number from 1 to 1000; received true"),
        (TWO_KEYS + "replicas = 1000\n" + f'"run.duration" = {["1 us", "2 us", "3 us"]}',
         "must ask for at most 10000 runs; received 12000"),
        (TWO_KEYS + "together = 3", "together must be lists of swept keys"),
        (TWO_KEYS + 'together = [["film.thickness", "run.seed"]]', "run.seed is not swept"),
        ('"field.strength" = ["5 mT"]\n"film.thickness" = ["0.1 um", "0.2 um"]\n'
         'together = [["field.strength", "film.thickness"]]',
         "field.strength has 1, film.thickness has 2"),
        (TWO_KEYS + '[[sweep.points]]\n"field.strength" = "2 mT"', "either in a list or in"),
        ('[[sweep.points]]\n"field.strength" = "2 mT"\n[[sweep.points]]\n"film.count" = 70',
         "must all give the same keys, field.strength; number 2 gives film.count"),
        ("points = []", "must hold at least one point"),
        ("points = 3", "must be tables headed [[sweep.points]]"),
    ],
)  # fmt: skip
def test_mistakes_of_the_table(sweep, said):
    (problem,) = problems(film(sweep))
    assert problem.startswith("[sweep] ")
    assert said in problem


@pytest.mark.parametrize(
    ("sweep", "said"),
    [
        ('"field.steps.3.duration" = ["1 us"]', "N from 0, the first step, to 2, the last one"),
        ('"field.steps.0.colour" = ["1 us"]', "one of kind, duration"),
        ('"field.ramp_rate" = ["5 mT"]', 'must be a ramp rate from 1e-09 to 1e+12 T/s such as "5'),
        ('"field.ramp_rate" = ["1 mT/us"]\n"field.steps.2.duration" = ["1 us"]',
         "field.steps.2.duration cannot be swept with field.ramp_rate, which sets it"),
    ],
)  # fmt: skip
def test_mistakes_about_ramps(sweep, said):
    (problem,) = problems(ramped(sweep))
    assert said in problem


def test_a_ramp_rate_goes_with_the_duration_of_a_hold():
    made = plan(ramped('"field.ramp_rate" = ["5 mT/us"]\n"field.steps.1.duration" = ["7 us"]'))
    assert made.points[0].runs[0].parameters.run.duration == pytest.approx(15e-6)


def test_all_invalid_points_are_named_at_once():
    text = film(
        '"field.strength" = ["5 mT", "5 kg", "10 mT"]\n"film.thickness" = ["0.1 um", "1 nm"]'
    )
    told = problems(text)
    assert any("points 3, 4 of 6 (field.strength = 5 kg): [field] strength must" in t for t in told)
    assert any("points 2, 4, 6 of 6 (film.thickness = 1 nm): [film] thickness" in t for t in told)


def test_mistakes_of_file_and_table_are_told_together(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(film('"field.strengh" = ["5 mT"]').replace("count = 60", "count = -60"))
    with pytest.raises(ParameterError) as caught:
        load_sweep(path)
    assert ["count" in caught.value.problems[0], "strengh" in caught.value.problems[1]] == [
        True
    ] * 2


def test_a_file_without_a_table_is_told(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(small_film())
    assert not is_sweep(path)
    assert not is_sweep(tmp_path / "absent.toml")
    with pytest.raises(ParameterError, match=r"\[sweep\] is missing"):
        load_sweep(path)
    path.write_text(film(TWO_KEYS))
    assert is_sweep(path)
    first, other = load_sweep(path), load_sweep(path, seed=11)
    assert first.runs[0].parameters.run.seed != other.runs[0].parameters.run.seed
