"""Files that cannot be used: one clear sentence, exit code 2, nothing written over."""

import os
import random
from pathlib import Path

import h5py
import pytest

from sim.command_line import main
from sim.engines.protocol import ENERGIES
from sim.files.checkpoint import load
from sim.files.opening import RunFileError
from sim.files.record import Ending, RunRecord, resolved
from sim.files.run_file import RunWriter
from tests.reference.fake_engine import FakeEngine, fake_particles, fake_setup
from tests.reference.small_film import small_film


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(small_film())
    return path


@pytest.fixture
def folder(tmp_path, film, monkeypatch):
    """Return the folder of an interrupted run, made without kernels."""
    from sim.files.record import Ending
    from sim.parameters import load
    from sim.run import simulate as one_run
    from sim.run.schedule import AtSteps
    from sim.run.watchers import Stop

    class AtStep50:
        schedule = AtSteps([50])

        def look(self, scene):
            raise Stop(Ending.INTERRUPTED, f"interrupted at {scene.engine.step}")

        def close(self, scene):
            pass

    monkeypatch.setattr(one_run, "RunSetup", fake_setup(100))
    one_run.simulate(
        load(film), tmp_path / "out", engine_factory=FakeEngine, stop_rules=[AtStep50()]
    )
    return tmp_path / "out"


def everything(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def refuses(words, said, capsys, where):
    """Check exit code, one line on standard error, and that no file is touched."""
    before = everything(where)
    assert main([str(word) for word in words]) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert told.err.count("\n") == 1, told.err
    assert everything(where) == before


def cut_short(path):
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])


def no_hdf5(path):
    path.write_text("step,x,y,z\n0,1,2,3\n")


def empty(path):
    path.write_bytes(b"")


def other_hdf5(path):
    path.unlink()
    with h5py.File(path, "w") as file:
        file["weather"] = [1.0, 2.0]


def a_folder(path):
    path.unlink()
    path.mkdir()


def absent(path):
    path.unlink()


SPOIL = {
    cut_short: "cut short or damaged",
    no_hdf5: "is not an HDF5 file",
    empty: "is not an HDF5 file",
    other_hdf5: "is an HDF5 file but not a run of chainfilm",
    a_folder: "is a folder, not a file",
}


@pytest.mark.parametrize("spoil", SPOIL)
def test_resume_refuses_a_spoilt_run_file(folder, film, capsys, tmp_path, spoil):
    spoil(folder / "run.h5")
    refuses(["run", film, "-o", folder, "--resume"], SPOIL[spoil], capsys, tmp_path)


@pytest.mark.parametrize("spoil", [cut_short, no_hdf5, empty, other_hdf5, a_folder])
def test_resume_refuses_a_spoilt_checkpoint(folder, film, capsys, tmp_path, spoil):
    said = SPOIL[spoil] if spoil is not other_hdf5 else "is not a checkpoint of chainfilm"
    spoil(folder / "checkpoint.h5")
    refuses(["run", film, "-o", folder, "--resume"], said, capsys, tmp_path)


@pytest.mark.parametrize("command", ["measure", "plot"])
@pytest.mark.parametrize("spoil", [cut_short, no_hdf5, empty, other_hdf5, a_folder, absent])
def test_measure_and_plot_refuse_a_spoilt_run_file(folder, capsys, tmp_path, spoil, command):
    spoil(folder / "run.h5")
    refuses([command, folder], "run.h5" if spoil is not absent else "out", capsys, tmp_path)


@pytest.mark.parametrize("command", ["measure", "plot"])
def test_measure_and_plot_refuse_what_is_not_there(capsys, tmp_path, command):
    refuses([command, tmp_path / "nothing"], "nothing", capsys, tmp_path)


