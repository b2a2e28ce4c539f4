"""SIGTERM and Ctrl-C wherever they come: exit code 130, one line, no traceback, nothing lost."""

import argparse
import contextlib
import ctypes
import os
import signal
import subprocess
import sys
import threading
import time

import pytest

from sim.command_line import main
from sim.commands import options as command_options
from sim.files.run_file import read_summary
from sim.run.signals import signals_interrupt
from tests.reference.real_runs import ROOT, ending_of, finish, start, wait_until
from tests.reference.small_film import small_film

BOTH = [signal.SIGINT, signal.SIGTERM]
SWEPT = '[sweep]\n"field.strength" = ["5 mT", "9 mT"]\n'


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(small_film())
    return path


def interrupted(process, number):
    """Send a signal; return what the process said, after checking how it ended."""
    process.send_signal(number)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 130, told
    assert "Traceback" not in told
    assert "Exception" not in told
    assert told.count("\n") == 1, told
    return told


@pytest.mark.parametrize("number", BOTH)
@pytest.mark.parametrize("command", ["run", "sweep"])
def test_while_kernels_are_compiled(film, tmp_path, command, number):
    """With an empty cache compiling takes a minute; a signal does not wait for its end."""
    film.write_text(small_film() + (SWEPT if command == "sweep" else ""))
    out, cache = tmp_path / "out", tmp_path / "cache"
    process = start(command, film, "-o", out, "--no-plots", "-q", NUMBA_CACHE_DIR=str(cache))
    wait_until(process, (out / ".lock").exists)
    time.sleep(1.5)
    sent = time.monotonic()
    told = interrupted(process, number)
    assert time.monotonic() - sent < 20.0  # a second alone; the machine may be busy
    assert "interrupted" in told or "--resume" in told
    assert not (out / ".lock").exists()
    assert not (out / "run.h5").exists()


def test_while_a_finished_run_is_measured(film, tmp_path):
    """By the first signal as it ends, by the second when it is measured again."""
    # so many frames and particles that measuring takes some seconds
    film.write_text(small_film("40 us", 300).replace("count = 60", "count = 600"))
    out = tmp_path / "out"
    for number, resume in zip(BOTH, ([], ["--resume"]), strict=True):
        process = start("run", film, "-o", out, "--no-plots", "-q", *resume)  # no line a minute
        if resume:
            assert "nothing is simulated" in process.stderr.readline()
        wait_until(process, lambda: ending_of(out / "run.h5") == "finished")
        told = interrupted(process, number)
        assert f"interrupted; go on with: chainfilm run {film} -o {out} --resume" in told
        assert read_summary(out / "run.h5").ending.value == "finished"
        assert not [path for path in out.iterdir() if path.name.startswith(".")]  # no half a file
    code, told = finish("run", film, "-o", out, "--no-plots", "--resume")
    assert (code, "nothing is simulated" in told) == (0, True)
    assert (out / "measures.json").exists()


@pytest.mark.parametrize("number", BOTH)
def test_while_a_file_is_read_or_looked_ahead(film, monkeypatch, capsys, number):
    """Any command: the signal comes wherever it was, and the handlers are put back."""
    before = [signal.getsignal(each) for each in BOTH]
    monkeypatch.setattr("sim.commands.check.loaded", lambda *_: os.kill(os.getpid(), number))
    assert main(["check", str(film)]) == 130
    assert capsys.readouterr().err == "chainfilm: interrupted\n"
    assert [signal.getsignal(each) for each in BOTH] == before


def test_the_first_signal_interrupts_and_the_second_is_deadly():
    now = []

    def hear():
        with signals_interrupt():
            try:
                os.kill(os.getpid(), signal.SIGTERM)
            finally:
                now.extend(signal.getsignal(each) for each in BOTH)

    with pytest.raises(KeyboardInterrupt, match="SIGTERM"):
        hear()
    assert now == [signal.SIG_DFL, signal.SIG_DFL]


def test_outside_the_main_thread_nothing_changes():
    before = [signal.getsignal(each) for each in BOTH]
    seen = []

    def look():
        with signals_interrupt():
            seen.extend(signal.getsignal(each) for each in BOTH)

    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    assert seen == before


def test_an_interruption_dropped_by_a_callback_is_raised_anew(capfd):
    """Python drops what is raised in a callback from C, here from the C library's `qsort`."""
    order = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p)
    calls = []

    @order
    def compare(*_):
        calls.append(1)
        signal.raise_signal(signal.SIGTERM)
        return 0

    def work():
        with signals_interrupt():
            ctypes.CDLL(None).qsort(
                (ctypes.c_int * 2)(2, 1), 2, ctypes.sizeof(ctypes.c_int), compare
            )
            time.sleep(60.0)

    hook, alarm = sys.unraisablehook, signal.getsignal(signal.SIGALRM)
    with pytest.raises(KeyboardInterrupt, match="SIGTERM"):
        work()
    assert calls == [1]
    assert capfd.readouterr().err == ""
    assert (sys.unraisablehook, signal.getsignal(signal.SIGALRM)) == (hook, alarm)


def test_an_interrupted_text_of_python_leaves_the_exit_code(tmp_path):
    """Data classes run such texts; `python -m` then ended by SIGINT (CPython 3.11, pythonrun.c)."""
    (tmp_path / "hasty.py").write_text(
        "import os, signal, sys\n"
        "from sim.run.signals import signals_interrupt\n"
        "try:\n"
        "    with signals_interrupt():\n"
        "        exec('os.kill(os.getpid(), signal.SIGTERM)\\nwhile True: pass')\n"
        "except KeyboardInterrupt:\n"
        "    sys.exit(130)\n"
    )
    path = os.pathsep.join([str(tmp_path), str(ROOT)])
    ended = subprocess.run(
        [sys.executable, "-m", "hasty"], env=os.environ | {"PYTHONPATH": path}, check=False
    )
    assert ended.returncode == 130


def test_a_signal_that_a_compiled_library_drops_still_interrupts(monkeypatch, capsys):
    """Exceptions do not pass through C callbacks: the next step then fails for another reason."""

    def work(args):
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        raise RuntimeError("no compiled object yet")

    words = argparse.Namespace(function=work)
    made = argparse.Namespace(parse_args=lambda _: words)
    monkeypatch.setattr(command_options, "parser", lambda _: made)
    monkeypatch.delenv("CHAINFILM_TRACEBACK", raising=False)
    assert main(["run"]) == 130
    assert capsys.readouterr().err == "chainfilm: interrupted\n"
