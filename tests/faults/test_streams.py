"""Streams that are closed, full or left by their reader, and users whom the system does not know.

One sentence or none, the right exit code, and no simulation that ends because nobody listens.
"""

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.common.kernel_cache import cache_folder
from sim.commands import terminal
from sim.commands.terminal import notice_lines, progress_line, say
from sim.commands.text import again_text
from sim.run.bars import Bar
from tests.reference.small_film import small_film

ROOT = Path(__file__).parents[2]
FULL = Path("/dev/full")
needs_full = pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full")


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text(small_film())
    return path


def command(*words, closed=(), buffered=True, program=("-m", "sim"), **streams):
    """Run the command with closed streams; return the finished process."""

    def close():
        for number in closed:
            os.close(number)

    environment = {k: v for k, v in os.environ.items() if k != "PYTHONUNBUFFERED"}
    if not buffered:
        environment["PYTHONUNBUFFERED"] = "1"
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | streams
    return subprocess.run(
        [sys.executable, *program, *map(str, words)], cwd=ROOT, env=environment, text=True,
        preexec_fn=close, check=False, timeout=300, **streams,
    )  # fmt: skip


@pytest.mark.parametrize("closed", [(1,), (2,), (1, 2), (0, 1, 2)])
def test_closed_streams_change_no_exit_code(tmp_path, closed):
    done = command("check", tmp_path / "none.toml", closed=closed)
    assert done.returncode == 2
    assert ("does not exist" in done.stderr) == (2 not in closed)
    assert command("new", "-", closed=closed).returncode == 0


def test_no_file_gets_the_number_of_a_closed_stream():
    """What a library writes to standard error would go into it."""
    if not Path("/proc/self/fd").exists():
        pytest.skip("needs /proc")
    read, write = os.pipe()
    program = (
        "import os, sys; from sim import command_line;"
        "from sim.commands import new;"
        f"new.new = lambda args: os.write({write}, repr(["
        "os.readlink(f'/proc/self/fd/{n}') for n in (0, 1, 2)]).encode()) and 0;"
        "sys.exit(command_line.main(['new', '-']))"
    )
    try:
        done = command(closed=(0, 1, 2), program=("-c", program), pass_fds=(write,))
        assert done.returncode == 0
        assert os.read(read, 1000) == repr(["/dev/null"] * 3).encode()
    finally:
        os.close(read)
        os.close(write)


@needs_full
@pytest.mark.parametrize("buffered", [True, False])
@pytest.mark.parametrize("words", [["--help"], ["run", "--help"], ["--version"], ["new", "-"], []])
def test_a_full_device_is_named(words, buffered):
    with FULL.open("w") as full:
        done = command(*words, stdout=full, buffered=buffered)
    told = "chainfilm: standard output cannot be written: No space left on device\n"
    assert (done.returncode, done.stderr) == (1, told)


@needs_full
@pytest.mark.parametrize("buffered", [True, False])
def test_messages_that_cannot_be_written_change_no_exit_code(tmp_path, buffered):
    with FULL.open("w") as full:
        done = command("check", tmp_path / "none.toml", stderr=full, buffered=buffered)
        assert done.returncode == 2


@pytest.mark.parametrize("buffered", [True, False])
def test_a_reader_who_has_had_enough_is_told_nothing(buffered):
    read, write = os.pipe()
    os.close(read)
    done = command("new", "-", stdout=write, buffered=buffered)
    os.close(write)
    assert (done.returncode, done.stderr) == (1, "")


class _Gone:
    """A terminal that was closed: what is written to it fails with "Input/output error"."""

    encoding = "utf-8"

    def __init__(self, lasts=0):
        self.lasts = lasts

    def write(self, text):
        self.lasts -= 1
        if self.lasts < 0:
            raise OSError(errno.EIO, "Input/output error")
        return len(text)

    def flush(self):
        pass

    def fileno(self):
        raise OSError(errno.EBADF, "none")

    def isatty(self):
        return True


