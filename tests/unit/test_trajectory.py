"""Run files are read back as written; every other file gets one clear sentence."""

import h5py
import numpy as np
import pytest

from analysis.trajectory.run import TrajectoryError, open_run
from tests.reference.planted import DIAMETER, MOMENT, planted_run


@pytest.fixture
def run_file(tmp_path):
    return planted_run(tmp_path / "film", frames=4, sides=(0.5e-6, 0.3e-6))


def test_run_is_read_from_its_folder_or_file(run_file):
    for path in (run_file, run_file.parent, str(run_file)):
        run = open_run(path)
        assert run.frames == 5
        assert run.times == pytest.approx(np.linspace(0, 2e-4, 5))
        assert run.steps[-1] == 40000
        assert run.sides == pytest.approx([0.5e-6, 0.3e-6])
        assert run.thickness == pytest.approx(0.3e-6)
        assert (run.diameters == DIAMETER).all()
        assert run.bonds == {"distance": 1.3, "alignment": 0.5}
        assert run.derived["particle_count"] == run.count
        assert run.observables["field"].shape == (5, 3)
        assert run.timing["threads"] == 2
        assert "[particles]" in run.parameters_text
        assert run.finished
        assert run.notices == ()


def test_frames_are_the_stored_arrays(run_file):
    run = open_run(run_file)
    with h5py.File(run_file) as file:
        stored = file["particles/film/position/value"][...]
        moments = file["particles/film/moment/value"][...]
    for frame in (3, 0, -1, 2):
        assert np.allclose(run.positions(frame), stored[frame], rtol=0, atol=1e-20)
        assert np.array_equal(run.moments(frame), moments[frame].astype(float))
    assert np.linalg.norm(run.moments(1), axis=1) == pytest.approx(MOMENT, rel=1e-5)
    with pytest.raises(IndexError):
        run.positions(5)


def test_blocks_do_not_change_what_is_read(run_file, monkeypatch):
    from analysis.trajectory import run as trajectory

    whole = [open_run(run_file).positions(k) for k in range(5)]
    monkeypatch.setattr(trajectory, "BLOCK_BYTES", 1)
    single = open_run(run_file)
    assert all(np.array_equal(single.positions(k), whole[k]) for k in (4, 0, 2, 1, 3))


def test_what_a_killed_run_left_is_read_up_to_its_counter(run_file):
    with h5py.File(run_file, "a") as file:
        file["parameters/frames_complete"][()] = 3
        file["parameters"].attrs["finished"] = False
    run = open_run(run_file)
    assert (run.frames, len(run.times), len(run.observables["field"])) == (3, 3, 3)
    assert not run.finished
    with pytest.raises(IndexError):
        run.positions(3)


def foreign(
    path, *, moments=True, unit="nm", edges=(500.0, 300.0, 200.0), time=None, group="beads"
):
    """An H5MD file of other origin: other units, unwrapped positions, no record of a run."""
    rng = np.random.default_rng(1)
    with h5py.File(path, "w") as file:
        file.create_group("h5md").attrs["version"] = [1, 1]
        film = file.create_group(f"particles/{group}")
        box = film.create_group("box")
        box.attrs["dimension"] = 3
        box["edges"] = np.array(edges)
        if unit:
            box["edges"].attrs["unit"] = unit
        position = film.create_group("position")
        position["value"] = rng.random((3, 20, 3)) * 900 - 200
        if unit:
            position["value"].attrs["unit"] = unit
        position["step"] = 10
        position["time"] = 2.5 if time is None else time
        if unit:
            position["time"].attrs["unit"] = "us"
        film["diameter"] = np.full(20, 24.0)
        if unit:
            film["diameter"].attrs["unit"] = unit
        if moments:
            film.create_group("moment")["value"] = rng.standard_normal((3, 20, 3))
    return path


