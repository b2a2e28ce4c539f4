"""Run files and exports keep the rules of H5MD, and a reader of the standard opens them."""

import h5py
import numpy as np
import pyh5md
import pytest

from analysis import open_run
from tests.reference.h5md_rules import broken_rules, is_unit
from tests.reference.spoilt_runs import write_run


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    write_run(folder / "film", sealed=True)
    return folder / "film" / "run.h5"


def test_a_run_file_keeps_the_rules_of_h5md(path):
    assert broken_rules(path) == []


# Examples of the text of the module `units`, and of what breaks its rules.
@pytest.mark.parametrize("text", ["nm+3", "um+2 s-1", "60 s", "10+3 m", "A m+2", "T", "ps", "Ang"])
def test_units_of_the_standard(text):
    assert is_unit(text)


@pytest.mark.parametrize("text", ["A m2", "A*m+2", "m m", "s 60", "furlong", "", "m+0"])
def test_what_is_no_unit_of_the_standard(text):
    assert not is_unit(text)


def spoil(change):
    def spoilt(path):
        with h5py.File(path, "r+") as file:
            change(file)

    return spoilt


FILM = "particles/film"
BROKEN = {
    "position/value unit must be a text of variable length": lambda file: file[
        f"{FILM}/position/value"
    ].attrs.create("unit", np.bytes_(b"m")),
    "author name must be one text of fixed length": lambda file: file["h5md/author"].attrs.create(
        "name", "someone"
    ),
    "edges/step must be a hard link": lambda file: (
        file.__delitem__(f"{FILM}/box/edges/step"),
        file[f"{FILM}/box/edges"].create_dataset("step", data=file[f"{FILM}/position/step"][()]),
    ),
    "edges must be a vector or a matrix": lambda file: (
        file.__delitem__(f"{FILM}/box/edges"),
        file[f"{FILM}/box"].create_dataset("edges", data=np.ones(2)),
    ),
    "must have a box": lambda file: file.__delitem__(f"{FILM}/box"),
    "diameter must have a row for each particle": lambda file: (
        file.__delitem__(f"{FILM}/diameter"),
        file[FILM].create_dataset("diameter", data=np.ones(3)),
    ),
}


@pytest.mark.parametrize("told", BROKEN)
def test_broken_rules_are_found(tmp_path, told):
    write_run(tmp_path / "film", sealed=True)
    spoil(BROKEN[told])(tmp_path / "film" / "run.h5")
    assert any(told in sentence for sentence in broken_rules(tmp_path / "film" / "run.h5"))


def test_a_reader_of_the_standard_opens_a_run(path):
    """pyh5md reads H5MD and nothing else; its page takes the box from `edges.value[0]`."""
    run = open_run(path)
    with pyh5md.File(path, "r") as file:
        film = file.particles_group("film")
        edges, position = pyh5md.element(film, "box/edges"), pyh5md.element(film, "position")
        assert (edges.element_type, position.element_type) == ("TimeElement", "TimeElement")
        np.testing.assert_array_equal(edges.value[0], [*run.sides, run.thickness])
        np.testing.assert_array_equal(position.time[()], run.times)
        np.testing.assert_array_equal(position.step[()], run.steps)
        np.testing.assert_array_equal(position.value[-1], run.positions(-1))
        assert position.value.attrs["unit"] == edges.value.attrs["unit"] == "m"
        sizes = pyh5md.element(film, "diameter")
        assert sizes.element_type == "FixedElement"
        np.testing.assert_array_equal(sizes.value[()], run.diameters)


def before(path):
    """Make a run file as this program wrote it before: box once, units of fixed length."""
    with h5py.File(path, "r+") as file:
        box = file[f"{FILM}/box"]
        sides = box["edges/value"][0]
        del box["edges"]
        box.create_dataset("edges", data=sides, chunks=(3,), fletcher32=True).attrs["unit"] = "m"

        def fix(_, item):
            if "unit" in item.attrs:
                text = item.attrs["unit"]
                del item.attrs["unit"]
                item.attrs["unit"] = np.bytes_(text.encode())

        file.visititems(fix)
    return path


@pytest.fixture
def old(tmp_path):
    write_run(tmp_path / "film")
    return before(tmp_path / "film" / "run.h5")


def test_files_of_earlier_versions_are_read_as_before(path, old):
    run, other = open_run(path), open_run(old)
    np.testing.assert_array_equal(run.sides, other.sides)
    assert run.thickness == other.thickness
    np.testing.assert_array_equal(run.positions(2), other.positions(2))


def test_a_run_of_an_earlier_version_is_the_same(path, old):
    from sim.files.comparison import compare_runs

    assert compare_runs(path.parent, old.parent).same
    with h5py.File(old, "r+") as file:
        file[f"{FILM}/box/edges"][2] *= 1 + 1e-15
    (told,) = compare_runs(path.parent, old.parent).of("frames")
    assert told.key == "edges"


def test_a_run_of_an_earlier_version_goes_on_in_its_layout(old):
    from sim.files.run_file import RunWriter

    writer = RunWriter.reopen(old, step=10**9)
    kept = writer.frames
    writer.close()
    assert kept == 6
    with h5py.File(old) as file:
        assert file[f"{FILM}/box/edges"].shape == (3,)


# H5MD's module `units`: 1 Ang = 0.1 nm; the other words are met in files.
@pytest.mark.parametrize("word", ["Ang", "angstrom", "Angstrom", "\u00c5", "\u212b"])
def test_angstrom_is_a_unit_of_length(tmp_path, path, word):
    write_run(tmp_path / "film")
    other = tmp_path / "film" / "run.h5"
    with h5py.File(other, "r+") as file:
        for name in ("position/value", "diameter", "box/edges/value"):
            data = file[f"{FILM}/{name}"]
            data[...] = data[...] * 1e10
            data.attrs["unit"] = word
    run, told = open_run(path), open_run(other)
    np.testing.assert_allclose(told.positions(1), run.positions(1), rtol=1e-12)
    np.testing.assert_allclose(told.diameters, run.diameters, rtol=1e-12)
    np.testing.assert_allclose(told.sides, run.sides, rtol=1e-12)
