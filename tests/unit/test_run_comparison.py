"""Comparing two runs; with the small deterministic engine, and bits changed by hand."""

import functools
import json
import shutil
from dataclasses import replace

import h5py
import numpy as np
import pytest

from sim.command_line import main
from sim.commands.template import TEMPLATE
from sim.files.comparison import compare_runs
from sim.files.opening import RunFileError
from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.run.simulate import simulate
from tests.reference.fake_engine import FakeEngine, fake_setup

POSITION = "particles/film/position/value"


@pytest.fixture
def run(monkeypatch):
    """Return a function that simulates with the small engine into a folder."""

    def go(directory, *, seed=7, steps=100, temperature=None, **engine):
        monkeypatch.setattr(one_run, "RunSetup", fake_setup(steps))
        whole = from_text(TEMPLATE, "film.toml").with_seed(seed)
        if temperature is not None:
            whole = replace(whole, carrier=replace(whole.carrier, temperature=temperature))
        given = replace(whole, output=replace(whole.output, frames=8))
        simulate(given, directory, engine_factory=functools.partial(FakeEngine, **engine))
        return directory

    return go


def sections(found):
    return {one.section for one in found.differences}


def keys(found, section):
    return [one.key for one in found.of(section)]


def compare(*words, capsys):
    code = main(["check", "--same", *(str(word) for word in words)])
    return code, capsys.readouterr()


def test_two_runs_of_one_file_are_the_same(run, tmp_path, capsys):
    one, other = run(tmp_path / "a"), run(tmp_path / "b", sleep_s=1e-5)
    found = compare_runs(one, other)
    assert found.same
    assert found.differences == ()  # the clock's times and the run's identity do not count
    assert found.frames == (9, 9)
    code, told = compare(one, other / "run.h5", capsys=capsys)
    assert code == 0
    assert "the same bit for bit (9 frames)" in told.out
    assert "neither run has been measured" in told.out
    assert "the same in both: parameters, seed, versions, machine, ending, frames" in told.out


def test_another_seed_changes_frames_and_seed_only(run, tmp_path, capsys):
    one, other = run(tmp_path / "a"), run(tmp_path / "b", seed=8)
    found = compare_runs(one, other)
    assert not found.same
    assert sections(found) == {"seed", "frames"}
    assert found.of("seed")[0].values == (7, 8)
    assert "position" in keys(found, "frames")
    code, told = compare(one, other, capsys=capsys)
    assert code == 1
    assert "seed is 7 in the first run, 8 in the second" in told.out
    assert "position first differs in frame 0" in told.out


def test_a_setting_that_leaves_the_frames_alone_is_told(run, tmp_path, capsys):
    one, other = run(tmp_path / "a"), run(tmp_path / "b", temperature=310.0)
    found = compare_runs(one, other)
    assert found.same
    assert keys(found, "parameters") == ["carrier.temperature"]
    code, told = compare(one, other, "--json", capsys=capsys)
    assert code == 0
    content = json.loads(told.out)
    assert content["same"] is True
    (row,) = content["differences"]["parameters"]
    assert row["values"] == [298.15, 310.0]


def test_a_longer_run_differs_by_its_frames(run, tmp_path):
    found = compare_runs(run(tmp_path / "a"), run(tmp_path / "b", steps=50))
    assert not found.same
    assert "step" in keys(found, "frames")


def test_fewer_frames_differ_though_those_there_agree(run, tmp_path):
    one = run(tmp_path / "a")
    other = shutil.copytree(one, tmp_path / "b")
    with h5py.File(other / "run.h5", "r+") as file:
        file["parameters/frames_complete"][()] = 5
    found = compare_runs(one, other)
    assert not found.same
    assert keys(found, "frames") == ["frames"]
    assert found.frames == (9, 5)


@pytest.mark.parametrize(("row", "particle"), [(0, 0), (4, 7), (8, 11)])
def test_one_bit_is_found_where_it_was_turned(run, tmp_path, row, particle):
    one = run(tmp_path / "a")
    other = shutil.copytree(one, tmp_path / "b")
    with h5py.File(other / "run.h5", "r+") as file:
        before = file[POSITION][row, particle, 1]
        after = np.nextafter(before, 1.0)
        file[POSITION][row, particle, 1] = after
    (difference,) = compare_runs(one, other).differences
    assert (difference.section, difference.key) == ("frames", "position")
    assert difference.values == (row, after - before)