def test_file_of_other_origin_with_other_units(tmp_path):
    run = open_run(foreign(tmp_path / "other.h5"))
    assert run.group == "beads"
    assert run.sides == pytest.approx([5e-7, 3e-7])
    assert run.diameters == pytest.approx(np.full(20, 24e-9))
    assert run.times == pytest.approx([0, 2.5e-6, 5e-6])
    assert run.steps.tolist() == [0, 10, 20]
    inside = run.positions(1)[:, :2]
    assert ((inside >= 0) & (inside < run.sides)).all()
    assert any("moments" in notice for notice in run.notices)
    assert run.derived == {}


def test_missing_moments_are_one_sentence_when_asked_for(tmp_path):
    run = open_run(foreign(tmp_path / "bare.h5", moments=False))
    assert not run.has_moments
    with pytest.raises(TrajectoryError, match="must hold /particles/beads/moment/value"):
        run.moments(0)


def broken(tmp_path, change):
    path = planted_run(tmp_path / "film", frames=2, sides=(0.5e-6, 0.3e-6))
    with h5py.File(path, "a") as file:
        change(file)
    return path


def replaced(name, data):
    def change(file):
        del file[name]
        if data is not None:
            file[name] = data

    return change


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (replaced("h5md", None), "must be an H5MD file"),
        (replaced("particles/film/position", None), "position/value; it does not"),
        (replaced("particles/film/position/value", np.zeros((2, 5))), "of shape"),
        (replaced("particles/film/position/value", np.zeros((2, 0, 3))), "at least one particle"),
        (replaced("particles/film/moment/value", np.zeros((3, 4))), "moment/value of shape"),
        (replaced("particles/film/diameter", None), "positive particle diameters"),
        (
            replaced("particles/film/diameter", np.zeros(168)),
            "one finite diameter|positive particle",
        ),
        (replaced("particles/film/box", None), "must hold the patch"),
        (replaced("particles/film/box/edges", np.zeros(3)), "three positive box edges"),
        (replaced("particles/film/box/edges", np.ones((3, 3))), "three positive box edges"),
        (replaced("parameters/frames_complete", 0), "at least one complete frame"),
        (replaced("particles/film/position/time", np.array([0.0, np.nan, 1])), "rising times"),
    ],
)
def test_one_sentence_for_each_defect(tmp_path, change, message):
    path = broken(tmp_path, change)
    with pytest.raises(TrajectoryError, match=message) as caught:
        open_run(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unknown_unit_and_two_groups(tmp_path):
    path = foreign(tmp_path / "a.h5", unit="furlong")
    with pytest.raises(TrajectoryError, match="it gives them in 'furlong'"):
        open_run(path)
    path = foreign(tmp_path / "b.h5")
    with h5py.File(path, "a") as file:
        file.create_group("particles/walls")
    with pytest.raises(TrajectoryError, match="one group of particles or one called film"):
        open_run(path)


def test_files_that_are_no_runs(tmp_path):
    text = tmp_path / "text.h5"
    text.write_text("not at all")
    with pytest.raises(TrajectoryError, match="is not an HDF5 file"):
        open_run(text)
    with pytest.raises(TrajectoryError, match=r"must be a folder with run\.h5"):
        open_run(tmp_path / "nowhere")
    with pytest.raises(TrajectoryError, match=r"must be a folder with run\.h5"):
        open_run(tmp_path)
    path = planted_run(tmp_path / "cut", frames=2)
    content = path.read_bytes()
    for keep in (4, 100, 3000, len(content) // 2, len(content) - 100):
        path.write_bytes(content[:keep])
        with pytest.raises(TrajectoryError, match=r"cut/run\.h5 must"):
            open_run(path)


def test_position_that_is_not_a_number(run_file):
    with h5py.File(run_file, "a") as file:
        file["particles/film/position/value"][2, 0, 0] = np.nan
    run = open_run(run_file)
    run.positions(1)
    with pytest.raises(TrajectoryError, match=r"frame 2 .* must hold finite positions"):
        run.positions(2)
