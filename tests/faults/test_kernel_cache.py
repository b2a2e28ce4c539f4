"""Compiled kernels are never looked for where somebody else could have put them.

What lies in the cache is loaded and run. So each place is asked for that another user of the
machine could have made ready: a folder of a name that can be guessed, a link, one that others may
write in. Tests run a fresh process, as a user would.
"""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BOTH = "import {first}.kernels, {second}.kernels, numba; print(numba.config.CACHE_DIR, end='')"

pytestmark = pytest.mark.skipif(not hasattr(os, "getuid"), reason="modes are those of POSIX")


def kept_in(temporary, first="sim", second="analysis", **environment):
    """Return the folder of compiled kernels of a fresh process, which has ended."""
    words = {k: v for k, v in os.environ.items() if k not in ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME")}
    words |= {"PYTHONPATH": str(ROOT), "TMPDIR": str(temporary), **environment}
    command = [sys.executable, "-c", BOTH.format(first=first, second=second)]
    done = subprocess.run(command, env=words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return Path(done.stdout)


@pytest.fixture
def no_cache(tmp_path):
    """Environment in which the user's cache cannot be made, for the superuser neither."""
    (tmp_path / "file").touch()
    return {"XDG_CACHE_HOME": str(tmp_path / "file" / "cache")}


@pytest.fixture
def temporary(tmp_path):
    folder = tmp_path / "tmp"
    folder.mkdir()
    folder.chmod(0o1777)
    return folder


def private(folder):
    found = folder.lstat()
    return found.st_uid == os.getuid() and stat.S_IMODE(found.st_mode) == 0o700


def test_both_packages_have_one_rule_and_one_folder(tmp_path, temporary):
    cache = {"XDG_CACHE_HOME": str(tmp_path / "cache")}
    folder = kept_in(temporary, **cache)
    assert folder.parent == tmp_path / "cache" / "chainfilm"
    assert private(folder)
    assert private(folder.parent)
    assert kept_in(temporary, "analysis", "sim", **cache) == folder
    chosen = {"NUMBA_CACHE_DIR": str(tmp_path / "own")}
    assert kept_in(temporary, **cache, **chosen) == tmp_path / "own"


def test_without_a_cache_the_users_own_temporary_folder_serves(temporary, no_cache):
    folder = kept_in(temporary, **no_cache)
    assert folder.parent == temporary / f"chainfilm-{os.getuid()}"
    assert private(folder)
    assert private(folder.parent)
    assert kept_in(temporary, **no_cache) == folder


@pytest.mark.parametrize("planted", ["open to others", "link", "file", "folder in it"])
@pytest.mark.parametrize("first", ["sim", "analysis"])
def test_a_folder_that_others_could_have_filled_is_left_alone(
    temporary, no_cache, tmp_path, planted, first
):
    second = {"sim": "analysis", "analysis": "sim"}[first]
    guessed = temporary / f"chainfilm-{os.getuid()}"
    if planted == "folder in it":
        kept_in(temporary, first, second, **no_cache).chmod(0o777)
    elif planted == "link":
        (tmp_path / "elsewhere").mkdir()
        guessed.symlink_to(tmp_path / "elsewhere")
    elif planted == "file":
        guessed.touch()
    else:
        guessed.mkdir()
        guessed.chmod(0o777)
    before = sorted(guessed.rglob("*"))
    folder = kept_in(temporary, first, second, **no_cache)
    assert folder.parent == temporary
    assert folder.name.startswith("chainfilm-kernels-")
    assert not folder.exists()  # it was that process's alone
    assert sorted(guessed.rglob("*")) == before


@pytest.mark.skipif(not hasattr(os, "getuid") or os.getuid() != 0, reason="chown needs root")
def test_a_folder_of_another_user_is_left_alone(temporary, no_cache, tmp_path):
    guessed = temporary / f"chainfilm-{os.getuid()}"
    guessed.mkdir(mode=0o700)
    os.chown(guessed, 12345, 12345)
    assert kept_in(temporary, **no_cache).name.startswith("chainfilm-kernels-")
    # A cache of another user, as where the superuser kept the home of whom they were before.
    home = tmp_path / "home"
    home.mkdir()
    os.chown(home, 12345, 12345)
    guessed.rmdir()
    folder = kept_in(temporary, HOME=str(home))
    assert folder.parent == guessed
    assert not list((home / ".cache").glob("chainfilm"))


def test_a_cache_below_a_folder_that_all_may_change_is_not_used(tmp_path, temporary):
    loose = tmp_path / "loose"
    loose.mkdir()
    loose.chmod(0o777)
    folder = kept_in(temporary, XDG_CACHE_HOME=str(loose / "cache"))
    assert folder.parent == temporary / f"chainfilm-{os.getuid()}"


def test_a_home_that_is_no_whole_path_makes_no_folder_here(tmp_path, temporary, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for words in ({"HOME": "home"}, {"XDG_CACHE_HOME": "cache"}):
        assert kept_in(temporary, **words).is_absolute()
    assert [path.name for path in tmp_path.iterdir()] == ["tmp"]


def test_without_any_folder_the_remedy_is_told(monkeypatch):
    from analysis.common import kernel_cache
    from sim.commands import errors as command_errors

    def none(*_, **__):
        raise FileNotFoundError("No usable temporary directory found")

    monkeypatch.setattr(kernel_cache, "_private", none)
    monkeypatch.setattr(kernel_cache.tempfile, "mkdtemp", none)
    with pytest.raises(FileNotFoundError) as found:
        kernel_cache.cache_folder()
    _, told = command_errors.explain(found.value)
    assert told == "no folder for compiled kernels can be written; set TMPDIR to one that can"
