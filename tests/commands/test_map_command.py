"""`chainfilm map` from file to files, with a small sphere magnet under the cell."""

import csv
import json
import math
import sys

import pytest

from analysis.cell import axes as map_axes
from sim.command_line import main
from sim.files.provenance import made_by
from sim.files.record import resolved
from sim.parameters import load
from tests.reference.small_film import over_magnets, small_film

pytest.importorskip("magpylib")

REMANENCE, DIAMETER, DEPTH = 1.2, 4e-3, 6e-3
MAGNET = f"""
[[magnets]]
kind = "sphere"
diameter = "4 mm"
remanence = "{REMANENCE} T"
position = ["0 mm", "0 mm", "-6 mm"]
direction = [0, 0, 1]
[cell]
width = ["8 mm", "4 mm"]
"""


def call(*words):
    return main([str(word) for word in words])


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "film.toml"
    path.write_text(over_magnets(MAGNET))
    return path


@pytest.fixture(scope="module")
def folder(film):
    out = film.parent / "cell"
    assert call("map", film, "-o", out) == 0
    return out


def test_map_leaves_table_grid_and_figures(folder):
    found = {str(path.relative_to(folder)) for path in folder.rglob("*.*")}
    assert found == {
        "cell_map.csv",
        "cell_map.vti",
        "figures/chains_map.png",
        "figures/numbers_map.png",
        "map.json",
    }


def test_map_tells_what_it_was_made_of(film, folder):
    told = json.loads((folder / "map.json").read_text())
    assert told["made_by"].items() >= made_by().items()
    assert told["parameters"] == resolved(load(film))
    assert set(told["timing"]) == {"field_s", "drift_s", "writing_s"}
    assert min(told["timing"].values()) >= 0
    grid = (folder / "cell_map.vti").read_text().splitlines()
    assert "parameters in map.json" in grid[1]


def test_table_agrees_with_the_closed_form(folder):
    """Outside, a uniformly magnetised sphere is a dipole (Jackson, section 5.10; from memory).

    On its axis B = (2/3) Br (R/z)^3; a distance rho beside it the field leans by
    arctan[(2 - t^2)/(3 t)], t = rho/z.
    """
    with (folder / "cell_map.csv").open() as file:
        rows = [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]
    assert len(rows) == 81 * 41
    middle = min(rows, key=lambda row: math.hypot(row["x_m"], row["y_m"]))
    on_axis = 2.0 / 3.0 * REMANENCE * (0.5 * DIAMETER / DEPTH) ** 3
    assert middle["strength_T"] == pytest.approx(on_axis, rel=1e-6)
    assert middle["tilt_deg"] == pytest.approx(90.0, abs=1e-5)
    # On the axis d|B|/dz = -3 |B|/z, and the force is that times the mean moment.
    pull = -3.0 * middle["mean_moment_Am2"] * on_axis / DEPTH
    assert middle["force_z_N"] == pytest.approx(pull, rel=1e-6)
    for row in rows[::97]:
        t = math.hypot(row["x_m"], row["y_m"]) / DEPTH
        lean = math.degrees(math.atan2(2.0 - t**2, 3.0 * t))
        assert row["tilt_deg"] == pytest.approx(lean, abs=1e-5)


def test_a_map_is_replaced_on_demand_only(film, folder, capsys):
    before = (folder / "cell_map.csv").read_bytes()
    assert call("map", film, "-o", folder) == 2
    assert "holds a map already; use --overwrite" in capsys.readouterr().err
    assert call("map", film, "-o", folder, "--overwrite") == 0
    told = capsys.readouterr().out
    assert "8 mm x 4 mm, 81 x 41 places" in told
    assert (folder / "cell_map.csv").read_bytes() == before


def test_a_folder_with_something_else_is_left_alone(film, tmp_path, capsys):
    (tmp_path / "letter.txt").write_text("dear")
    assert call("map", film, "-o", tmp_path, "--overwrite") == 2
    assert "is not empty and holds no map" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]
    assert call("map", film, "-o", tmp_path / "letter.txt") == 2
    assert "is a file" in capsys.readouterr().err


def test_a_file_without_magnets_has_no_map(tmp_path, capsys):
    path = tmp_path / "film.toml"
    path.write_text(small_film())
    assert call("map", path, "-o", tmp_path / "cell") == 2
    told = capsys.readouterr().err
    assert "[[magnets]] must be one table or more" in told
    assert "Traceback" not in told
    assert not (tmp_path / "cell").exists()


