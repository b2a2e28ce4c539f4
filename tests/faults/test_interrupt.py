"""Ctrl-C, SIGTERM and a kill, sent to the command while it simulates with the real engine."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

from sim.storage import read_summary
from tests.reference.small_film import small_film

ROOT = Path(__file__).parents[2]
LONG = {"duration": "150 us", "frames": 600}
"""Long enough to be stopped on the way: about two seconds."""
PATIENCE = 180.0
"""Seconds to wait for a first frame: kernels may have to be compiled."""


def start(film, out, *words):
    return subprocess.Popen(
        [sys.executable, "-m", "sim", "run", str(film), "-o", str(out), "--no-plots", *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def finish(film, out, *words):
    process = start(film, out, *words)
    told = process.communicate(timeout=PATIENCE)
    return process.returncode, told


def frames_in(path):
    """Return the frames that a reader finds while the file is being written."""
    try:
        with h5py.File(path, "r", locking=False) as file:
            return int(file["parameters/frames_complete"][()])
    except (OSError, KeyError):
        return 0


def wait_for_frames(process, path, frames):
    end = time.monotonic() + PATIENCE
    while frames_in(path) < frames:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "film.toml"
    path.write_text(small_film(**LONG))
    return path


@pytest.fixture(scope="module")
def whole(film):
    """Return the file of a run that nobody stopped."""
    out = film.parent / "whole"
    code, told = finish(film, out, "--threads", "1")
    assert code == 0, told
    return out / "run.h5"


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
    process = start(film, out, "--threads", "1")
    wait_for_frames(process, out / "run.h5", 65)
    sent = time.monotonic()
    process.send_signal(number)
    _, told = process.communicate(timeout=60)
    assert time.monotonic() - sent < 10.0  # about a second alone; the machine may be busy
    assert process.returncode == 130
    assert f"interrupted by {number.name} at step" in told
    assert "checkpoint saved in" in told
    assert f"chainfilm run {film} -o {out} --resume" in told
    assert told.count("\n") == 1
    summary = read_summary(out / "run.h5")
    assert summary.ending.value == "interrupted"
    assert 65 <= summary.frames < 601
    code, told = finish(film, out, "--resume", "--threads", "2")  # other threads, same bits
    assert code == 0, told
    assert_same_frames(whole, out / "run.h5")


def test_a_killed_run_leaves_a_readable_file(film, whole):
    """Killed at six moments on the way: every frame that is counted is whole."""
    for k in range(6):
        out = film.parent / f"killed{k}"
        process = start(film, out, "--threads", "1")
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
    process = start(film, out, "--threads", "1")
    wait_for_frames(process, out / "run.h5", 2)
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    code, (_, told) = finish(film, out)
    assert code == 2
    assert "use --resume to go on with it" in told
    code, told = finish(film, out, "--resume")
    assert code == 0, told
    assert_same_frames(whole, out / "run.h5")
