"""Files that a parameter file names are looked for beside it, by a run and by a sweep alike.

Common practice: a document's relative references are resolved against the document (RFC 3986,
section 5.1, for addresses; from memory).
"""

import pytest

from sim.parameters import ParameterError, from_text, load
from sim.sweeps.table import load_sweep, plan_sweep
from tests.reference.small_film import small_film

SWEEP = '[sweep]\n"field.strength" = ["5 mT", "10 mT"]\n'
START = '[start]\nkind = "file"\npath = "first"\n'


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    """A folder of films, while the program works in another one that holds the same names."""
    films, work = tmp_path / "films", tmp_path / "work"
    films.mkdir()
    work.mkdir()
    monkeypatch.chdir(work)
    return films


def test_start_of_every_point_is_that_of_the_file(elsewhere):
    file = elsewhere / "film.toml"
    file.write_text(small_film() + START + SWEEP, encoding="utf-8")
    wanted = str(elsewhere / "first")
    assert load(file).start.path == wanted
    for plan in (load_sweep(file), plan_sweep(load(file)), load_sweep("../films/film.toml")):
        paths = [run.parameters.start.path for run in plan.runs]
        assert [str(elsewhere.joinpath(path).resolve()) for path in paths] == [wanted, wanted]


def test_swept_start_is_looked_for_beside_the_file(elsewhere):
    file = elsewhere / "film.toml"
    sweep = '[sweep]\n"start.path" = ["first", "second"]\n'
    file.write_text(small_film() + START + sweep, encoding="utf-8")
    plan = load_sweep(file)
    assert [run.parameters.start.path for run in plan.runs] == [
        str(elsewhere / "first"),
        str(elsewhere / "second"),
    ]
    # A run's own text finds the same start from any folder.
    for run in plan.runs:
        assert from_text(run.parameters.text).start.path == run.parameters.start.path


def test_sizes_of_every_point_are_those_beside_the_file(elsewhere):
    (elsewhere / "sizes.csv").write_text("16 nm, 3\n18 nm, 1\n", encoding="utf-8")
    (elsewhere.parent / "work" / "sizes.csv").write_text("11 nm\n", encoding="utf-8")
    text = small_film().replace('core_diameter = "16 nm"', 'core_diameter = { file = "sizes.csv" }')
    file = elsewhere / "film.toml"
    file.write_text("\n".join(x for x in text.split("\n") if "size_spread" not in x) + SWEEP)
    whole = load(file).particles
    for run in load_sweep(file).runs:
        assert run.parameters.particles == whole


def test_missing_sizes_are_told_by_a_sweep_as_by_a_run(elsewhere):
    (elsewhere.parent / "work" / "sizes.csv").write_text("16 nm\n", encoding="utf-8")
    text = small_film().replace('core_diameter = "16 nm"', 'core_diameter = { file = "sizes.csv" }')
    file = elsewhere / "film.toml"
    file.write_text(text + SWEEP, encoding="utf-8")
    for read in (load, load_sweep):
        with pytest.raises(ParameterError, match=r"sizes\.csv"):
            read(file)
