"""Frames for viewers: H5MD in nm and ps, VTK series; what is read back is what the run holds."""

import xml.etree.ElementTree as ET
from pathlib import Path

import h5py
import numpy as np
import pyh5md
import pytest

from analysis import find_chains, open_run
from analysis.measures.viewers import frames_shown
from sim.command_line import main
from tests.reference.h5md_rules import broken_rules
from tests.reference.planted import planted_run

FRAMES = 5
ALL = 20


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("film")
    planted_run(folder, frames=ALL)
    assert main(["export", str(folder), "--frames", str(FRAMES)]) == 0
    return folder


@pytest.fixture
def run(folder):
    return open_run(folder)


@pytest.fixture
def chosen(run):
    """Return the numbers of the frames that are shown: first and last, evenly spread."""
    numbers = frames_shown(run.frames, FRAMES)
    assert (numbers[0], numbers[-1], len(numbers)) == (0, run.frames - 1, FRAMES)
    assert np.ptp(np.diff(numbers)) <= 1
    return numbers


def test_no_more_frames_than_there_are():
    assert frames_shown(3, 200) == [0, 1, 2]
    assert frames_shown(7, 1) == [0]


def test_the_export_keeps_the_rules_of_h5md(folder):
    assert broken_rules(folder / "film_nm.h5") == []


def test_a_reader_of_the_standard_sees_nanometres_and_picoseconds(folder, run, chosen):
    with pyh5md.File(folder / "film_nm.h5", "r") as file:
        film = file.particles_group("film")
        place, box = pyh5md.element(film, "position"), pyh5md.element(film, "box/edges")
        units = [data.attrs["unit"] for data in (place.value, box.value, place.time)]
        assert units == ["nm", "nm", "ps"]
        np.testing.assert_allclose(place.time[()], run.times[chosen] * 1e12, rtol=1e-12)
        np.testing.assert_array_equal(place.step[()], run.steps[chosen])
        np.testing.assert_allclose(box.value[0], np.array([*run.sides, run.thickness]) * 1e9)
        for row, number in enumerate(chosen):
            at = place.value[row].astype(float) * 1e-9  # to single precision, IEEE 754
            np.testing.assert_allclose(at, run.positions(number), rtol=1.001 * 2.0**-24)
        sizes = pyh5md.element(film, "diameter").value[()]
        np.testing.assert_allclose(sizes, run.diameters * 1e9, rtol=1e-6)
        lengths = pyh5md.element(film, "chain_length").value[-1]
    last = find_chains(run.positions(-1), run.moments(-1), run.diameters, run.sides)
    np.testing.assert_array_equal(lengths, last.size[last.group])


def test_the_export_is_a_run_that_can_be_measured(folder, run, chosen):
    again = open_run(folder / "film_nm.h5")
    assert (again.frames, again.count, again.has_moments) == (FRAMES, run.count, True)
    assert again.notices == ()
    np.testing.assert_allclose(again.times, run.times[chosen], rtol=1e-12)
    np.testing.assert_allclose(again.moments(2), run.moments(chosen[2]), rtol=1e-6)


@pytest.mark.parametrize("kind", ["particles", "chains"])
def test_a_series_leads_to_its_files_and_times(folder, run, chosen, kind):
    root = ET.parse(folder / f"{kind}.pvd").getroot()
    assert (root.tag, root.get("type")) == ("VTKFile", "Collection")
    rows = root.findall("./Collection/DataSet")
    times = [float(row.get("timestep")) for row in rows]
    np.testing.assert_allclose(times, run.times[chosen] * 1e6, rtol=1e-8)
    files = [folder / row.get("file") for row in rows]
    assert all(file.parent.name == "frames" for file in files)
    pieces = [ET.parse(file).getroot().find("./PolyData/Piece") for file in files]
    if kind == "particles":
        assert {int(piece.get("NumberOfPoints")) for piece in pieces} == {run.count}
    else:  # bonds of chains that grow
        bonds = [int(piece.get("NumberOfLines")) for piece in pieces]
        assert bonds[-1] > bonds[0]


def test_the_last_frame_of_the_series_is_that_of_a_measured_run(folder, tmp_path):
    from analysis import measure
    from analysis.measures.vtk import write_vtk

    write_vtk(measure(open_run(folder)), tmp_path)
    last = folder / "frames" / f"particles_{FRAMES - 1:04d}.vtp"

    def plain(path):
        text = path.read_text(encoding="utf-8")
        return [line for line in text.splitlines() if not line.startswith("<!--")]

    assert plain(last) == plain(tmp_path / "particles.vtp")


def test_fewer_frames_leave_none_of_before(folder, tmp_path):
    planted_run(tmp_path, frames=4)
    for frames, left in (("4", 4), ("2", 2)):
        assert main(["export", str(tmp_path), "--frames", frames]) == 0
        assert len(list((tmp_path / "frames").glob("particles_*.vtp"))) == left


def test_a_sampled_run_has_sweeps_for_times(tmp_path):
    from sim.files.layout import TIME

    planted_run(tmp_path, frames=4, derived={"dynamics": "monte_carlo"})
    with h5py.File(tmp_path / "run.h5", "r+") as file:
        for name in ("position", "image", "moment"):
            del file[f"particles/film/{name}/time"]
        assert TIME not in file
    run = open_run(tmp_path)
    assert run.is_sampled
    assert main(["export", str(tmp_path)]) == 0
    rows = ET.parse(tmp_path / "particles.pvd").getroot().findall("./Collection/DataSet")
    assert [float(row.get("timestep")) for row in rows] == run.steps.tolist()
    with h5py.File(tmp_path / "film_nm.h5") as file:
        assert "time" not in file["particles/film/position"]
    assert broken_rules(tmp_path / "film_nm.h5") == []


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--frames", "0"], "must be a whole number from 1 to 10000; received 0"),
        (["--bond-distance", "3"], "--bond-distance must be from 1 to 2; received 3"),
    ],
)
def test_bad_words(folder, capsys, words, told):
    assert main(["export", str(folder), *words]) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("words", [["export"], ["plot", "--animate"]])
def test_a_sweep_has_no_frames(tmp_path, capsys, words):
    (tmp_path / "sweep.json").write_text("{}", encoding="utf-8")
    assert main([words[0], str(tmp_path), *words[1:]]) == 2
    assert f"needs a run; {tmp_path} is the folder of a sweep" in capsys.readouterr().err


def test_a_file_of_other_origin_is_exported_into_its_own_folder(folder, tmp_path):
    other = tmp_path / "other.h5"
    other.write_bytes((folder / "film_nm.h5").read_bytes())
    assert main(["export", str(other), "--frames", "2"]) == 0
    assert Path(tmp_path / "other" / "film_nm.h5").exists()
