"""Every command that a demo tells its reader to type, run on a small copy of its film."""

from __future__ import annotations

import csv
import json
import re
import shlex
import tomllib
from pathlib import Path

import pytest

from sim.command_line import main
from sim.outlook.cell import drift as cell_drift
from sim.outlook.expectations import expect
from sim.parameters import load
from sim.sweeps import sweep as many_runs
from tests.reference.few_figures import draw_only
from tests.unit.test_many_runs import Here

DEMOS = Path(__file__).parents[2] / "runs_demo"
FILES = sorted(
    path
    for path in DEMOS.glob("*/*.toml")
    if "chainfilm check " in path.read_text("utf-8") and path.parent.name != "bottle"
)
"""Films; wishes and bottles, and what they begin with, have tests of their own."""
NAMES = [path.parent.name for path in FILES]

SMALL = (
    (r"(?s)(^\[film\]\n(?:(?!^\[).)*?^)width = [^\n]*", r'\1width = ["0.25 um", "0.22 um"]'),
    (r"^thickness = .*", 'thickness = "0.1 um"'),
    (r"^cutoff_diameters = .*", "cutoff_diameters = 3.0"),
    (r"^frames = .*", "frames = 16"),
    (r"^structures = .*", "structures = 8"),
    (r'^duration = "60 us"', 'duration = "2 us"'),
    (r'^duration = "7.5 ms"', 'duration = "4 us"'),
    (r'^duration = "0\.1 ms"', 'duration = "1 us"'),
    (r'^duration = "0\.15 ms"', 'duration = "2 us"'),
    (r'^duration = "1\.15 ms"', 'duration = "18.9 us"'),
    (r'^duration = "0\.2 ms"', 'duration = "4 us"'),
    (r'^duration = "0\.4 ms"', 'duration = "8 us"'),
    (r'^"field.strength" = .*', '"field.strength" = ["10 mT", "40 mT"]'),
    (r'^"film.thickness" = .*', '"film.thickness" = ["0.08 um", "0.1 um"]'),
)

DRAWN_WHOLE = ("growing_chains", "columns", "at_rest")
"""Demos whose runs draw all that belongs to them: in time, across the film, sampled."""
LOOKED_AT = ("film_views", "hysteresis", "decay", "lag")
"""What other runs draw: the film, and what their field alone calls for."""


def commands(path):
    """The chainfilm commands in the comments at the head of a demo, as words."""
    head = path.read_text(encoding="utf-8").partition("title =")[0]
    lines = re.findall(r"^# +(chainfilm .*?)(?: {3,}.*)?$", head, re.MULTILINE)
    return [shlex.split(line)[1:] for line in lines]


def small_copy(path, folder):
    """A copy of the demo that runs in a second, in the same place of another folder."""
    text = path.read_text(encoding="utf-8")
    for pattern, value in SMALL:
        text = re.sub(pattern, value, text, flags=re.MULTILINE)
    copy = folder / path.relative_to(DEMOS.parent)
    copy.parent.mkdir(parents=True)
    copy.write_text(text, encoding="utf-8")
    return copy


