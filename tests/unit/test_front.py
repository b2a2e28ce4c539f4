"""The program under one name: strangers in place of its packages, systems, public names."""

import importlib.util
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import analysis
import sim
from sim import front

ROOT = Path(__file__).parents[2]


@pytest.fixture
def chainfilm():
    """Return the module as an installation has it, under its own name and in its own file."""
    spec = importlib.util.spec_from_file_location("chainfilm", ROOT / "sim" / "chainfilm.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def python(*words, cwd):
    """Run python in a folder, which comes before all others on its path."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, *words], cwd=cwd, env=environment, capture_output=True, text=True,
        check=False,
    )  # fmt: skip


def test_all_is_well_here():
    assert front.refusal() == ""


@pytest.mark.parametrize("stranger", ["analysis/__init__.py", "analysis.py"])
def test_a_stranger_called_analysis_is_named(tmp_path, stranger):
    path = tmp_path / stranger
    path.parent.mkdir(exist_ok=True)
    path.write_text("", encoding="utf-8")
    told = python("-m", "sim", "--version", cwd=tmp_path)
    assert (told.returncode, told.stdout) == (2, "")
    (line,) = told.stderr.splitlines()
    assert str(tmp_path / stranger.split("/")[0]) in line
    assert "in place of chainfilm's own package analysis; rename it" in line
    for use in ("import sim; sim.load", "from sim import simulate"):
        told = python("-c", use, cwd=tmp_path)
        assert told.returncode == 1
        assert "ImportError: " in told.stderr
        assert str(tmp_path) in told.stderr.splitlines()[-1]


def test_a_stranger_called_sim_is_named(tmp_path, chainfilm):
    (tmp_path / "sim.py").write_text("", encoding="utf-8")
    (tmp_path / "chainfilm.py").write_bytes((ROOT / "sim" / "chainfilm.py").read_bytes())
    told = python("-m", "chainfilm", "--version", cwd=tmp_path)
    assert told.returncode == 2
    assert told.stderr.startswith(f"chainfilm: {tmp_path / 'sim.py'} is found in place of")
    told = python("-c", "import chainfilm; chainfilm.load", cwd=tmp_path)
    assert "ImportError" in told.stderr


def test_folders_without_modules_are_in_nobodys_way(tmp_path):
    for name in ("sim", "analysis"):  # such as the results of a user
        (tmp_path / name).mkdir()
        (tmp_path / name / "numbers.csv").write_text("1", encoding="utf-8")
    assert python("-m", "sim", "--version", cwd=tmp_path).returncode == 0


SYSTEMS = {"linux": True, "darwin": True, "win32": False, "cygwin": False, "emscripten": False}


@pytest.mark.parametrize(("system", "works"), SYSTEMS.items())
def test_systems(monkeypatch, capsys, system, works):
    monkeypatch.setattr(sys, "platform", system)
    assert (front.refusal() == "") == works
    if not works:
        assert front.main() == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert f"not on {system}" in line
        assert "WSL" in line


def test_a_command_starts_without_what_only_linux_has(monkeypatch, tmp_path, request):
    """macOS has no sched_getaffinity and no /proc (common practice)."""
    from sim.files import lock, provenance
    from sim.run.setup import usable_threads

    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    real = Path.read_text

    def without_proc(path, **words):
        return real(Path("/nowhere") if str(path).startswith("/proc") else path, **words)

    monkeypatch.setattr(Path, "read_text", without_proc)
    provenance.processor_name.cache_clear()
    request.addfinalizer(provenance.processor_name.cache_clear)
    assert usable_threads(None)[0] >= 1
    assert provenance.processor_name()
    with lock.held(tmp_path), pytest.raises(lock.LockedError, match="this machine"):
        lock.refuse_if_held(tmp_path)


def test_one_name_for_both_packages(chainfilm):
    both = {*sim.__all__, *analysis.__all__} - {"Run"}
    assert chainfilm.load is sim.load
    assert chainfilm.open_run is analysis.open_run
    assert dir(chainfilm) == sorted(both)
    for name in ("Run", "nothing", "__path__"):
        with pytest.raises(AttributeError):
            getattr(chainfilm, name)


def test_the_page_of_citation_tells_this_version():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    text = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    entries = dict(re.findall(r"^([a-z-]+): \"?([^\"\n]+?)\"?$", text, re.MULTILINE))
    assert entries["cff-version"] == "1.2.0"
    assert entries["version"] == project["version"]
    assert entries["license"] == project["license"] == "MIT"
    assert entries["abstract"] == project["description"]
    assert re.search(r"^authors:\n  - name: \"chainfilm developers\"$", text, re.MULTILINE)
    licence = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert licence.startswith("MIT License\n\nCopyright (c) 2026 chainfilm developers\n")
    assert f"## Releases\n\n**{project['version']}" in (ROOT / "DEVELOPERS.md").read_text("utf-8")
