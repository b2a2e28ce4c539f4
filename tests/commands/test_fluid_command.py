"""`chainfilm fluid`, and what `check` and `sweep` do with the ensemble that it writes."""

import csv
import json
import re
import tomllib
from pathlib import Path

import pytest
import tomli_w

from sim.command_line import main
from sim.commands.bottle import fluid as command
from sim.fluid.ensemble import read_ensemble
from sim.fluid.findings import find
from sim.parameters.load import load
from sim.sweeps.table import load_sweep
from tests.reference.small_film import small_film

DEMO = Path(__file__).parents[2] / "runs_demo" / "bottle"


def call(*words):
    return main([str(word) for word in words])


@pytest.fixture(scope="module")
def bottle(tmp_path_factory):
    """The folder of the demo's bottle, from a population small enough for a test."""
    folder = tmp_path_factory.mktemp("bottle")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(command, "find", lambda sheet, name, seed: find(sheet, name, seed, 60))
        words = ("--fluids", "5", "-q", "--json")
        assert call("fluid", DEMO / "bottle.toml", "-o", folder / "out", *words) == 0
    return folder / "out"


def test_a_bottle_leaves_numbers_tables_fluids_and_a_page(bottle):
    record = json.loads((bottle / "fluid.json").read_text())
    # the particles that the points of the demo were computed for stand at the head of its sheet
    for key, truth in (
        ("core_diameter_m", 15.5e-9), ("size_spread", 0.17), ("dead_layer_m", 0.7e-9),
        ("shell_thickness_m", 2.2e-9), ("magnetic_fraction", 0.022),
    ):  # fmt: skip
        found = record["numbers"][key]
        assert abs(found["value"] - truth) < 3.5 * found["error"], key
        low, high = found["interval_95"]
        assert low < found["interval_68"][0] < found["value"] < found["interval_68"][1] < high
    assert record["seed"] == 1
    assert record["made_by"]["program"] == "chainfilm"
    with (bottle / "fluids.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 60
    mean = sum(float(row["core_diameter_m"]) for row in rows) / 60
    assert mean == pytest.approx(record["numbers"]["core_diameter_m"]["value"], rel=1e-4)
    assert len(read_ensemble(bottle / "ensemble.toml").fluids) == 5
    page = (bottle / "fluid.html").read_text()
    assert "Curtain fluid, bottle 12" in page
    assert "Chantrell" in page
    assert "<dt>Libraries</dt>" in page  # beside a long text a table would cut the word
    assert "-0.0 errors" not in page
    assert not re.search(r"\d pm", page)  # dead layers are compared with cores, in nm
    assert page.count("data:image/png") == 3  # no spectrum, no figure of one
    names = {path.stem for path in (bottle / "figures").glob("*.png")}
    assert names == {"magnetisation_curve", "core_sizes", "unknown_pairs"}


def test_its_tables_go_into_a_film(bottle):
    tables = tomllib.loads((bottle / "particles.toml").read_text())
    film = tomllib.loads(small_film()) | tables
    found = load(film)
    assert found.carrier.temperature == pytest.approx(298.15)
    assert found.particles.core_volume_fraction == pytest.approx(0.0285, rel=0.15)


def test_the_same_seed_finds_the_same_fluids(bottle):
    from sim.fluid.sheet import read_sheet

    again = find(read_sheet(DEMO / "bottle.toml"), "bottle.toml", command.SEED, 60)
    fluids = again.model.fluids(again.places)
    with (bottle / "fluids.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    found = [float(row["core_diameter_m"]) for row in rows]
    assert found == pytest.approx(fluids["core_diameter"].tolist(), rel=1e-5)


def test_check_gives_the_error_of_the_bottle_beside_that_of_the_law(bottle, tmp_path, capsys):
    film = tmp_path / "film.toml"
    film.write_text(small_film())
    assert call("check", film, "--ensemble", bottle / "ensemble.toml") == 0
    told = capsys.readouterr().out
    assert "with 5 fluids that are equally likely" in told
    assert "(bottle)" in told
    assert "both together" in told
    assert call("check", film, "--ensemble", bottle / "ensemble.toml", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    lengths = found["numbers"]["predicted_mean_length"]
    assert lengths["bottle"] > 0.0
    assert len(lengths["fluids"]) == 5
    bands = found["predicted_mean_length_bands"]
    assert bands["together"][1] > max(bands["law"][1], bands["bottle"][1])


def test_the_sweep_of_the_demo_is_over_its_fluids(bottle, capsys):
    plan = load_sweep(DEMO / "sweep.toml", ensemble=str(bottle / "ensemble.toml"))
    assert (plan.point_count, plan.fluids, plan.run_count) == (2, 5, 10)
    words = ("check", DEMO / "sweep.toml", "--ensemble", bottle / "ensemble.toml", "--no-timing")
    assert call(*words) == 0
    told = capsys.readouterr().out
    assert "2 points x 5 fluids = 10 runs" in told
    assert "bottle +-" in told


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[fluid]\ndensity = "0.7 g/cm^3"\n', "density must be above that of the carrier"),
        ('[fluid]\nsaturation = "400 cP"\n', "cP is a unit of viscosity"),
        ("[fluid]\n", "must say how much is in the bottle"),
    ],
)
def test_bad_sheets_are_one_sentence_and_leave_nothing(tmp_path, capsys, text, told):
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(text)
    assert call("fluid", sheet, "-o", tmp_path / "out") == 2
    error = capsys.readouterr().err
    assert told in error
    assert "Traceback" not in error
    assert not (tmp_path / "out").exists()


def test_a_missing_sheet_and_a_folder_in_use(bottle, tmp_path, capsys):
    assert call("fluid", tmp_path / "none.toml") == 2
    assert "the file does not exist; it must be the sheet" in capsys.readouterr().err
    assert call("fluid", DEMO / "bottle.toml", "-o", bottle) == 2
    assert "--overwrite" in capsys.readouterr().err


def test_an_ensemble_that_a_film_cannot_hold(tmp_path, capsys):
    film, ensemble = tmp_path / "film.toml", tmp_path / "ensemble.toml"
    film.write_text(small_film())
    ensemble.write_text('[[fluids]]\nparticles = { dead_layer = "9 nm" }\n')
    assert call("check", film, "--ensemble", ensemble) == 2
    assert "with every fluid: [particles] dead_layer must be below" in capsys.readouterr().err


@pytest.mark.slow
def test_a_sweep_over_fluids_leaves_both_errors(bottle, tmp_path, capsys):
    film, out = tmp_path / "film.toml", tmp_path / "out"
    film.write_text(small_film())
    tables = tomllib.loads((bottle / "ensemble.toml").read_text())
    ensemble = tmp_path / "two.toml"
    ensemble.write_text(tomli_w.dumps({"fluids": tables["fluids"][:2]}))
    words = ("sweep", film, "-o", out, "--ensemble", ensemble, "--no-plots", "-q")
    assert call(*words, "--workers", "1") == 0
    told = capsys.readouterr().out
    assert "(runs) ±" in told
    assert "(bottle)" in told
    with (out / "summary.csv").open(newline="") as file:
        (point,) = csv.DictReader(file)
    assert float(point["chains_mean_length_bottle"]) >= 0.0
    together, run = (float(point[f"chains_mean_length_{end}"]) for end in ("together", "error"))
    assert together >= run > 0.0
    runs = [
        run["fluid"] for run in json.loads((out / "sweep.json").read_text())["points"][0]["runs"]
    ]
    assert runs == [1, 2]
    assert call(*words, "--resume") == 0
    assert call(*words[:4], "-q", "--resume") == 2  # without its fluids it is another sweep


def test_a_number_that_no_fluid_shows_is_told_by_its_table_and_key(tmp_path, capsys):
    sheet = tmp_path / "bottle.toml"
    sheet.write_text(
        '[fluid]\nsaturation = "30 mT +- 1 %"\nviscosity = "9 mPa s +- 1 %"\n'
        '[core]\ncore_diameter = "12 nm +- 0.1 nm"\n[surfactant]\nthickness = "1 nm +- 0.1 nm"\n'
    )
    assert call("fluid", sheet, "-o", tmp_path / "out") == 2
    told = capsys.readouterr().err
    assert "[surfactant] thickness must agree with the rest of the sheet" in told
    assert "received 1 nm +- 100 pm" in told
    assert not (tmp_path / "out").exists()
