"""Two writers of one folder: the second is refused, and a dead one is no writer."""

import contextlib
import errno
import fcntl
import json
import os
import pickle
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import h5py
import pytest

from sim.command_line import main
from sim.engines.cpu import StepError
from sim.files import lock as folder_lock
from sim.files.lock import LOCK_FILES, LockedError, held
from sim.files.opening import InUseError
from sim.files.record import Ending
from sim.parameters import from_text
from sim.run import simulate as one_run
from sim.run.schedule import AtSteps
from sim.run.simulate import FolderError, Run, RunFailed, simulate
from sim.run.watchers import Stop
from sim.sweeps import run as sweep_run
from sim.sweeps.run import simulate_point
from sim.sweeps.sweep import sweep
from tests.reference.fake_engine import FakeEngine, fake_setup
from tests.reference.small_film import small_film

WRITER, LOCK = LOCK_FILES
ROOT = Path(__file__).parents[2]
HOLD = """
import errno
import fcntl
import sys
import time
from pathlib import Path
from sim.files import lock as folder_lock

def refuse(handle, kind):
    raise OSError(errno.ENOLCK, "No locks available")

if "unlocked" in sys.argv:
    fcntl.flock = refuse
Path(sys.argv[1]).mkdir(exist_ok=True)
with folder_lock.held(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(100)
"""

READ = """
import sys
import time
import h5py
with h5py.File(sys.argv[1], "r"):
    print("held", flush=True)
    time.sleep(100)
"""


@pytest.fixture
def holder(tmp_path):
    """Return a function that starts another process which holds the lock of a folder."""
    started = []

    def start(folder, *words, script=HOLD):
        process = subprocess.Popen(
            [sys.executable, "-c", script, str(folder), *words], cwd=ROOT, stdout=subprocess.PIPE
        )
        started.append(process)
        assert process.stdout.readline() == b"held\n"
        return process

    yield start
    for process in started:
        end(process)
        process.stdout.close()


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(small_film())
    return path


@pytest.fixture
def parameters(monkeypatch):
    """Return parameters for runs of a small engine that needs no kernels."""
    monkeypatch.setattr(one_run, "RunSetup", fake_setup(100))
    monkeypatch.setattr(one_run, "make_cpu_engine", FakeEngine)
    return from_text(small_film(), "film.toml")


def switch_locks_off(monkeypatch, number=errno.ENOLCK):
    """Answer as a disk without locks does (flock(2): ENOLCK; EOPNOTSUPP of some network disks)."""

    def refuse(handle, kind):
        raise OSError(number, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)


@pytest.fixture(params=["flock", "ENOLCK", "ENOSYS", "EOPNOTSUPP"])
def locks(request, monkeypatch):
    """Return the words for the other process: with the system's locks, and on disks without."""
    if request.param == "flock":
        return ()
    switch_locks_off(monkeypatch, getattr(errno, request.param))
    return ("unlocked",)


def end(process):
    process.send_signal(signal.SIGKILL)  # nothing happens where it is dead already
    process.wait()