def test_a_film_inside_the_magnet_is_bad_input(tmp_path, capsys):
    path = tmp_path / "film.toml"
    path.write_text(over_magnets(MAGNET.replace('"-6 mm"', '"-1 mm"')))
    assert call("map", path, "-o", tmp_path / "cell") == 2
    assert "[[magnets]]" in capsys.readouterr().err
    assert not (tmp_path / "cell").exists()


STEPS = """[[magnets.steps]]
motion = "slide"
duration = "4 us"
position = ["2 mm", "0 mm", "-6 mm"]
"""


@pytest.fixture(scope="module")
def moving(film):
    path = film.parent / "moving.toml"
    path.write_text(over_magnets(MAGNET.replace("[cell]", STEPS + "[cell]")))
    return path


def test_a_map_of_moving_magnets_is_that_of_the_start(moving, folder, tmp_path, capsys):
    assert call("map", moving, "-o", tmp_path / "cell") == 0, capsys.readouterr().err
    told = capsys.readouterr().err
    assert "the magnets move: the map takes them as they stand at the start; --time" in told
    assert (tmp_path / "cell/cell_map.csv").read_bytes() == (folder / "cell_map.csv").read_bytes()


def test_the_time_of_a_map_of_moving_magnets(moving, folder, tmp_path, monkeypatch, capsys):
    """After three quarters of its way the sphere lies 1.5 mm beside, and so does the field."""
    heads = []
    draw = map_axes.head_note
    monkeypatch.setattr(
        map_axes, "head_note", lambda *words: (heads.append(words[1]), draw(*words))
    )
    assert call("map", moving, "--time", "3 us", "-o", tmp_path / "cell") == 0
    assert heads == ["magnets as 3 µs into their programme"]
    assert "as they stand 3 us after the start." in capsys.readouterr().err
    with (tmp_path / "cell/cell_map.csv").open() as file:
        later = {(row["x_m"], row["y_m"]): float(row["strength_T"]) for row in csv.DictReader(file)}
    with (folder / "cell_map.csv").open() as file:
        before = [
            (float(row["x_m"]), row["y_m"], row["strength_T"]) for row in csv.DictReader(file)
        ]
    compared = 0
    for x, y, strength in before:
        place = (f"{x + 1.5e-3:.8g}", y)
        if place in later:
            compared += 1
            assert later[place] == pytest.approx(float(strength), rel=1e-6)
    assert compared > 1000


@pytest.mark.parametrize(
    ("time", "sentence"),
    [
        ("5 us", "--time must be a time from 0 s to 4 us, where the last step of the magnets ends"),
        ("-1 us", 'where the last step of the magnets ends; received "-1 us"'),
        ("nan us", "--time: must be a time"),
        ("3", "--time: must be a time with its unit"),
        ("3 mT", "mT is a unit of"),
    ],
)  # fmt: skip
def test_a_time_beyond_the_programme_is_bad_input(time, sentence, moving, tmp_path, capsys):
    assert call("map", moving, f"--time={time}", "-o", tmp_path / "cell") == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert told.count("\n") == 1
    assert not (tmp_path / "cell").exists()


def test_magnets_that_stand_still_have_no_time(film, tmp_path, capsys):
    assert call("map", film, "--time", "1 us", "-o", tmp_path / "cell") == 2
    assert "--time is for magnets that move by [[magnets.steps]]" in capsys.readouterr().err
    assert not (tmp_path / "cell").exists()


def test_map_prints_one_json_document(film, tmp_path, capsys):
    assert call("map", film, "-o", tmp_path / "cell", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    with (tmp_path / "cell" / "cell_map.csv").open() as file:
        strengths = [float(row["strength_T"]) for row in csv.DictReader(file)]
    assert told["headline"]["field_t"]["most"] == pytest.approx(max(strengths), rel=1e-6)
    assert told["headline"]["field_t"]["least"] == pytest.approx(min(strengths), rel=1e-6)
    assert any("surgical emergency" in warning for warning in told["warnings"])
    assert sorted(told["files"]) == sorted(
        str(path) for path in (tmp_path / "cell").rglob("*.*") if path.is_file()
    )


def test_without_the_library_the_message_names_the_line_that_works(film, monkeypatch, capsys):
    """The plain set-up of README.md leaves it out; a clone is installed by path, not by name."""
    monkeypatch.setitem(sys.modules, "magpylib", None)
    assert call("check", film, "--no-timing") == 2
    assert ".venv/bin/pip install '.[magnets]'" in capsys.readouterr().err