def test_pipes_are_refused_and_not_waited_for(folder, film, capsys, tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for words in (
        ["measure", pipe],
        ["plot", pipe],
        ["check", "--same", pipe, folder],
        ["check", "--same", folder, pipe],
        ["run", film, "-o", pipe],
    ):
        refuses(words, "pipe", capsys, tmp_path)
    assert main(["check", str(pipe)]) == 2
    assert "the path is no ordinary file" in capsys.readouterr().err


def test_a_pipe_in_the_place_of_a_run_file_or_a_checkpoint(folder, film, capsys, tmp_path):
    for name in ("checkpoint.h5", "run.h5"):
        (folder / name).unlink()
        os.mkfifo(folder / name)
        for words in (["measure", folder], ["run", film, "-o", folder, "--resume"]):
            if name == "run.h5" or words[0] == "run":
                refuses(words, name, capsys, tmp_path)


def never_written(file):
    """Positions of 24 TB of which the file holds nothing."""
    del file["/particles/film/position/value"]
    file.create_dataset("/particles/film/position/value", (10**12, 1, 3), "f8", chunks=(1, 1, 3))


def test_arrays_that_were_never_written_are_refused_before_room_is_made(
    folder, film, capsys, tmp_path
):
    with h5py.File(folder / "run.h5", "r+") as file:
        never_written(file)
    for words in (
        ["run", film, "-o", folder, "--resume"],
        ["measure", folder],
        ["check", "--same", folder, folder],
    ):
        refuses(words, "says to be of shape (1000000000000, 1, 3)", capsys, tmp_path)


@pytest.mark.parametrize("command", ["check", "run"])
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\x89HDF\r\n\x1a\n\x00\xff\xfe", "film.toml"),
        (b"[film\nthickness = 3", "film.toml"),
        (b"", "film.toml"),
    ],
)
def test_parameter_files_that_are_none(film, capsys, tmp_path, command, content, said):
    film.write_bytes(content)
    assert main([command, str(film)]) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert told.out == ""
    assert [path.name for path in tmp_path.iterdir()] == ["film.toml"]


@pytest.mark.parametrize("command", ["check", "run"])
def test_parameter_file_that_is_absent_or_a_folder(capsys, tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    for name in ("absent.toml", "."):
        assert main([command, name]) == 2
        assert capsys.readouterr().err.startswith("chainfilm: ")
    assert list(tmp_path.iterdir()) == []


def test_output_folders_that_may_not_be_used(film, capsys, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for out, said in (
        (tmp_path / "mine", "is not empty and holds no run"),
        (tmp_path / "file", "is a file"),
    ):
        refuses(["run", film, "-o", out], said, capsys, tmp_path)


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a place nobody can write")
@pytest.mark.filterwarnings("error")
def test_a_folder_that_cannot_be_written_is_told_before_simulating(
    film, capsys, tmp_path, monkeypatch
):
    """/proc takes no folders, whoever asks; a mode of 555 would not stop the superuser."""
    from sim.run import simulate as one_run

    def never(*_):
        raise AssertionError("simulated")

    monkeypatch.setattr(one_run, "RunSetup", fake_setup(100))
    monkeypatch.setattr(one_run, "make_cpu_engine", never)
    refuses(["run", film, "-o", "/proc/out"], "cannot be written", capsys, tmp_path)


def test_a_file_without_frames_is_no_trajectory(film, capsys, tmp_path):
    from sim.parameters import load

    parameters = load(film)
    record = RunRecord(
        text=parameters.text,
        resolved=resolved(parameters),
        derived={},
        seed=7,
        bonds={"distance": 1.3, "alignment": 0.5},
        provisional=True,
        time_step_s=1e-9,
        frames_planned=8,
        steps_planned=100,
        run_id="abc",
    )
    (tmp_path / "out").mkdir()
    writer = RunWriter.create(tmp_path / "out" / "run.h5", record, fake_particles(), ENERGIES)
    writer.end(Ending.FAILED, "failed", {})
    writer.close()
    refuses(["measure", tmp_path / "out"], "run.h5", capsys, tmp_path)


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a place nobody can write")
def test_measuring_into_a_folder_that_cannot_be_written_is_refused_before(
    folder, capsys, tmp_path, monkeypatch
):
    def never(*_, **__):
        raise AssertionError("measured")

    monkeypatch.setattr("analysis.measures.measure.measure", never)
    words = ["measure", folder / "run.h5", "-o", "/proc/out"]
    refuses(words, "output folder /proc/out cannot be written", capsys, tmp_path)


def test_a_flipped_bit_in_a_checkpoint_is_seen(folder):
    """A run that went on from it would be wrong without a word."""
    path = folder / "checkpoint.h5"
    whole, chance = path.read_bytes(), random.Random(1)
    for _ in range(400):
        spoilt = bytearray(whole)
        spoilt[chance.randrange(len(whole) - 20)] ^= 1 << chance.randrange(8)
        path.write_bytes(spoilt)
        with pytest.raises(RunFileError, match="damaged"):
            load(path)
