"""Disks in trouble: one sentence, exit code 1 or 2, and what was saved stays readable.

The small disk is a tmpfs in a user namespace of its own, made by `unshare`. The engine is a fake
one: what matters is the file.
"""

import functools
import shutil
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

from sim.command_line import main
from sim.files.run_file import read_summary
from sim.run import simulate as one_run
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.small_film import small_film

ROOT = Path(__file__).parents[2]
FRAMES = 1500
ON_A_SMALL_DISK = """
import subprocess, sys
from pathlib import Path
from tests.faults.test_disks import run_fake
place, film = Path(sys.argv[1]), sys.argv[2]
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=700k", "none", str(place)], check=True)
(place / "ballast").write_bytes(bytes(200_000))
codes = [run_fake(film, place / "out")]
for name in ("run.h5", "checkpoint.h5"):
    if (place / "out" / name).exists():
        (place.parent / name).write_bytes((place / "out" / name).read_bytes())
(place / "ballast").unlink()
subprocess.run(["mount", "-o", "remount,size=9m", str(place)], check=True)
codes.append(run_fake(film, place / "out", "--resume"))
(place.parent / "resumed.h5").write_bytes((place / "out" / "run.h5").read_bytes())
print("codes", *codes)
"""
FULL_AT_THE_FIRST_FRAME = """
import subprocess, sys
from pathlib import Path
from tests.faults.test_disks import run_fake
place, film = Path(sys.argv[1]), sys.argv[2]
for size in sys.argv[3:]:
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}k", "none", str(place)], check=True)
    codes = [run_fake(film, place / "out") for _ in range(2)]
    print("codes", *codes, sorted(path.name for path in (place / "out").glob("*")))
    subprocess.run(["mount", "-o", "remount,size=9m", str(place)], check=True)
    print("then", run_fake(film, place / "out"))
    subprocess.run(["umount", str(place)], check=True)
"""
ON_A_READ_ONLY_DISK = """
import subprocess, sys
from pathlib import Path
from sim.command_line import main
from tests.faults.test_disks import run_fake
place, film = Path(sys.argv[1]), sys.argv[2]
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=9m", "none", str(place)], check=True)
(place / "old").mkdir()
subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
print("codes", run_fake(film, place / "old"), run_fake(film, place / "new"))
"""


def run_fake(film, out, *words, steps=3000, **engine):
    """Run the command with the small engine, and without measuring."""
    from sim.commands import results, run

    one_run.RunSetup = fake_setup(steps)
    one_run.make_cpu_engine = functools.partial(FakeEngine, **engine)
    results.measure_into = lambda *_, **__: None
    run._print_summary = lambda *_: None
    return main(["run", str(film), "-o", str(out), "--no-plots", *words])


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(small_film("4 us", FRAMES))
    return path


@pytest.fixture
def fake(monkeypatch):
    """Return `run_fake`; what it puts in place of the real parts is put back."""
    from sim.commands import results, run

    for module, name in (
        (one_run, "RunSetup"),
        (one_run, "make_cpu_engine"),
        (results, "measure_into"),
        (run, "_print_summary"),
    ):
        monkeypatch.setattr(module, name, getattr(module, name))
    return run_fake


def assert_frames_of(path, whole):
    """Check that every frame that counts is that of the whole run; return how many there are."""
    frames = read_summary(path).frames
    with h5py.File(path) as a, h5py.File(whole) as b:
        for name in ("particles/film/position", "particles/film/moment", "observables/field"):
            found = a[f"{name}/value"][:frames]
            np.testing.assert_array_equal(found, b[f"{name}/value"][:frames])
    return frames


def test_a_full_disk(film, tmp_path, fake):
    place = tmp_path / "disk"
    place.mkdir()
    done = in_a_namespace(ON_A_SMALL_DISK, place, film)
    assert "codes 1 0" in done.stdout, done.stderr
    lines = done.stderr.splitlines()
    assert "Traceback" not in done.stderr
    assert "the run failed at step" in lines[0]
    assert "the disk is full; make room and go on with --resume" in lines[0]
    assert fake(film, tmp_path / "whole") == 0
    whole = tmp_path / "whole" / "run.h5"
    assert 50 < assert_frames_of(tmp_path / "run.h5", whole) < FRAMES
    assert assert_frames_of(tmp_path / "resumed.h5", whole) == FRAMES + 1