def test_bits_count_not_values(run, tmp_path):
    """-0 equals 0 and NaN does not equal itself; by their bits it is the other way round."""
    one = run(tmp_path / "a")
    path = "observables/energy_steric/value"
    with h5py.File(one / "run.h5", "r+") as file:
        file[path][2:4] = [0.0, np.nan]
    other = shutil.copytree(one, tmp_path / "b")
    assert compare_runs(one, other).same
    with h5py.File(other / "run.h5", "r+") as file:
        file[path][2] = -0.0
    assert keys(compare_runs(one, other), "frames") == ["energy_steric"]


def test_sizes_versions_and_machine_are_compared(run, tmp_path):
    one = run(tmp_path / "a")
    other = shutil.copytree(one, tmp_path / "b")
    with h5py.File(other / "run.h5", "r+") as file:
        attrs = file["parameters"].attrs
        attrs["processor"] = "another processor"
        attrs["versions"] = json.dumps(json.loads(attrs["versions"]) | {"numpy": "2.0.0"})
        file["particles/film/diameter"][3] *= 1.5
        del file["observables/energy_gravity"]
    found = compare_runs(one, other)
    assert keys(found, "machine") == ["processor"]
    assert keys(found, "versions") == ["numpy"]
    assert keys(found, "frames") == ["diameter", "energy_gravity"]


def test_measured_numbers_are_compared_but_not_times(run, tmp_path, capsys):
    one, other = run(tmp_path / "a"), run(tmp_path / "b")
    content = {
        "parameters": {"version": "1"},
        "chains": {"mean_length": {"value": 3.0, "error": 0.1}, "longest": {"value": None}},
        "timing": {"stepping_s": 1.0},
    }
    (one / "measures.json").write_text(json.dumps(content))
    code, told = compare(one, other, capsys=capsys)
    assert code == 0
    assert "the second run has not been measured" in told.out
    content["timing"]["stepping_s"] = 2.0
    (other / "measures.json").write_text(json.dumps(content))
    assert compare_runs(one, other).differences == ()
    content["chains"]["mean_length"]["value"] = 3.5
    (other / "measures.json").write_text(json.dumps(content))
    found = compare_runs(one, other)
    assert found.same
    assert keys(found, "measured") == ["chains.mean_length.value"]
    code, told = compare(one, other, capsys=capsys)
    assert code == 0
    assert "chains.mean_length.value is 3.0 in the first run, 3.5 in the second" in told.out


def test_what_is_no_run_is_bad_input(run, tmp_path, capsys):
    one = run(tmp_path / "a")
    (tmp_path / "empty").mkdir()
    (tmp_path / "sweep").mkdir()
    (tmp_path / "sweep" / "sweep.json").write_text("{}")
    (tmp_path / "text").write_text("no run")
    broken = shutil.copytree(one, tmp_path / "broken")
    (broken / "measures.json").write_text("[1")
    with h5py.File(tmp_path / "other.h5", "w"):
        pass
    for name, sentence in {
        "nothing": "does not exist",
        "empty": "is no folder of a run",
        "sweep": "is the folder of a sweep",
        "text": "is not an HDF5 file",
        "other.h5": "not a run of chainfilm",
        "broken": "measures.json cannot be read",
    }.items():
        code, told = compare(one, tmp_path / name, capsys=capsys)
        assert (code, told.out) == (2, "")
        assert sentence in told.err
        assert told.err.count("\n") == 1


@pytest.mark.parametrize("keep", [0.3, 0.6, 0.9])
def test_a_file_cut_short_is_bad_input(run, tmp_path, keep):
    one = run(tmp_path / "a")
    other = shutil.copytree(one, tmp_path / "b")
    data = (other / "run.h5").read_bytes()
    (other / "run.h5").write_bytes(data[: int(keep * len(data))])
    with pytest.raises(RunFileError):
        compare_runs(one, other)


@pytest.mark.parametrize(
    "words",
    [["check"], ["check", "film.toml", "--same", "a", "b"], ["check", "--same", "a"],
     ["check", "--same", "a", "b", "--seed", "1"]],
)  # fmt: skip
def test_options_that_do_not_go_together(words, capsys):
    assert main(words) == 2
    assert capsys.readouterr().err.count("\n") == 1
