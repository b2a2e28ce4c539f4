"""Arrays that lost a piece are refused by every reader: HDF5 itself reads zeros in its place.

The truth is the file format: a chunk without an entry in the index reads as the fill value (HDF5
File Format Specification, version 3, section VII.A; from memory).
"""

import shutil

import h5py
import numpy as np
import pytest

from analysis.trajectory.run import TrajectoryError, open_run
from sim.command_line import main
from sim.files.comparison import compare_runs
from sim.files.layout import require_sound
from sim.files.opening import RunFileError
from sim.film.start_file import _last_frame
from tests.reference.spoilt_runs import FILM, write_run
from tests.unit.test_trajectory_of_other_origin import COUNT, check, element, film_file, mixed


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return write_run(tmp_path_factory.mktemp("run"))


@pytest.fixture
def path(whole, tmp_path):
    return shutil.copy(whole, tmp_path / "run.h5")


def lose(path, name, chunk, missing):
    """Write an array anew in pieces of a shape, one of which is never written."""
    with h5py.File(path, "r+") as file:
        old = file[name]
        values, attributes, most = old[...], dict(old.attrs), old.maxshape
        del file[name]
        made = file.create_dataset(name, values.shape, values.dtype, chunks=chunk, maxshape=most)
        made.attrs.update(attributes)
        for start in made.iter_chunks():
            corner = tuple(part.start for part in start)
            if corner != missing:
                made[start] = values[start]
        assert not np.array_equal(made[...], values)  # HDF5 says nothing


CASES = [
    (f"{FILM}/position/value", (2, 12, 3), (2, 0, 0), "numbers of frames 2 to 3"),
    (f"{FILM}/moment/value", (1, 6, 3), (5, 6, 0), "numbers of frames 5 to 5"),
    (f"{FILM}/position/step", (2,), (4,), "numbers of frames 4 to 5"),
    (f"{FILM}/position/time", (2,), (4,), "numbers of frames 4 to 5"),
    ("/observables/field/value", (6, 3), (0, 0), "numbers of frames 0 to 5"),
    ("/observables/energy_dipolar/value", (4,), (4,), "numbers of frames 4 to 5"),
    (f"{FILM}/diameter", (4,), (8,), "some of its numbers"),
    (f"{FILM}/box/edges/value", (4, 3), (4, 0), "numbers of frames 4 to 5"),
]


@pytest.mark.parametrize(("name", "chunk", "missing", "told"), CASES)
def test_a_lost_piece_is_told_with_file_array_and_frames(path, name, chunk, missing, told):
    lose(path, name, chunk, missing)
    with pytest.raises(TrajectoryError) as caught:
        open_run(path)
    said = str(caught.value)
    assert f"{path} must hold" in said
    assert f"{name} has lost {told}," in said


@pytest.mark.parametrize("command", ["measure", "plot"])
def test_commands_refuse_it_as_bad_input(path, capsys, command):
    lose(path, *CASES[0][:3])
    assert main([command, str(path.parent)]) == 2
    said = capsys.readouterr().err
    assert "position/value has lost numbers of frames 2 to 3" in said
    assert not (path.parent / "measures.json").exists()


def test_an_array_never_written_is_lost_too(path):
    with h5py.File(path, "r+") as file:
        del file[f"{FILM}/core_diameter"]
        file.create_dataset(f"{FILM}/core_diameter", (12,), "f8")
    with pytest.raises(TrajectoryError, match="core_diameter has lost all its numbers"):
        open_run(path)


def test_room_beyond_the_frames_that_count_is_no_loss(path, whole):
    good = open_run(whole).positions(3)
    lose(path, *CASES[0][:2], (4, 0, 0))
    with h5py.File(path, "r+") as file:
        file["parameters/frames_complete"][()] = 4
    run = open_run(path)
    assert run.frames == 4
    assert np.array_equal(run.positions(3), good)


@pytest.mark.parametrize("moved", [False, True])
def test_pieces_of_fillers_alone_need_not_be_there(tmp_path, moved):
    # H5MD (from memory): what no particle fills has the fill value that the writer chose.
    rows = COUNT + 10
    order = mixed(COUNT) if moved else np.tile(np.arange(COUNT), (4, 1))
    order = np.concatenate([order, np.full((4, 10), -1)], axis=1)
    path = film_file(
        tmp_path / "a.h5", lambda film: element(film, "id", order), order=order, rows=rows
    )
    with h5py.File(path, "r+") as file:
        names = ["particles/beads/position/value"]
        for name in names:
            values, attributes = file[name][...], dict(file[name].attrs)
            del file[name]
            made = file.create_dataset(name, values.shape, chunks=(1, 10, 3), dtype="f8")
            made.attrs.update(attributes)
            made[:, :COUNT] = values[:, :COUNT]
    if moved:  # where the rows of the fillers are not fixed, every piece must be there
        with pytest.raises(TrajectoryError, match="has lost numbers of frames 0"):
            check(path)
    else:
        check(path)


def test_going_on_starting_and_comparing_refuse_it(path, whole, tmp_path):
    lose(path, *CASES[0][:2], (4, 0, 0))
    with pytest.raises(RunFileError, match=r"damaged: .*position/value has lost .* 4 to 5"):
        _last_frame(path)
    for name, folder in (("a", whole), ("b", path)):
        (tmp_path / name).mkdir()
        shutil.copy(folder, tmp_path / name / "run.h5")
    with pytest.raises(RunFileError, match="position/value of one of the runs is damaged"):
        compare_runs(tmp_path / "a", tmp_path / "b")
    again = shutil.copy(whole, tmp_path / "again.h5")
    lose(again, *CASES[6][:3])
    with h5py.File(again) as file, pytest.raises(OSError, match="diameter has lost"):
        require_sound(file, 6)
    with pytest.raises(RunFileError, match="diameter has lost"):
        _last_frame(again)
