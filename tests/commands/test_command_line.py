"""Each command: its help, what it writes, its exit code; and that it answers at once."""

import io
import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import h5py
import pytest

from sim.command_line import main
from tests.reference.few_figures import draw_only
from tests.reference.small_film import small_film

ROOT = Path(__file__).parents[2]
HEAVY = {"numpy", "numba", "scipy", "h5py", "matplotlib", "tqdm"}


def call(*words):
    return main([str(word) for word in words])


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "film.toml"
    path.write_text(small_film())
    return path


@pytest.fixture(scope="module")
def folder(film):
    """Return the folder of a run with figures and report."""
    out = film.parent / "out"
    assert call("run", film, "-o", out) == 0
    return out


@pytest.mark.parametrize("words", [["--help"], ["new", "--help"], ["check", "--help"]])
def test_answering_loads_nothing_heavy(words):
    """0.3 s is the limit; what costs time is heavy modules, and they can be counted."""
    code = (
        "import sys; from sim.command_line import main; code = main(sys.argv[1:]);"
        f"print(sorted({HEAVY!r} & set(sys.modules)), code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[] 0"


def test_a_film_without_magnets_is_read_without_what_magnets_need(film):
    code = f"import sys, sim; sim.load({str(film)!r}); print('scipy' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"


@pytest.mark.parametrize("package", ["sim", "analysis"])
def test_importing_a_package_loads_nothing_heavy(package):
    code = f"import sys, {package}; print(sorted({HEAVY!r} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_lazy_names_work_more_than_once():
    import sim

    assert sim.load is sim.load
    assert sim.simulate.__module__ == "sim.run.simulate"
    assert set(sim.__all__) <= set(dir(sim))
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = sim.nothing


@pytest.mark.parametrize("command", ["new", "check", "run", "sweep", "measure", "plot", "map"])
def test_help_of_each_command(command, capsys):
    assert call(command, "--help") == 0
    assert capsys.readouterr().out.startswith(f"usage: chainfilm {command} ")


def test_the_bare_program_says_how_it_is_used(capsys, monkeypatch):
    assert call() == 0
    shown = capsys.readouterr()
    assert call("--help") == 0
    assert shown.out == capsys.readouterr().out
    assert shown.err == ""
    monkeypatch.setattr("sys.argv", ["chainfilm"])
    assert main() == 0


def test_help_names_every_command_and_the_exit_codes(capsys):
    assert call("--help") == 0
    text = capsys.readouterr().out
    for word in ("new", "check", "run", "sweep", "measure", "plot", "map", "130 interrupted"):
        assert word in text
    assert call("--version") == 0
    assert capsys.readouterr().out.startswith("chainfilm ")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["xyz"], "invalid choice: 'xyz'; known: new, check, run"),
        (["chek", "f.toml"], "invalid choice: 'chek'; the nearest is check"),
        (["run", "f.toml", "--treads", "2"], "unknown option --treads; the nearest is --threads"),
        (["run", "f.toml", "--no-plot=1", "--overwite"], "--no-plot"),
        (["measure", "d", "--bond-distence=1.2"], "the nearest is --bond-distance"),
        (["plot", "d", "--format", "pgn"], "invalid choice: 'pgn'; the nearest is png"),
        (["run", "f.toml", "g.toml"], "chainfilm run: too many words: g.toml"),
        (["run"], "required: FILE"),
        (
            ["run", "f.toml", "--threads", "0"],
            "--threads: must be a whole number from 1 to 10000; received 0",
        ),
        (["run", "f.toml", "--seed", "-1"], "--seed: must be a whole number from 0 to 2^63 - 1"),
        (["plot", "d", "--format", "bmp"], "invalid choice: 'bmp'"),
        (
            ["measure", "d", "--bond-distance", "9"],
            "--bond-distance must be from 1 to 2; received 9",
        ),
        (
            ["measure", "d", "--bond-distance", "nan"],
            "--bond-distance: must be a number; received nan",
        ),
        (
            ["measure", "d", "--bond-energy", "2 kT"],
            '--bond-energy must be from -1000 kT to -0.5 kT; received "2 kT"',
        ),
        (["measure", "d", "--bond-energy=-4"], "--bond-energy: must be an energy with its unit"),
        (
            ["measure", "d", "--bond-energy", "auto", "--bond-alignment", "0.3"],
            "--bond-alignment does not go with --bond-energy",
        ),
        (["measure", "d", "--from-time", "5"], "--from-time: "),
    ],
)
def test_wrong_words_are_one_line_and_2(words, said, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert call(*words) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert said in told.err
    assert told.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_new_writes_a_file_that_loads_and_replaces_none(tmp_path, monkeypatch, capsys):
    from sim.parameters import load

    monkeypatch.chdir(tmp_path)
    assert call("new") == 0
    assert load("film.toml").title
    assert "next: chainfilm check film.toml" in capsys.readouterr().out
    Path("film.toml").write_text("mine")
    assert call("new") == 2
    assert "film.toml exists already" in capsys.readouterr().err
    assert Path("film.toml").read_text() == "mine"
    assert call("new", "absent/film.toml") == 2
    assert "cannot be written: No such file" in capsys.readouterr().err
    assert call("new", "-") == 0
    assert tomllib.loads(capsys.readouterr().out)["film"]
    assert call("new", "--schema") == 0
    assert "particles" in json.loads(Path("film.schema.json").read_text())["properties"]


def test_check_says_what_to_expect_and_what_it_costs(film, capsys):
    assert call("check", film) == 0
    text = capsys.readouterr().out
    for word in ("small film", "What to expect", "Cost", "stepping", "memory", "run.h5"):
        assert word in text
    assert call("check", film, "--json", "--threads", "1") == 0
    content = json.loads(capsys.readouterr().out)
    assert content["cost"]["threads"] == 1
    assert content["cost"]["wall_s"] > 0
    assert content["derived"]["particle_count"] == 60
    assert call("check", film, "--json", "--no-timing") == 0
    assert json.loads(capsys.readouterr().out)["cost"] is None


def test_check_draws_the_pair_potential(film, capsys, tmp_path, monkeypatch):
    picture = tmp_path / "deep" / "pair.svg"
    assert call("check", film, "--no-timing", "--figure", picture) == 0
    assert "<svg" in picture.read_text()
    monkeypatch.chdir(tmp_path)
    assert call("check", film, "--no-timing", "--figure") == 0
    assert (tmp_path / "film_pair_potential.png").stat().st_size > 10_000
    capsys.readouterr()
    assert call("check", film, "--no-timing", "--figure", "pair.jpeg") == 2
    assert "--figure must name a .png, .svg or .pdf file" in capsys.readouterr().err


def test_file_size_is_foretold(film, folder):
    from sim.parameters import load
    from sim.run.cost import calibrate
    from sim.run.setup import RunSetup

    cost = calibrate(RunSetup(load(film), 1), seconds=0.01)
    assert cost.file_bytes == pytest.approx((folder / "run.h5").stat().st_size, rel=0.3)


def test_run_leaves_numbers_tables_figures_and_report(folder):
    names = {"run.h5", "measures.json", "chain_lengths.csv", "spacing.csv", "time_series.csv"}
    assert names | {"report.html", "figures"} <= {path.name for path in folder.iterdir()}
    assert len(list((folder / "figures").glob("*.png"))) >= 6
    assert (folder / "figures" / "pair_potential.png").exists()
    measures = json.loads((folder / "measures.json").read_text())
    assert measures["derived"]["particle_count"] == 60
    assert measures["timing"]["steps"] == measures["derived"]["steps"]
    assert measures["timing"]["stepping_s"] > 0
    with h5py.File(folder / "run.h5") as file:
        assert file["parameters"].attrs["finished"]
        assert file["parameters/frames_complete"][()] == 21


def test_run_prints_what_to_expect_and_what_came_out(film, tmp_path, capsys):
    assert call("run", film, "-o", tmp_path / "out", "--no-plots", "--seed", "9") == 0
    told = capsys.readouterr()
    assert told.out.startswith("small film\n")
    for word in (
        "mean chain length",
        "distance to the nearest chain",
        "finished",
        f"results are in {tmp_path}",
    ):
        assert word in told.out
    assert "step/s" not in told.err  # no progress bar where there is no terminal
    assert not (tmp_path / "out" / "figures").exists()
    with h5py.File(tmp_path / "out" / "run.h5") as file:
        assert file["parameters"].attrs["seed"] == 9


def test_a_terminal_sees_progress(film, tmp_path):
    pty = pytest.importorskip("pty", reason="terminals are made by pty, which this system lacks")
    master, terminal = pty.openpty()
    words = [sys.executable, "-m", "sim", "run", str(film), "-o", str(tmp_path / "out")]
    done = subprocess.run(
        [*words, "--no-plots"], cwd=ROOT, stdout=subprocess.PIPE, stderr=terminal, check=True
    )
    os.close(terminal)
    seen = os.read(master, 100_000).decode()
    os.close(master)
    assert "compiling kernels" in seen
    assert "simulating" in seen
    assert "step/s" in seen
    assert b"simulating" not in done.stdout


def test_off_a_terminal_a_run_tells_its_way_and_quiet_does_not(film, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("sim.commands.terminal.LINE_SECONDS", 1e-6)
    assert call("run", film, "-o", tmp_path / "out", "--no-plots") == 0
    told = capsys.readouterr().err
    assert "simulating: " in told
    assert " of 4 us, " in told
    assert "a second, " in told
    assert "measuring: 21 of 21 frames" in told
    assert call("measure", tmp_path / "out", "-q") == 0
    assert call("run", film, "-o", tmp_path / "quiet", "--no-plots", "-q") == 0
    assert capsys.readouterr().err == ""
    assert call("run", film, "-o", tmp_path / "out", "--resume", "-q", "-v") == 2
    assert "not allowed with argument -q" in capsys.readouterr().err


def test_a_run_that_goes_on_says_from_where(film, tmp_path, capsys):
    out, longer = tmp_path / "out", tmp_path / "longer.toml"
    assert call("run", film, "-o", out, "--no-plots") == 0
    longer.write_text(small_film(duration="8 us"))
    capsys.readouterr()
    assert call("run", longer, "-o", out, "--no-plots", "--resume") == 0
    assert re.search(r"going on from step \d+ of \d+, 4(\.0\d*)? us of 8", capsys.readouterr().err)


def test_the_folder_is_named_after_the_file(film, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert call("run", film, "--no-plots") == 0
    assert (tmp_path / "film" / "measures.json").exists()


def test_a_run_in_the_folder_is_kept_unless_told(film, folder, capsys):
    before = (folder / "run.h5").read_bytes()
    assert call("run", film, "-o", folder) == 2
    assert "holds a run already" in capsys.readouterr().err
    assert call("run", film, "-o", folder, "--resume", "--no-plots") == 0
    assert "nothing is simulated" in capsys.readouterr().err
    assert (folder / "run.h5").read_bytes() == before


def test_measure_again_with_other_criteria(folder, tmp_path, capsys):
    words = ["measure", folder, "-o", tmp_path / "again", "--bond-distance", "1.2"]
    before = (folder / "measures.json").read_bytes()
    assert call(*words, "--from-time", "1 us", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads((tmp_path / "again" / "measures.json").read_text())
    assert (folder / "measures.json").read_bytes() == before
    assert call("measure", folder / "run.h5", "-o", tmp_path / "again") == 0
    assert "mean chain length" in capsys.readouterr().out
    assert call("measure", folder, "-o", tmp_path / "again", "--bond-energy", "-3 kT") == 0
    chains = json.loads((tmp_path / "again" / "measures.json").read_text())["chains"]
    assert (chains["bond_kind"], chains["bond_energy_kt"]) == ("energy", -3.0)


@pytest.mark.parametrize("kind", ["svg", "pdf"])
def test_plot_again_in_another_format(folder, tmp_path, monkeypatch, kind):
    draw_only(monkeypatch, "film_top", "growth")
    assert call("plot", folder, "-o", tmp_path, "--format", kind) == 0
    assert {path.stem for path in (tmp_path / "figures").glob(f"*.{kind}")} == {
        "film_top",
        "growth",
    }


def test_a_time_after_the_last_frame_is_refused(folder, tmp_path, capsys):
    assert call("measure", folder, "-o", tmp_path / "again", "--from-time", "1 s") == 2
    assert "--from-time must be at most 4e-06 s" in capsys.readouterr().err
    assert not (tmp_path / "again").exists()


def test_a_film_without_room_is_bad_input(tmp_path, capsys):
    crowded = tmp_path / "film.toml"
    crowded.write_text(small_film().replace("volume_fraction = 0.03", "volume_fraction = 0.63"))
    text = crowded.read_text().replace('thickness = "0.12 um"', 'thickness = "0.05 um"')
    crowded.write_text(text.replace("count = 60", "count = 300"))
    assert call("run", crowded, "-o", tmp_path / "out") == 2
    assert "volume_fraction is too large for this film" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_all_mistakes_of_a_file_are_told_at_once(film, tmp_path, capsys):
    wrong = tmp_path / "wrong.toml"
    text = small_film().replace("count = 60", "count = 60\nthicknes = 3")
    wrong.write_text(text.replace("seed = 7", "seed = -7"))
    assert call("run", wrong, "-o", tmp_path / "out") == 2
    told = capsys.readouterr().err
    assert "wrong.toml: 2 mistakes" in told
    assert "thicknes" in told
    assert "seed" in told
    assert not (tmp_path / "out").exists()


def test_a_failed_run_is_1_and_says_what_was_saved(film, tmp_path, capsys, monkeypatch):
    import functools

    from sim.run import simulate as one_run
    from tests.reference.fake_engine import FakeEngine, fake_setup

    monkeypatch.setattr(one_run, "RunSetup", fake_setup(100))
    monkeypatch.setattr(one_run, "make_cpu_engine", functools.partial(FakeEngine, fail_at=40))
    assert call("run", film, "-o", tmp_path / "out") == 1
    told = capsys.readouterr().err
    assert "of 100: particle 3 moved 1.2 diameters" in told
    assert "the run failed at step " in told
    assert "frames up to the failure are in" in told
    assert told.count("\n") == 1


def test_an_error_of_the_program_is_told_as_one(film, monkeypatch, capsys):
    def broken(*_, **__):
        raise KeyError("gone")

    monkeypatch.setattr("sim.outlook.expectations.expect", broken)
    assert call("check", film) == 1
    assert "an error of the program, KeyError: 'gone'" in capsys.readouterr().err
    monkeypatch.setenv("CHAINFILM_TRACEBACK", "1")
    with pytest.raises(KeyError):
        call("check", film)


def test_a_reader_that_stops_early_is_no_error():
    """`chainfilm new - | head -1` ends quietly."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "sim", "new", "-"],
        cwd=ROOT,
        stdout=writer,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    os.close(writer)
    assert done.stderr == ""


def given(monkeypatch, text):
    """Let standard input hold a text."""
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(text.encode())))


def test_parameters_come_from_standard_input(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    given(monkeypatch, small_film())
    assert call("check", "-", "--no-timing", "--json") == 0
    assert json.loads(capsys.readouterr().out)["derived"]["particle_count"] == 60
    given(monkeypatch, small_film().replace("seed = 7", "seeed = 7"))
    assert call("check", "-") == 2
    assert "standard input: 1 mistake" in (told := capsys.readouterr().err)
    assert "the nearest is seed" in told
    given(monkeypatch, small_film())
    for command in ("run", "sweep", "map"):
        assert call(command, "-") == 2
        assert "-o must name the folder" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    given(monkeypatch, small_film() + '\n[sweep]\n"field.strength" = ["5 mT", "10 mT"]\n')
    capsys.readouterr()
    assert call("check", "-", "--no-timing") == 0
    assert "2 points" in capsys.readouterr().out
    monkeypatch.setattr("sys.stdin", None)
    assert call("check", "-") == 2
    assert "nothing can be read" in capsys.readouterr().err


def test_a_run_prints_one_json_document(tmp_path, capsys, monkeypatch):
    given(monkeypatch, small_film())
    out = tmp_path / "out"
    assert call("run", "-", "-o", out, "--no-plots", "--json") == 0
    told = json.loads(capsys.readouterr().out)  # and nothing beside the document
    measures = json.loads((out / "measures.json").read_text())
    assert told["headline"]["chains.mean_length"] == measures["chains"]["mean_length"]
    assert told["headline"]["spacing.nearest_neighbour_m"].keys() >= {"value", "error"}
    assert told["warnings"] == measures["warnings"]
    assert told["finished"] is True
    assert str(out / "run.h5") in told["files"]
    assert all(Path(name).is_file() for name in told["files"])


def test_a_sweep_prints_one_json_document(tmp_path, capsys):
    file, out = tmp_path / "film.toml", tmp_path / "out"
    file.write_text(small_film() + '\n[sweep]\n"field.strength" = ["5 mT", "10 mT"]\n')
    assert call("sweep", file, "-o", out, "--workers", "1", "--no-plots", "--json", "-q") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["runs"], told["runs_finished"], told["failed"]) == (2, 2, [])
    assert [p["settings"] for p in told["points"]] == [
        {"field.strength": "5 mT"},
        {"field.strength": "10 mT"},
    ]
    length = told["points"][0]["headline"]["chains.mean_length"]
    assert length["value"] >= 1.0
    assert length["error"] > 0.0
    assert str(out / "summary.csv") in told["files"]
