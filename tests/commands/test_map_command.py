"""`chainfilm map` from file to files, with a small sphere magnet under the cell."""

import csv
import json
import math

import pytest

from sim.command_line import main
from sim.parameters import load
from sim.provenance import made_by
from sim.run_record import resolved
from tests.reference.small_film import small_film

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


def over_magnet(magnet=MAGNET):
    """Return the text of a film over a magnet, whose field is not typed in."""
    field = '[field]\nstrength = "20 mT"\ndirection = [1, 0, 0]\n'
    assert field in small_film()
    return small_film().replace(field, "") + magnet


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "film.toml"
    path.write_text(over_magnet())
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
    path.write_text(over_magnet(MAGNET.replace('"-6 mm"', '"-1 mm"')))
    assert call("map", path, "-o", tmp_path / "cell") == 2
    assert "[[magnets]]" in capsys.readouterr().err
    assert not (tmp_path / "cell").exists()


def test_a_map_of_moving_magnets_is_that_of_the_start(film, folder, tmp_path, capsys):
    steps = """[[magnets.steps]]
motion = "slide"
duration = "4 us"
position = ["2 mm", "0 mm", "-6 mm"]
"""
    path = tmp_path / "film.toml"
    path.write_text(over_magnet(MAGNET.replace("[cell]", steps + "[cell]")))
    assert call("map", path, "-o", tmp_path / "cell") == 0, capsys.readouterr().err
    assert "the magnets move" in capsys.readouterr().err
    assert (tmp_path / "cell/cell_map.csv").read_bytes() == (folder / "cell_map.csv").read_bytes()