def everything(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("options", [[], ["--resume"], ["--overwrite"]])
def test_a_second_run_is_refused_and_changes_nothing(
    holder, film, tmp_path, capsys, locks, options
):
    process = holder(tmp_path / "out", *locks)
    before = everything(tmp_path)
    assert main(["run", str(film), "-o", str(tmp_path / "out"), *options]) == 2
    told = capsys.readouterr().err
    assert f"is being written by process {process.pid} on" in told
    assert told.count("\n") == 1
    assert everything(tmp_path) == before


def test_a_second_sweep_is_refused_and_changes_nothing(holder, tmp_path, capsys, locks):
    film = tmp_path / "film.toml"
    film.write_text(small_film() + '[sweep]\n"field.strength" = ["5 mT", "9 mT"]\n')
    process = holder(tmp_path / "out", *locks)
    before = everything(tmp_path)
    for options in ([], ["--resume"], ["--overwrite"]):
        assert main(["sweep", str(film), "-o", str(tmp_path / "out"), *options]) == 2
        assert f"is being written by process {process.pid} on" in capsys.readouterr().err
    assert everything(tmp_path) == before


def test_the_lock_of_a_killed_process_is_taken_over_with_a_notice(
    holder, parameters, tmp_path, locks
):
    process = holder(tmp_path / "out", *locks)
    with pytest.raises(LockedError):
        simulate(parameters, tmp_path / "out")
    end(process)
    assert (tmp_path / "out" / LOCK).exists()
    done = simulate(parameters, tmp_path / "out")
    assert done.finished
    assert f"process {process.pid} on" in done.notices[-1]
    assert done.notices[-1].endswith("its lock is taken over")
    assert not (tmp_path / "out" / LOCK).exists()


def test_without_locks_a_number_given_to_another_process_is_no_holder(tmp_path, monkeypatch):
    """Process numbers are used again: the time of the begin tells one process from the other."""
    switch_locks_off(monkeypatch)
    note = {"process": os.getpid(), "began": "1", "host": folder_lock.socket.gethostname()}
    lock = tmp_path / WRITER
    (tmp_path / LOCK).touch()
    lock.write_text(json.dumps(note | {"since": "yesterday"}))
    with held(tmp_path) as notices:
        assert "since yesterday" in notices[0]
        assert json.loads(lock.read_text())["began"] != "1"
    assert list(tmp_path.iterdir()) == []


def test_without_locks_a_holder_on_another_machine_is_left_to_the_user(tmp_path, monkeypatch):
    switch_locks_off(monkeypatch)
    note = {"process": 7, "began": "1", "host": "elsewhere", "since": "yesterday"}
    (tmp_path / LOCK).touch()
    (tmp_path / WRITER).write_text(json.dumps(note))
    for act in (folder_lock.refuse_if_held, lambda folder: held(folder).__enter__()):
        with pytest.raises(LockedError, match=r"process 7 on elsewhere .*remove .*\.lock"):
            act(tmp_path)
    assert (tmp_path / LOCK).exists()


@pytest.mark.parametrize("content", [b"", b"{", b"[1]", b"\xff\x00", b'{"process": []}'])
def test_a_lock_file_that_says_nothing_stops_nobody(tmp_path, locks, content):
    (tmp_path / LOCK).write_bytes(content)
    (tmp_path / WRITER).write_bytes(content)
    with held(tmp_path) as notices:
        assert notices == []
    assert list(tmp_path.iterdir()) == []


def test_a_note_that_is_a_link_is_not_followed(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "mine").write_text("mine")
    (tmp_path / "out" / WRITER).symlink_to(tmp_path / "mine")
    with held(tmp_path / "out"):
        assert "process" in (tmp_path / "out" / WRITER).read_text()
    assert (tmp_path / "mine").read_text() == "mine"


def test_a_lock_that_is_a_link_is_not_followed(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "mine").write_text("mine")
    (tmp_path / "out" / LOCK).symlink_to(tmp_path / "mine")
    with pytest.raises(FolderError, match="cannot be written"), held(tmp_path / "out"):
        pass
    assert (tmp_path / "mine").read_text() == "mine"


def test_of_many_threads_that_run_in_one_folder_one_does(parameters, tmp_path):
    ended, gate = [], threading.Barrier(8)

    def slow(system, state, threads):
        return FakeEngine(system, state, threads, sleep_s=0.005)

    def go():
        gate.wait()
        try:
            ended.append(simulate(parameters, tmp_path / "out", engine_factory=slow).finished)
        except FolderError as error:
            ended.append(str(error))

    crowd = [threading.Thread(target=go) for _ in range(8)]
    for one in crowd:
        one.start()
    for one in crowd:
        one.join()
    assert ended.count(True) == 1
    # Who comes late on a busy machine finds the finished run.
    refusals = [text for text in ended if text is not True]
    assert [text for text in refusals if not re.search("being written by|holds a run", text)] == []


def test_a_point_of_a_sweep_waits_for_its_last_worker(holder, parameters, tmp_path, monkeypatch):
    """The worker of a killed sweep goes on for as long as it takes to save its run."""
    monkeypatch.setattr(sweep_run, "LOOK_SECONDS", 0.05)
    process = holder(tmp_path / "out")
    timer = threading.Timer(0.3, end, [process])
    timer.start()
    assert simulate_point(parameters, tmp_path / "out").finished
    timer.join()


def test_a_point_never_replaces_a_run_that_is_written_or_read(
    holder, parameters, tmp_path, monkeypatch
):
    """A run that looked unusable because it was in use would have been started again."""
    monkeypatch.setattr(sweep_run, "LOOK_SECONDS", 0.02)
    monkeypatch.setattr(sweep_run, "ORPHAN_SECONDS", 0.1)
    out = tmp_path / "out"
    half = Stop(Ending.INTERRUPTED, "half way")

    class Half:
        schedule = AtSteps([50])

        def look(self, scene):  # noqa: ARG002
            raise half

        def close(self, scene):
            pass

    simulate_point(parameters, out, stop_rules=[Half()])
    before = everything(out)
    process = holder(out)
    with pytest.raises(LockedError):
        simulate_point(parameters, out)
    end(process)
    (out / LOCK).unlink()
    process = holder(out / "run.h5", script=READ)
    with pytest.raises(InUseError, match="in use by another program"):
        simulate_point(parameters, out)
    end(process)
    with h5py.File(out / "run.h5", "r"), pytest.raises(InUseError, match="in use by this program"):
        simulate_point(parameters, out)
    assert everything(out) == before
    assert simulate_point(parameters, out).finished


def test_going_on_and_replacing_at_once_is_refused(parameters, film, tmp_path, capsys):
    with pytest.raises(FolderError, match="give one of them"):
        simulate(parameters, tmp_path / "out", resume=True, overwrite=True)
    text = small_film() + '[sweep]\n"field.strength" = ["5 mT", "9 mT"]\n'
    points = from_text(text, "film.toml")
    with pytest.raises(FolderError, match="give one of them"):
        sweep(points, tmp_path / "out", resume=True, overwrite=True)
    words = ["run", str(film), "-o", str(tmp_path / "out"), "--resume", "--overwrite"]
    assert main(words) == 2
    assert "give one of them" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_errors_pass_from_one_process_to_another(tmp_path):
    run = Run(tmp_path, tmp_path / "run.h5", Ending.FAILED, "thrown", 3, 9, 1, {})
    for error, said in (
        (StepError("particle 3 was thrown", 3, 40, "use a shorter time_step"), "thrown; use a"),
        (RunFailed(run), "thrown"),
        (Stop(Ending.STOPPED, "far enough"), "far enough"),
    ):
        back = pickle.loads(pickle.dumps(error))
        assert said in str(back)
        assert str(back) == str(error)
        assert vars(back) == vars(error)


def test_a_look_at_a_lock_keeps_no_writer_out(tmp_path):
    stop = threading.Event()

    def look():
        while not stop.is_set():
            with contextlib.suppress(LockedError):
                folder_lock.refuse_if_held(tmp_path)
            time.sleep(0.002)  # often, but not all the time

    onlooker = threading.Thread(target=look)
    onlooker.start()
    try:
        for _ in range(500):
            (tmp_path / LOCK).touch()
            with held(tmp_path):
                pass
    finally:
        stop.set()
        onlooker.join()