NOTEBOOKS = sorted(DEMOS.glob("*/*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_run(path, tmp_path, monkeypatch):
    """All cells, one after the other, on an engine that takes no time."""
    from tests.reference.fake_engine import FakeEngine, fake_setup
    from tests.reference.notebook import cells_of, run_cell

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("MPLBACKEND", "agg")
    monkeypatch.setattr("sim.run.simulate.RunSetup", fake_setup())
    monkeypatch.setattr("sim.run.simulate.make_cpu_engine", FakeEngine)
    names: dict = {}
    content, cells = cells_of(path)
    assert (content["nbformat"], content["nbformat_minor"]) == (4, 5)
    assert len({cell["id"] for cell in content["cells"]}) == len(content["cells"])
    for cell in cells:
        printed, shown = run_cell("".join(cell["source"]), names)
        assert printed or shown
        stored = {
            kind for out in cell["outputs"] for kind in out.get("data", {out["output_type"]: ""})
        }
        # what a reader sees on the page
        assert stored == {*shown, *(["stream"] if printed else [])}


def test_notebooks_are_here():
    assert {path.stem for path in NOTEBOOKS} >= {"film"}


def test_all_demos_are_here():
    assert {"first_chains", "at_rest", "columns", "switch_on_off", "slow_turn"} <= set(NAMES)
    assert {"growing_chains", "field_thickness_sweep"} <= set(NAMES)


def test_demos_at_rest_are_wide_and_long_enough():
    for path in FILES:
        if path.parent.name not in ("first_chains", "at_rest", "field_thickness_sweep"):
            continue
        parameters = load(path)
        seen = expect(parameters)
        along, across = parameters.film.width
        # the weight mean of a geometric law is twice the mean less one (closed form)
        chain = (2.0 * seen.derived["predicted_mean_length"] - 1.0) * parameters.particles.diameter
        assert across > 20.0 * seen.derived["line_density_spacing_m"]
        assert along > 5.0 * chain
        assert not [text for text in seen.cautions if "patch" in text or "moment =" in text]


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_a_demo_is_faultless_and_tells_its_commands(path):
    load(path)
    words = [command[0] for command in commands(path)]
    assert words in (
        ["check", "run"],
        ["check", "sweep"],
        ["check", "map"],
        ["check", "map", "run"],
    )
    assert ("sweep" in words) == ("sweep" in path.stem)
    assert ("map" in words) <= ("[[magnets]]" in path.read_text(encoding="utf-8"))
    for command in commands(path):
        assert DEMOS.parent / command[1] == path
    for said in ("workshop", "minute|seconds", "invented"):
        assert re.search(said, path.read_text(encoding="utf-8")), said


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_every_command_of_a_demo_works(path, tmp_path, monkeypatch, capsys):
    copy = small_copy(path, tmp_path)
    assert tomllib.loads(copy.read_text(encoding="utf-8")) != tomllib.loads(path.read_text())
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(cell_drift, "CELLS", 12)
    # workers of their own are started in test_sweep_command.py
    monkeypatch.setattr(many_runs, "spawned_workers", lambda _: Here())
    if path.parent.name not in DRAWN_WHOLE:
        draw_only(monkeypatch, *LOOKED_AT)
    for words in commands(path):
        command = ["cpu" if word == "gpu" else word for word in words]
        assert main(command) == 0, capsys.readouterr().err
        out = tmp_path / command[-1]
        if command[0] == "map":
            _look_at_map(out, path.parent.name)
        elif command[0] == "sweep":
            _look_at_sweep(out)
        elif command[0] == "run":
            _look_at_run(out, path.parent.name)


def _look_at_map(out, name):
    with (out / "cell_map.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    x, y = ({float(row[axis]) for row in rows} for axis in ("x_m", "y_m"))
    spread = {
        "sphere_under_cell": (30e-3, 20e-3),
        "facing_poles": (24e-3, 16e-3),
        "ring_of_discs": (34e-3, 34e-3),
        "week_of_drift": (20e-3, 12e-3),
    }[name]
    assert (max(x) - min(x), max(y) - min(y)) == pytest.approx(spread)
    states = {row["state"] for row in rows}
    assert ("2" in states) == (name != "facing_poles")  # only there the field lies in the film
    assert (out / "figures" / "chains_map.png").stat().st_size > 50_000
    assert (out / "figures" / "drift_chains.png").is_file() == (name == "week_of_drift")
    if name == "week_of_drift":
        with (out / "drift_frames.csv").open(newline="") as file:
            share = [float(row["share_with_chains"]) for row in csv.DictReader(file)]
        assert share[0] > share[-2] > share[-1]


def _look_at_run(out, name):
    numbers = json.loads((out / "measures.json").read_text(encoding="utf-8"))
    assert numbers["parameters"]["finished"]
    if name == "at_rest":
        assert numbers["equilibration"]["reached"] is True
        assert numbers["equilibration"]["independent_structures"] >= 8
        assert "The film is at rest" in (out / "report.html").read_text(encoding="utf-8")
    else:
        assert numbers["parameters"]["frames"] == 17
    assert (out / "report.html").stat().st_size > 100_000
    assert (out / "figures" / "film_views.png").is_file()
    assert (out / "figures" / "hysteresis.png").is_file() == (name == "ramp_up_down")
    with (out / "time_series.csv").open(newline="") as file:
        fields = [float(row["field_T"]) for row in csv.DictReader(file)]
    if name == "switch_on_off":
        assert max(fields) == pytest.approx(0.03)
        assert fields[-1] == 0.0
        assert (out / "figures" / "decay.png").is_file()
        assert numbers["relaxation"]["switch_off_time_s"] == pytest.approx(4e-6)
    assert (out / "figures" / "lag.png").is_file() == (name == "slow_turn")
    if name == "slow_turn":
        stages = numbers["relaxation"]["turning_stages"]
        assert [round(stage["frequency_hz"]) for stage in stages] == [500, 1000, 2000, 4000, 8000]
        assert numbers["alignment"]["reference"] == "turning field"
    if name == "columns":
        assert numbers["derived"]["field_direction"] == [0.0, 0.0, 1.0]


def _look_at_sweep(out):
    with (out / "sweep.csv").open(newline="") as file:
        runs = list(csv.DictReader(file))
    with (out / "summary.csv").open(newline="") as file:
        points = list(csv.DictReader(file))
    assert len(runs) == 4
    assert {run["status"] for run in runs} == {"done"}
    assert {run["equilibrated"] for run in runs} == {"yes"}
    assert len({run["seed"] for run in runs}) == 4
    assert len(points) == 4
    # in a strong field the moments stand along it, in a weak one less: seen even in a small film
    for thickness in ("8e-08", "1e-07"):
        weak, strong = (
            float(point["magnetisation_relative"])
            for point in sorted(points, key=lambda p: float(p["field.strength_T"]))
            if float(point["film.thickness_m"]) == pytest.approx(float(thickness))
        )
        assert strong > weak
    assert (out / "sweep_report.html").stat().st_size > 100_000
    assert len(list((out / "figures").glob("*.png"))) == 21  # ten of them of light


def test_pictures_of_the_demos_are_small():
    pictures = list(DEMOS.glob("*/*.png"))
    assert len(pictures) >= 5
    for picture in pictures:
        assert picture.stat().st_size < 300_000, picture.name


def test_the_overview_shows_every_demo():
    text = (DEMOS / "README.md").read_text(encoding="utf-8")
    for path in FILES:
        assert f"{path.parent.name}/{path.name}" in text
    for place in re.findall(r"\]\(([^)]+)\)", text):
        assert (DEMOS / place.partition("#")[0]).exists(), place
