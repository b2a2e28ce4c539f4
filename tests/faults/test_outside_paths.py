"""Paths in parameter files, run files and records lead nowhere outside the output folder."""

import json
import shutil

import h5py
import pytest

import sim
from sim.command_line import main
from sim.files.checkpoint import load
from sim.files.opening import RunFileError
from sim.files.record import Ending
from sim.files.run_file import RunWriter
from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.run.schedule import AtSteps
from sim.run.watchers import Stop
from sim.sweeps.folder import SweepFolder
from sim.sweeps.table import plan_sweep
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.small_film import small_film

VICTIM = b"nothing may change here" * 100


class AtStep50:
    schedule = AtSteps([50])

    def look(self, scene):
        raise Stop(Ending.INTERRUPTED, f"interrupted at {scene.engine.step}")

    def close(self, scene):
        pass


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Return the folder of an interrupted run, made without kernels."""
    monkeypatch.setattr(one_run, "RunSetup", fake_setup(100))
    go(tmp_path / "out", stop_rules=[AtStep50()])
    return tmp_path / "out"


def go(folder, **options):
    return one_run.simulate(from_text(small_film()), folder, engine_factory=FakeEngine, **options)


def outside_of(folder):
    """Return all files beside a folder, with their contents."""
    files = (path for path in folder.parent.rglob("*") if path.is_file())
    return {path: path.read_bytes() for path in files if folder not in path.parents}


def external_values(file, name, victim):
    """Values in the bytes of another file, which a longer run would write over."""
    shape, kind = file[name].shape, file[name].dtype
    del file[name]
    file.create_dataset(name, shape, dtype=kind, external=[(victim, 0, len(VICTIM))])


def external_link(file, name, victim):
    del file[name]
    file[name] = h5py.ExternalLink(victim, name)


def linked_group(file, name, victim):
    """A soft link that passes through a link to another file."""
    del file[name]
    file["elsewhere"] = h5py.ExternalLink(victim, "/")
    file[name] = h5py.SoftLink(f"/elsewhere{name}")


ENERGY, COUNTED = "/observables/energy_dipolar/value", "/parameters/frames_complete"


@pytest.mark.parametrize(
    ("spoil", "name"),
    [
        (external_values, ENERGY),
        (external_link, ENERGY),
        (external_link, COUNTED),
        (linked_group, ENERGY),
        (linked_group, COUNTED),
    ],
)
def test_resume_writes_into_no_other_file(run, spoil, name):
    victim = run.parent / "victim.h5"
    if spoil is external_values:
        victim.write_bytes(VICTIM)
    else:
        shutil.copy(run / "run.h5", victim)
    with h5py.File(run / "run.h5", "r+") as file:
        spoil(file, name, str(victim))
    before = outside_of(run)
    with pytest.raises(RunFileError, match="must hold all of its contents itself"):
        go(run, resume=True)
    with pytest.raises(RunFileError, match="must hold all of its contents itself"):
        RunWriter.reopen(run / "run.h5", 50)
    assert outside_of(run) == before


def test_a_checkpoint_is_read_from_no_other_file(run):
    victim = run.parent / "victim.h5"
    shutil.copy(run / "checkpoint.h5", victim)
    with h5py.File(run / "checkpoint.h5", "r+") as file:
        external_link(file, "/engine", str(victim))
    with pytest.raises(RunFileError, match="/engine is a link to"):
        load(run / "checkpoint.h5")


def test_links_inside_a_run_are_followed_inside(run):
    with h5py.File(run / "run.h5", "r+") as file:
        file["/observables/copy"] = h5py.SoftLink("/observables/energy_dipolar")
    before = outside_of(run)
    assert go(run, resume=True).finished
    assert outside_of(run) == before


def test_a_start_elsewhere_is_only_read(tmp_path):
    """An absolute path in [start] is read, and the folder that it names stays as it is."""
    source = tmp_path / "source"
    sim.simulate(from_text(small_film(frames=2)), source, threads=1)
    film = small_film(frames=2) + f'[start]\nkind = "file"\npath = "{source}"\n'
    output = tmp_path / "started"
    before = outside_of(output)
    sim.simulate(from_text(film), output, threads=1)
    assert outside_of(output) == before


@pytest.mark.parametrize("path", ["../../away", "/tmp/away", "a/../../b", "~/away", "a\\b"])
def test_swept_texts_name_no_folder(path):
    """Folders of a sweep are numbered; values and titles have no part in them."""
    start = '[start]\nkind = "file"\npath = "x.h5"\n'
    table = f'[sweep]\n"start.path" = ["x.h5", {json.dumps(path)}]\n'
    text = small_film().replace("small film", "../../title") + start + table
    runs = plan_sweep(from_text(text)).runs
    assert [run.folder for run in runs] == [f"runs/point_{k}_replica_1" for k in (1, 2)]


def test_overwriting_a_sweep_removes_nothing_outside(tmp_path, capsys):
    film, output = tmp_path / "film.toml", tmp_path / "out"
    film.write_text(small_film() + '[sweep]\n"field.strength" = ["5 mT"]\n')
    output.mkdir()
    away = tmp_path / "away"
    away.mkdir()
    for name in ("run.h5", "checkpoint.h5", "outcome.json", "report.html"):
        (away / name).write_bytes(VICTIM)
    named = [{"runs": [{"folder": folder}]} for folder in ("../away", str(away), "..", ".")]
    (output / "sweep.json").write_text(json.dumps({"points": named}))
    before = outside_of(output)
    folder = SweepFolder(output)
    folder.claim(plan_sweep(sim.load(film)), resume=False, overwrite=True)
    assert outside_of(output) == before


@pytest.mark.parametrize("folder", ["../away", "runs/../../away", "/tmp/away"])
def test_measuring_a_sweep_again_writes_nothing_outside(tmp_path, capsys, folder):
    output = tmp_path / "out"
    output.mkdir()
    record = {
        "keys": [],
        "points": [{"point": 1, "columns": {}, "runs": [{"replica": 1, "folder": folder}]}],
    }
    (output / "sweep.json").write_text(json.dumps(record))
    assert main(["measure", str(output)]) == 2
    assert "must name folders of runs inside its own" in capsys.readouterr().err
    assert outside_of(output) == {}
