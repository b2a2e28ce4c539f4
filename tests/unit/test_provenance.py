"""What outputs say of the program that made them, read back by other programs than the writer."""

import json
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import h5py
import pytest
from PIL import Image

from analysis.files import provenance as told
from analysis.pictures import style
from analysis.trajectory.run import open_run
from sim.command_line import main
from sim.commands import results as command_results
from sim.commands.template import TEMPLATE
from sim.files import provenance
from sim.files.checkpoint import load
from sim.files.comparison import compare_runs
from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.run.simulate import simulate
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.few_figures import draw_only
from tests.reference.planted import planted_run

needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")


def git(folder, *words):
    identity = ("-c", "user.name=nobody", "-c", "user.email=nobody@example.org")
    done = subprocess.run(
        ["git", *identity, *words], cwd=folder, check=True, capture_output=True, text=True
    )
    return done.stdout.strip()


@pytest.fixture
def checkout(tmp_path):
    folder = tmp_path / "tree"
    folder.mkdir()
    git(folder, "init", "-q", "-b", "work")
    (folder / "a.txt").write_text("one")
    git(folder, "add", "a.txt")
    git(folder, "commit", "-q", "-m", "one")
    return folder


@needs_git
def test_commit_is_that_of_git(checkout):
    def agrees(folder):
        provenance.commit.cache_clear()
        return provenance.commit(folder) == git(folder, "rev-parse", "HEAD")

    assert agrees(checkout)
    git(checkout, "pack-refs", "--all")  # the branch has no file of its own then
    assert not (checkout / ".git/refs/heads/work").exists()
    assert agrees(checkout)
    other = checkout.with_name("other")
    git(checkout, "worktree", "add", "-q", "-b", "side", str(other))
    (other / "a.txt").write_text("two")
    git(other, "commit", "-q", "-a", "-m", "two")
    assert agrees(other)
    assert provenance.commit(other) != provenance.commit(checkout)
    git(other, "checkout", "-q", "--detach")
    assert agrees(other)


@pytest.mark.parametrize(
    "head", [None, "", "ref: refs/heads/none", "0123", "ref: ../../secret", "f" * 39 + "\n--"]
)
def test_no_commit_is_told_where_there_is_none(tmp_path, head):
    if head is not None:
        (tmp_path / ".git").mkdir()
        (tmp_path / ".git/HEAD").write_text(head)
    (tmp_path / "secret").write_text("no commit number")
    provenance.commit.cache_clear()
    assert provenance.commit(tmp_path) == ""


def test_sources_change_with_any_file_of_the_program(tmp_path):
    def digits():
        provenance.sources.cache_clear()
        return provenance.sources(tmp_path)

    (tmp_path / "sim/deep").mkdir(parents=True)
    (tmp_path / "sim/deep/a.py").write_text("x = 1\n")
    first = digits()
    (tmp_path / "notes.txt").write_text("of no consequence")
    assert digits() == first
    (tmp_path / "sim/deep/a.py").write_bytes(b"x = 1\r\n")  # as a checkout on another system
    assert digits() == first
    (tmp_path / "sim/deep/a.py").write_text("x = 2\n")
    second = digits()
    (tmp_path / "sim/deep/a.py").rename(tmp_path / "sim/deep/b.py")
    assert len({first, second, digits()}) == 3


def test_sources_are_those_of_this_program(tmp_path):
    root = Path(__file__).parents[2]
    provenance.sources.cache_clear()
    assert provenance.sources() == provenance.sources(root) != provenance.sources(tmp_path)
    provenance.commit.cache_clear()
    assert provenance.commit() == provenance.commit(root)


def test_parts_are_counted_while_nothing_changes(monkeypatch):
    parts = provenance.with_part([], 0, 2)
    parts = provenance.with_part(parts, 10, 2)
    parts = provenance.with_part(parts, 20, 2)
    assert [(part["from_step"], part["resumed"]) for part in parts] == [(0, 2)]
    parts = provenance.with_part(parts, 30, 1)
    monkeypatch.setattr(provenance, "sources", lambda: "another")
    parts = provenance.with_part(parts, 40, 1)
    assert [(part["from_step"], part["threads"], part["resumed"]) for part in parts] == [
        (0, 2, 2), (30, 1, 0), (40, 1, 0),
    ]  # fmt: skip


@pytest.fixture
def run(monkeypatch):
    """Return a function that simulates with the small engine into a folder."""

    def go(directory, steps=100, **more):
        monkeypatch.setattr(one_run, "RunSetup", fake_setup(steps))
        return simulate(
            from_text(TEMPLATE, "film.toml"), directory, engine_factory=FakeEngine, **more
        )

    return go


