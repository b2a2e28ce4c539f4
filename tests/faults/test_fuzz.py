"""Spoilt files through both readers: read, or refused with one of our own errors; never else."""

import os

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from sim.files.opening import RunFileError, open_hdf5
from tests.reference.guarded import outcome, read_parameters, read_run
from tests.reference.spoilt_parameters import parameter_files
from tests.reference.spoilt_runs import records, spoil, spoilings, write_run

POSITION, TIME = "/particles/film/position/value", "/particles/film/position/time"
MOMENT, FIELD = "/particles/film/moment/value", "/observables/field/value"
COUNTED, DIAMETER = "/parameters/frames_complete", "/particles/film/diameter"
STEP, EDGES = "/particles/film/position/step", "/particles/film/box/edges/value"
SIZES = (DIAMETER, "/particles/film/core_diameter", "/particles/film/moment_magnitude")
ENERGY = "/observables/energy_dipolar/value"

FOUND = {
    "a group in the place of a series": [("group", FIELD), ("group", TIME)],
    "a moment that is not finite": [("change_value", MOMENT, 0.5, -np.inf)],
    "a field that is not finite": [("change_value", FIELD, 0.0, np.nan)],
    "times of three axes": [("put", TIME, (6, 12, 2), "f8", 1e-9)],
    "less than no frames": [("change_value", COUNTED, 0.0, -1.0)],
    "a series larger than memory": [("put_huge", POSITION, (6, 10**9, 3), "f8")],
    "a shape beyond 64 bits": [("put_huge", POSITION, (10**12, 10**12, 3), "f8")],
    "values in another file": [("put_external", POSITION, "/etc/passwd")],
    "values in a pipe": [("put_external", POSITION, "pipe")],
    "values in a virtual array": [("put_virtual", POSITION, "other.h5")],
    "a link to another file": [("link", POSITION, h5py.ExternalLink("pipe", "/a"))],
    "parameters in a pipe": [("link", "/parameters", h5py.ExternalLink("pipe", "/a"))],
    "parameters by a link to a link to a pipe": [
        ("link", "/elsewhere", h5py.ExternalLink("pipe", "/")),
        ("link", "/parameters", h5py.SoftLink("/elsewhere/parameters")),
    ],
    "a million frames that were never written": [
        ("put_huge", POSITION, (10**6, 1, 3), "f8"),
        ("remove", "/particles/film/moment"),
        ("remove", STEP),
        ("remove", TIME),
        ("remove", COUNTED),
        ("remove", "/observables"),
        *(("put", place, (1,), "f8", 1e-8) for place in SIZES),
    ],
    "a box of a million numbers": [("put_packed", EDGES, (10**6,))],
    "frames in pieces of a gigabyte": [("put_pieces", POSITION, 10**9)],
    "positions of no shape": [("put_nothing", POSITION)],
    "a box of no shape": [("put_nothing", EDGES)],
    "a count of no shape": [("put_nothing", COUNTED)],
    "pages of zeros": [("page", 0.0, 4096)],
    "a field whose square is no number": [("fill", FIELD, 1e160)],
    "an energy beyond all numbers": [("fill", ENERGY, np.inf)],
    "times whose difference is no number": [
        ("change_value", TIME, 0.0, -1.7e308),
        ("change_value", TIME, 1.0, 1.7e308),
    ],
    "positions whose square is no number": [("fill", POSITION, 1e300)],
    "moments whose square is no number": [("fill", MOMENT, 1e300)],
    "a box whose volume is no number": [("fill", EDGES, 1e300)],
    "a box as long as no number": [("change_value", EDGES, 0.0, 1e300)],
    "a patch of a metre": [("fill", EDGES, 1.0)],
    "particles whose volume is no number": [("fill", DIAMETER, 5e-324)],
    "particles of no size": [("fill", DIAMETER, 1e-300)],
    "a temperature in words": [("record", "derived", "temperature_k", "warm")],
    "a particle larger than the patch": [("change_value", DIAMETER, 0.0, 1.0)],
    "a bond of no number": [("record", "bonds", "distance", [1])],
}
PLAIN = settings(
    derandomize=True, deadline=None, database=None, phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)  # fmt: skip


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Return folder, bytes and records of a faultless run, read once so that all is compiled."""
    folder = tmp_path_factory.mktemp("spoilt")
    os.mkfifo(folder / "pipe")
    whole = write_run(folder / "run")
    read_run(whole)
    return folder, whole.read_bytes(), records(whole)


def ended(run, changes):
    """Return how reading the spoilt run ended."""
    folder, content, _ = run
    path = folder / "case.h5"
    path.write_bytes(content)
    spoil(path, changes)
    return outcome(read_run, path, folder)


@pytest.mark.parametrize("name", FOUND)
def test_found_cases_are_refused(run, name):
    assert ended(run, FOUND[name]) == "refused"


@pytest.mark.parametrize("first", [0, 1])
def test_a_heap_of_texts_that_never_ends_is_refused(run, tmp_path, first):
    """Found by pages of zeros: HDF5 itself never comes back from such a heap."""
    path = tmp_path / "case.h5"
    data = bytearray(run[1])
    heap = data.index(b"GCOL")
    object_ = heap + 16
    for _ in range(first):  # the object after the first text
        object_ += 16 + (int.from_bytes(data[object_ + 8 : object_ + 16], "little") + 7) // 8 * 8
    data[object_ : object_ + 16] = bytes(16)
    path.write_bytes(data)
    assert outcome(read_run, path, tmp_path) == "refused"
    with pytest.raises(RunFileError, match="the texts in it cannot be read"):
        open_hdf5(path, "r")


def test_a_whole_run_is_read(run):
    assert ended(run, []) == "read"


def test_spoilt_runs_are_read_or_refused(run):
    @settings(PLAIN, max_examples=120)
    @given(spoilings(run[2]))
    def check(changes):
        assert ended(run, changes) in ("read", "refused")

    check()


def test_spoilt_parameter_files_are_read_or_refused(tmp_path):
    path = tmp_path / "film.toml"

    @settings(PLAIN, max_examples=60)
    @given(parameter_files())
    def check(data):
        path.write_bytes(data)
        assert outcome(read_parameters, path, tmp_path) in ("read", "refused")

    check()
