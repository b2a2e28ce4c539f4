"""`chainfilm design` from a wish to its page, on films whose numbers follow from a law."""

import json
import math
import tomllib
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from sim.command_line import main
from sim.files.record import Ending
from sim.parameters import load
from sim.run.simulate import Run
from sim.sweeps.sweep import sweep
from tests.reference.small_film import small_film
from tests.unit.test_many_runs import Here

pytest.importorskip("sklearn.gaussian_process")

FILM = Path(__file__).parents[2] / "runs_demo" / "wish" / "film.toml"
WISH = """title = "known film"
film = "film.toml"
[wanted]
spacing = {{ least = "{least:.4f} nm", most = "{most:.4f} nm" }}
field = {{ most = "{field} mT" }}
[free]
"particles.volume_fraction" = {{ least = 0.005, most = 0.05 }}
"field.strength" = {{ least = "5 mT", most = "40 mT" }}
[budget]
runs = 24
"""
KNOWN = 0.02
"""Volume fraction of the known film, from whose spacing a wish is computed."""


def truth(fraction, field):
    """Spacing in nm of the films that are run: a law that theory does not know."""
    return 25.0 * fraction**-0.4 * (1.0 + field / 0.1)


def measured(parameters, directory, **_):
    """Write what a run would measure, with an error of 3 %."""
    rng = np.random.default_rng(parameters.run.seed)
    fraction, field = parameters.particles.volume_fraction, parameters.field.largest
    value = truth(fraction, field) * 1e-9 * math.exp(0.03 * rng.standard_normal())
    numbers = {
        "spacing": {"nearest_neighbour_m": {"value": value, "error": 0.03 * value}},
        "chains": {"mean_length": {"value": 2.0, "error": 0.1}},
    }
    (directory / "measures.json").write_text(json.dumps(numbers))
    return Run(directory, directory / "run.h5", Ending.FINISHED, "finished", 1, 1, 1, {})


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Run films in this process by the law above, and foretell a few of them only."""
    monkeypatch.setattr("sim.commands.run.measure_point", measured)
    here = partial(sweep, executor=Here(), warm_up=lambda _: None)
    monkeypatch.setattr("sim.design.films.sweep", here)
    monkeypatch.setattr("sim.design.scan.PLACES_PER_KEY", 4)


def wish(folder, least, most, field=30):
    film = FILM.read_text(encoding="utf-8").replace("size_spread = 0.02", "size_spread = 0.0")
    (folder / "film.toml").write_text(film, encoding="utf-8")  # one size is foretold at once
    path = folder / "wish.toml"
    path.write_text(WISH.format(least=least, most=most, field=field), encoding="utf-8")
    return str(path)


def test_a_wish_computed_from_a_known_film_finds_it_again(tmp_path, capsys):
    known = truth(KNOWN, 0.02)
    path, out = wish(tmp_path, 0.9 * known, 1.1 * known), tmp_path / "out"
    assert main(["design", path, "-o", str(out), "--workers", "2"]) == 0
    said = capsys.readouterr().out
    told = json.loads((out / "design.json").read_text())
    assert told["verdict"] == "met"
    assert said.startswith("Yes: with ")
    film = load(out / "film.toml")
    found = truth(film.particles.volume_fraction, film.field.largest)
    assert 0.9 * known < found < 1.1 * known
    assert film.field.largest < 0.03
    page = (out / "design.html").read_text()
    assert page.index("Yes: with ") < page.index("<h2>")  # the answer stands first
    assert "What more buys and costs: volume fraction" in page
    assert page.count('<img alt="') >= 2
    seeds = [run["seed"] for run in told["runs"]]
    assert len(set(seeds)) == len(seeds)
    assert len(list((out / "runs").glob("step_*/sweep.json"))) <= len(seeds)

    # a search that is there is kept, goes on, and is replaced where that is asked for
    assert main(["design", path, "-o", str(out)]) == 2
    assert "--resume to go on with it" in capsys.readouterr().err
    last = sorted((out / "runs").glob("step_*"))[-1]
    for file in last.rglob("outcome.json"):
        file.unlink()  # as if a kill had come before its end
    words = ["design", path, "-o", str(out), "--resume", "--workers", "2", "--no-plots", "--json"]
    assert main(words) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["settings"] == told["settings"]
    assert [run["seed"] for run in again["runs"]] == seeds

    # what was found stays where a search cannot go on
    kept = (out / "design.json").read_bytes()
    (last / "sweep.json").write_text("{")
    assert main(words) == 2
    assert "cannot be read; use --overwrite" in capsys.readouterr().err
    assert (out / "design.json").read_bytes() == kept


def test_a_wish_out_of_reach_is_refused_with_the_wishes_that_exclude_each_other(
    tmp_path, monkeypatch
):
    monkeypatch.setattr("analysis.design.report.figure_blocks", lambda *_: "")
    path, out = wish(tmp_path, 60.0, 70.0, field=9), tmp_path / "out"  # 90 to 230 nm are to be had
    assert main(["design", path, "-o", str(out), "--workers", "2"]) == 1
    told = json.loads((out / "design.json").read_text())
    assert told["verdict"] == "out of reach"
    assert told["conflict"] == ["spacing at least 60.0000 nm and at most 70.0000 nm"]
    assert "Nothing in these ranges gives spacing at least 60.0000 nm" in told["answer"]
    nearest = told["settings"]["particles.volume_fraction"]
    assert nearest > 0.04  # the densest films have the least spacing
    assert tomllib.loads((out / "film.toml").read_text())["particles"]["volume_fraction"] == nearest
    assert "Read this first" in (out / "design.html").read_text()
    (out / "mine.txt").write_text("keep me")
    assert (
        main(["design", path, "-o", str(out), "--overwrite", "--no-plots", "--workers", "4"]) == 1
    )
    assert (out / "mine.txt").read_text() == "keep me"
    assert not (out / "design.html").exists()


def test_what_follows_from_the_film_alone_is_refused_without_a_run(tmp_path):
    path, out = wish(tmp_path, 100.0, 200.0, field=1), tmp_path / "out"
    assert main(["design", path, "-o", str(out), "--no-plots"]) == 1
    told = json.loads((out / "design.json").read_text())
    assert "Nothing in these ranges gives field at most 1 mT" in told["answer"]
    assert told["runs"] == []


REAL = """film = "film.toml"
odds = 0.8
[wanted]
mean_length = { most = 1.6 }
[free]
"field.strength" = { least = "1 mT", most = "20 mT" }
[budget]
runs = 12
"""


@pytest.mark.slow
def test_real_films_are_run_by_workers_and_the_found_one_can_be_run(tmp_path, monkeypatch):
    monkeypatch.undo()  # no law in the place of the runs
    monkeypatch.setattr("sim.design.scan.PLACES_PER_KEY", 4)
    (tmp_path / "film.toml").write_text(small_film(frames=60), encoding="utf-8")
    (tmp_path / "wish.toml").write_text(REAL, encoding="utf-8")
    out = tmp_path / "out"
    words = ["design", str(tmp_path / "wish.toml"), "-o", str(out), "--workers", "4", "-q"]
    assert main([*words, "--no-plots"]) == 0
    told = json.loads((out / "design.json").read_text())
    ran = [run for run in told["runs"] if run["settings"] == told["settings"]]
    assert len(ran) >= 2
    values = [run["values"]["mean_length"]["value"] for run in ran]
    assert max(values) < 1.6
    assert values[0] != values[1]  # with seeds of their own
    assert all((out / run["folder"] / "run.h5").is_file() for run in told["runs"])
    assert load(out / "film.toml").field.largest <= 0.02