def test_a_terminal_that_goes_away_ends_no_run(monkeypatch):
    monkeypatch.setattr(sys, "stderr", _Gone())
    notice_lines(["one", "two"])
    progress_line("half way")
    for lasts in (0, 2, 5):
        monkeypatch.setattr(sys, "stderr", _Gone(lasts))
        bar = Bar("simulating", 100, mininterval=0.0, miniters=0)
        for step in range(20):
            bar.move(step)
            bar.move(step, "beside")
        bar.close()


def test_titles_and_folders_cannot_steer_the_terminal(capsys):
    say("results are in \x1b[2Jout\x9b\u202e/a\nb")
    assert capsys.readouterr().out == "results are in ?[2Jout??/a\nb\n"
    assert terminal.printable("µm °C ü 漢") == "µm °C ü 漢"


def test_the_line_that_goes_on_is_one_that_a_shell_reads(tmp_path):
    """Taken apart by the shell itself, as a user pastes it."""
    for folder in ("plain", "a b", "-x", "it's", "$HOME", "new\nline", "ü"):
        line = again_text("run", "my film.toml", Path(folder))
        script = f"printf '%s\\0' {line}"
        found = subprocess.run(["sh", "-c", script], capture_output=True, check=True).stdout
        words = found.decode().split("\0")[:-1]
        assert words[:4] == ["chainfilm", "run", "my film.toml", "-o"]
        assert Path(words[4]) == Path(folder)
        assert not words[4].startswith("-")
        assert words[5] == "--resume"


def as_unknown_user(*words, **environment):
    """Run a program as a user without a home and without an entry in the list of users."""
    if shutil.which("unshare") is None:
        pytest.skip("there is no unshare to be another user with")
    apart = ["unshare", "-U", "--map-user=12345", "env", "-u", "HOME", sys.executable]
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "MPLCONFIGDIR"))}
    done = subprocess.run(
        [*apart, *map(str, words)], cwd=ROOT, env=kept | environment, capture_output=True,
        text=True, check=False, timeout=600,
    )  # fmt: skip
    if "unshare" in done.stderr:
        pytest.skip("this machine lends no users")
    return done


@pytest.mark.slow
def test_a_user_without_a_home_is_none_less(film, tmp_path):
    """Kernels come from a cache that is named, so that this takes no minute."""
    who = as_unknown_user("-c", "import os, pwd; pwd.getpwuid(os.getuid())")
    assert "uid not found: 12345" in who.stderr
    done = as_unknown_user(
        "-m", "sim", "run", film, "-o", tmp_path / "out", "-q", NUMBA_CACHE_DIR=str(cache_folder())
    )
    assert done.returncode == 0, done.stderr
    assert "atplotlib" not in done.stderr
    assert (tmp_path / "out" / "report.html").exists()


def test_without_a_home_kernels_lie_in_the_users_own_temporary_folder(tmp_path):
    script = "from analysis.common.kernel_cache import cache_folder; print(cache_folder())"
    home = tmp_path / "passing"
    home.mkdir(mode=0o700)
    done = as_unknown_user("-c", script, TMPDIR=str(home))
    assert done.returncode == 0, done.stderr
    folder = Path(done.stdout.strip())
    # The folders above belong to a user whom this one cannot see: then a fresh one is taken.
    assert folder.parent == home / "chainfilm-12345" or folder.name.startswith("chainfilm-kernels-")


@pytest.mark.parametrize("place", ["/dev/null", "relative"])
def test_a_cache_that_is_none_is_done_without(film, place):
    environment = os.environ | {"XDG_CACHE_HOME": place}
    words = [sys.executable, "-m", "sim", "check", str(film), "--no-timing"]
    done = subprocess.run(
        words, cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("locale", [{"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
                                    {"PYTHONIOENCODING": "ascii:strict"}])  # fmt: skip
def test_a_terminal_without_our_signs_shows_others(film, tmp_path, locale):
    film.write_text(small_film().replace("small film", "µm °C 漢字"), encoding="utf-8")
    words = [sys.executable, "-m", "sim", "check", str(film), "--no-timing"]
    done = subprocess.run(
        words, cwd=ROOT, env=os.environ | locale, capture_output=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.startswith(b"?m ?C ??\n")
