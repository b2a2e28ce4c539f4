"""Ctrl-C, SIGTERM and a kill, sent to the command while it simulates with the real engine."""

import os
import signal
import time
from functools import partial

import h5py
import numpy as np
import pytest

from sim.files.run_file import read_summary
from sim.parameters import load
from sim.run.simulate import simulate
from tests.reference.real_runs import finish, frames_in, start, wait_until
from tests.reference.small_film import small_film

LONG = {"duration": "900 us", "frames": 300}
"""Long enough to be stopped on the way: about two seconds."""


def words_of(film, out, *words):
    return ("run", film, "-o", out, "--no-plots", *words)


def has_frames(path, frames):
    return frames_in(path) >= frames


def wait_for_frames(process, path, frames):
    wait_until(process, partial(has_frames, path, frames))


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "film.toml"
    path.write_text(small_film(**LONG))
    return path


@pytest.fixture(scope="module")
def whole(film):
    """Return the file of a run that nobody stopped."""
    return simulate(load(film), film.parent / "whole", threads=1).path


def assert_same_frames(one, other):
    with h5py.File(one) as a, h5py.File(other) as b:
        for name in ("position", "image", "moment"):
            for part in ("value", "step", "time"):
                path = f"particles/film/{name}/{part}"
                np.testing.assert_array_equal(a[path][()], b[path][()], err_msg=path)
        for name in a["observables"]:
            path = f"observables/{name}/value"
            np.testing.assert_array_equal(a[path][()], b[path][()], err_msg=path)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_saves_stops_with_130_and_resume_gives_the_same_bits(film, whole, number):
    out = film.parent / number.name
    process = start(*words_of(film, out, "--threads", "1"))
    wait_for_frames(process, out / "run.h5", 65)
    sent = time.monotonic()
    process.send_signal(number)
    _, told = process.communicate(timeout=60)
    assert time.monotonic() - sent < 10.0  # about a second alone; the machine may be busy
    assert process.returncode == 130
    assert f"interrupted by {number.name} at step" in told
    assert "checkpoint saved in" in told
    assert f"chainfilm run {film} -o {out} --resume" in told
    # one sentence, beside notices
    assert [line.split()[0] for line in told.splitlines()].count("chainfilm:") == 1
    assert "Traceback" not in told
    summary = read_summary(out / "run.h5")
    assert summary.ending.value == "interrupted"
    assert 65 <= summary.frames < 301
    # other threads, same bits
    code, told = finish(*words_of(film, out, "--resume", "--threads", "2"), measured=False)
    assert code == 0, told
    assert_same_frames(whole, out / "run.h5")


def test_a_killed_run_leaves_a_readable_file(film, whole):
    """Killed at three moments on the way: every frame that is counted is whole."""
    for k in (0, 2, 5):
        out = film.parent / f"killed{k}"
        process = start(*words_of(film, out, "--threads", "1"))
        wait_for_frames(process, out / "run.h5", 1)
        time.sleep(0.08 * k)
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        with h5py.File(out / "run.h5") as file, h5py.File(whole) as good:
            frames = int(file["parameters/frames_complete"][()])
            assert frames >= 1
            assert file["parameters"].attrs["seed"] == 7
            assert not file["parameters"].attrs["finished"]
            path = "particles/film/position/value"
            np.testing.assert_array_equal(file[path][:frames], good[path][:frames])


def test_a_killed_run_starts_afresh_or_goes_on(film, whole):
    out = film.parent / "killed"
    process = start(*words_of(film, out, "--threads", "1"))
    wait_for_frames(process, out / "run.h5", 2)
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    code, told = finish(*words_of(film, out))
    assert code == 2
    assert "use --resume to go on with it" in told
    has_checkpoint = (out / "checkpoint.h5").exists()
    code, told = finish(*words_of(film, out, "--resume", "--threads", "1"), measured=False)
    assert code == 0, told
    assert ("no checkpoint to go on from; the run starts afresh" in told) is not has_checkpoint
    assert_same_frames(whole, out / "run.h5")