def test_run_file_and_checkpoint_tell_what_made_them(run, tmp_path, monkeypatch):
    run(tmp_path / "a")
    wanted = provenance.made_by()
    with h5py.File(tmp_path / "a/run.h5") as file:
        attrs = file["parameters"].attrs
        for key in ("version", "sources", "processor"):
            assert attrs[key] == wanted[key]
        assert attrs["commit"] == wanted.get("commit", "")
        assert json.loads(attrs["versions"]) == wanted["versions"]
        assert json.loads(attrs["timing"])["setup_s"] > 0
        assert json.loads(attrs["timing"])["threads"] >= 1
    with h5py.File(tmp_path / "a/checkpoint.h5") as file:
        assert json.loads(file.attrs["made_by"]) == {**wanted, "parameters": "run.h5"}
    assert load(tmp_path / "a/checkpoint.h5").step == 100
    monkeypatch.setattr(provenance, "sources", lambda: "another")
    monkeypatch.setattr(one_run, "sources", lambda: "another")
    longer = run(tmp_path / "a", steps=200, resume=True)
    assert any("begun with another state of the program" in text for text in longer.notices)
    parts = open_run(tmp_path / "a").origin["parts"]
    assert [(part["from_step"], part["sources"]) for part in parts] == [
        (0, wanted["sources"]), (100, "another"),
    ]  # fmt: skip


def test_runs_of_two_commits_are_told_apart_and_may_be_the_same(run, tmp_path):
    run(tmp_path / "a")
    run(tmp_path / "b")
    with h5py.File(tmp_path / "b/run.h5", "a") as file:
        file["parameters"].attrs["commit"] = "0" * 40
    found = compare_runs(tmp_path / "a", tmp_path / "b")
    assert found.same
    assert {(one.section, one.key) for one in found.differences} == {("versions", "commit")}


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("film")
    planted_run(folder, frames=6)
    with h5py.File(folder / "run.h5", "a") as file:
        attrs = file["parameters"].attrs
        attrs["run_id"], attrs["commit"], attrs["sources"] = "run--42", "a" * 40, "b" * 12
    with pytest.MonkeyPatch.context() as patch:
        draw_only(patch, "film_top", "growth")
        command_results.measure_into(folder / "run.h5", folder, plots=True)
    return folder


def test_json_files_hold_all_of_it(measured):
    wanted = provenance.made_by()
    numbers = json.loads((measured / "measures.json").read_text())
    assert numbers["measured_by"].items() >= wanted.items()
    assert numbers["timing"]["measuring_s"] > 0
    whole = open_run(measured)
    for key, value in (("commit", "a" * 40), ("sources", "b" * 12), ("run_id", "run--42")):
        assert numbers["parameters"][key] == value
    assert numbers["parameters"]["resolved"] == whole.resolved
    source = json.loads((measured / "handoff.json").read_text())["source"]
    assert source["parameters"] == whole.resolved
    assert (source["seed"], source["program_commit"]) == (whole.seed, "a" * 40)
    assert source["measured_by"].items() >= wanted.items()


def test_pictures_grids_and_maps_carry_a_line(measured):
    # PNG text chunks (PNG, third edition, section 11.3.3), XML comments (XML 1.0, section 2.5)
    pictures = list((measured / "figures").glob("*.png"))
    assert len(pictures) == 2
    for path in pictures:
        words = Image.open(path).text
        assert words["Software"].startswith("chainfilm "), path
        assert "parameters in measures.json" in words["Description"], path
    for name in ("particles.vtp", "chains.vtp"):
        text = (measured / name).read_text()
        ET.fromstring(text)  # two hyphens of the run's name must not end the comment
        assert "run- 42" in text.splitlines()[1]
        assert provenance.processor_name() in text.splitlines()[1]
    with h5py.File(measured / "optical_thickness.h5") as file:
        assert "run--42" in file.attrs["made_by"]


def test_page_tells_program_machine_and_time_of_each_phase(measured):
    page = (measured / "report.html").read_text()
    made = page[page.index("How this was made") :]
    for words in ("commit " + "a" * 12, "run--42", "Measured by", "Time to measure"):
        assert words in made


@pytest.mark.parametrize(
    ("kind", "names"),
    [("svg", (b"dc:creator", b"dc:description")), ("pdf", (b"/Creator", b"/Subject"))],
)
def test_other_formats_of_pictures_carry_it_too(kind, names):
    about = {**provenance.made_by(), "seed": 5, "parameters": "run.h5"}
    with told.signed(about):
        one, other = (style.figure_bytes(style.new_figure(2.0, 1.0), kind) for _ in range(2))
    assert one == other  # no date in it
    for name in names:
        after = one[one.index(name) :][:200]
        assert b"chainfilm" in after
    assert b"seed 5" in one


def test_nothing_is_claimed_where_nothing_was_handed_over():
    assert told.facts() == {}
    assert told.line() == ""
    assert told.comment() == []
    with told.signed({"program": "chainfilm"}):
        assert told.line() == "chainfilm"
    assert told.facts() == {}


def test_check_tells_it_in_json(tmp_path, capsys):
    (tmp_path / "film.toml").write_text(TEMPLATE)
    assert main(["check", str(tmp_path / "film.toml"), "--json", "--no-timing"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["made_by"] == provenance.made_by()
    assert content["parameters"]["run"]["seed"] == from_text(TEMPLATE, "film.toml").run.seed