def test_a_disk_that_is_full_before_the_first_frame(film, tmp_path):
    """HDF5 came back to a file object that was gone: a segmentation fault at the end."""
    place = tmp_path / "disk"
    place.mkdir()
    done = in_a_namespace(FULL_AT_THE_FIRST_FRAME, place, film, 4, 100, 160, 200)
    assert done.returncode == 0, done.stderr
    lines = [line for line in done.stderr.splitlines() if "notice" not in line]
    remedy = "make room and give the command again, a run with --resume"
    told = f"chainfilm: No space left on device: {place / 'out' / 'run.h5'}; {remedy}"
    assert set(lines) == {told}
    told = [line for line in done.stdout.splitlines() if line.startswith(("codes", "then"))]
    assert told == ["codes 1 1 []", "then 0"] * 4  # nothing in the way of the next run


def test_a_file_that_may_not_grow(film, tmp_path):
    """A limit on the size of files, as some systems set, ends a run like a full disk."""
    script = (
        "import resource, signal, sys; from tests.faults.test_disks import run_fake;"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000));"
        "sys.exit(run_fake(*sys.argv[1:]))"
    )
    words = [sys.executable, "-c", script, str(film), str(tmp_path / "out")]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "the disk is full" in done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert read_summary(tmp_path / "out" / "run.h5").frames > 50


@pytest.mark.parametrize("gone", ["run.h5", "checkpoint.h5", "."])
def test_files_removed_under_the_run(film, tmp_path, fake, capsys, gone, monkeypatch):
    """The run ends as failed where it cannot save; nothing else is touched, and it can go again."""
    out = tmp_path / "out"

    class Removing(FakeEngine):
        def advance(self, steps):
            super().advance(steps)
            if self.step >= 1000 and not list(tmp_path.glob("done")):
                (tmp_path / "done").touch()
                path = out / gone
                shutil.rmtree(out) if gone == "." else path.unlink(missing_ok=True)

    monkeypatch.setattr("tests.faults.test_disks.FakeEngine", Removing)
    code = fake(film, out)
    told = capsys.readouterr().err
    assert "Traceback" not in told
    assert told.count("\n") <= 1, told
    assert code == (0 if gone == "checkpoint.h5" else 1), told
    if code:
        assert "the run cannot be written: No such file or directory" in told
    assert fake(film, out, "--resume") == 0
    assert read_summary(out / "run.h5").frames == FRAMES + 1


def in_a_namespace(script, *words):
    """Run a script where it may mount disks; skip where the machine does not lend that."""
    if shutil.which("unshare") is None:
        pytest.skip("there is no unshare to make a small disk with")
    command = ["unshare", "-Urm", sys.executable, "-c", script, *map(str, words)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if "not permitted" in done.stderr or "superuser" in done.stderr:
        pytest.skip("this machine lends no small disks")
    return done


def test_a_folder_that_is_read_only(film, tmp_path):
    """A disk mounted for reading: it stops the superuser too, whom a mode would not."""
    (tmp_path / "disk").mkdir()
    done = in_a_namespace(ON_A_READ_ONLY_DISK, tmp_path / "disk", film)
    assert "codes 2 2" in done.stdout, done.stderr
    first, second = done.stderr.splitlines()
    for line in (first, second):
        assert line.startswith("chainfilm: output folder")
        assert line.endswith("cannot be written: Read-only file system")


def test_a_state_that_is_not_a_number_stops_the_run(film, tmp_path, fake, capsys):
    """The engine says where; the frames before it stay."""
    assert fake(film, tmp_path / "out", fail_at=1200) == 1
    told = capsys.readouterr().err
    assert "the run failed at step" in told
    assert "use a shorter time_step; " in told
    assert f"frames up to the failure are in {tmp_path / 'out' / 'run.h5'}" in told
    frames = read_summary(tmp_path / "out" / "run.h5").frames
    assert 500 < frames <= 601
