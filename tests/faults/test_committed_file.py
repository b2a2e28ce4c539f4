"""The run file after a kill between any two of its writes: the frames that count are whole."""

import hashlib
import os
import shutil
from pathlib import Path
from types import SimpleNamespace

import h5py
import numpy as np
import pytest

from sim.engines.protocol import ENERGIES
from sim.files import committed as committed_file
from sim.files import layout as run_file_layout
from sim.files import run_file as storage
from sim.files.committed import PAGE, CommittedFile, journal_of, recover
from sim.files.record import Ending
from sim.files.run_file import RunWriter, read_summary
from tests.reference.fake_engine import fake_particles
from tests.unit.test_storage import frame, record


class Watched:
    """The functions of `os` that change files, written down in the order in which they come."""

    def __init__(self):
        self.log = []
        self._names = {}

    def module(self):
        plain = {name: getattr(os, name) for name in dir(os) if not name.startswith("__")}
        changed = {name: getattr(self, name) for name in ("open", "pwrite", "ftruncate", "unlink")}
        return SimpleNamespace(**(plain | changed))

    def open(self, path, mode, *rest):
        handle = os.open(path, mode, *rest)
        self._names[handle] = Path(path).name
        if mode & (os.O_CREAT | os.O_TRUNC):
            self.log.append((self._names[handle], "new", None, None))
        return handle

    def pwrite(self, handle, data, offset):
        self.log.append((self._names[handle], "write", offset, bytes(data)))
        return os.pwrite(handle, data, offset)

    def ftruncate(self, handle, size):
        self.log.append((self._names[handle], "size", size, None))
        os.ftruncate(handle, size)

    def unlink(self, path):
        self.log.append((Path(path).name, "gone", None, None))
        Path(path).unlink()


def repeat(folder, entry):
    """Do to the files in a folder what the log says."""
    name, kind, at, data = entry
    path = folder / name
    if kind == "new":
        path.write_bytes(b"")
    elif kind == "gone":
        path.unlink()
    else:
        with path.open("r+b") as file:
            if kind == "size":
                file.truncate(at)
            else:
                file.seek(at)
                file.write(data)


@pytest.fixture
def watched(monkeypatch):
    made = Watched()
    monkeypatch.setattr(committed_file, "os", made.module())
    return made


def test_a_kill_between_any_two_writes_tears_nothing(tmp_path, watched, monkeypatch):
    """Frames are chunks of their own, so that the indices of HDF5 split within 70 of them."""
    for module in (storage, run_file_layout):
        monkeypatch.setattr(module, "frames_per_block", lambda _: 1)
    steps = list(range(0, 720, 10))
    writer = RunWriter.create(tmp_path / "run.h5", record(), fake_particles(), ENERGIES)
    counted = [(len(watched.log), 0)]
    for step in steps:
        writer.append(frame(step))
        counted.append((len(watched.log), writer.frames))
    writer.end(Ending.FINISHED, "finished", {"steps": 710})
    writer.close()
    positions = np.stack([frame(step).position for step in steps])
    monkeypatch.undo()

    now, trial = tmp_path / "now", tmp_path / "trial"
    now.mkdir()
    finished_commits, read = 0, {}
    for done, entry in enumerate(watched.log, start=1):
        repeat(now, entry)
        while finished_commits < len(counted) and counted[finished_commits][0] <= done:
            finished_commits += 1
        if finished_commits == 0 or (done < 0.86 * len(watched.log) and done % 25):
            continue  # all cuts around the split and the end, one in 25 before
        shutil.copytree(now, trial)
        recover(trial / "run.h5")
        least = counted[finished_commits - 1][1]
        content = hashlib.sha256((trial / "run.h5").read_bytes()).digest()
        if content not in read:  # most cuts lead back to the very same bytes
            read[content] = summary = read_summary(trial / "run.h5")
            with h5py.File(trial / "run.h5") as file:
                found = file["particles/film/position/value"][: summary.frames]
                told = list(file["observables/field/step"][: summary.frames])
            assert told == steps[: summary.frames]
            np.testing.assert_array_equal(found, positions[: summary.frames])
        summary = read[content]
        assert least <= summary.frames <= least + 1
        assert not journal_of(trial / "run.h5").exists()
        shutil.rmtree(trial)
    assert summary.ending is Ending.FINISHED


def random_writes(file, rng, held):
    """Write at random places, as HDF5 does, into a file and into plain bytes."""
    for _ in range(12):
        at = int(rng.integers(0, max(1, len(held)) + 500))
        data = rng.bytes(int(rng.integers(1, 3 * PAGE)))
        file.seek(at)
        file.write(data)
        held.extend(bytes(max(0, at + len(data) - len(held))))
        held[at : at + len(data)] = data


@pytest.mark.parametrize("seed", range(6))
def test_it_reads_what_was_written_and_shows_it_to_others_after_the_commit(tmp_path, seed):
    rng = np.random.default_rng(seed)
    path, held = tmp_path / "file", bytearray()
    file = CommittedFile(path, new=True)
    for _ in range(4):
        random_writes(file, rng, held)
        for _ in range(10):
            at, size = (int(value) for value in rng.integers(0, len(held), 2))
            file.seek(at)
            assert file.read(size) == bytes(held[at : at + size])
        file.commit()
        assert path.read_bytes() == bytes(held)
        committed = bytes(held)
    random_writes(file, rng, held)
    file.close()  # no commit: what counted stays
    assert path.read_bytes()[: len(committed)] == committed


@pytest.mark.parametrize("damage", ["short", "bit", "other"])
def test_a_commit_that_is_not_whole_never_was(tmp_path, watched, damage):
    path = tmp_path / "file"
    file = CommittedFile(path, new=True)
    file.write(b"a" * 10_000)
    file.commit()
    file.seek(5)
    file.write(b"b" * 6_000)
    file.commit()
    file.close()
    journal = next(
        data for name, kind, _, data in watched.log if kind == "write" and "commit" in name
    )
    path.write_bytes(b"a" * 10_000)
    spoilt = {
        "short": journal[:-1],
        "bit": journal[:100] + bytes([journal[100] ^ 4]) + journal[101:],
        "other": b"something else",
    }[damage]
    journal_of(path).write_bytes(spoilt)
    recover(path)
    assert path.read_bytes() == b"a" * 10_000
    journal_of(path).write_bytes(journal)
    recover(path)
    assert path.read_bytes() == b"a" * 5 + b"b" * 6_000 + b"a" * 3_995
    recover(path)  # nothing to do
