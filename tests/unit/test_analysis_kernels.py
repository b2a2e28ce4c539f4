"""The kernels of analysis stand on the ground floor, and old machine code is never used."""

import ast
import importlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numba
import pytest

import analysis.kernels

FOLDER = Path(analysis.kernels.__file__).parent
ALLOWED = {"numpy", "math", "numba", "__future__", "typing", "numpy.typing"}


@pytest.mark.parametrize("source", sorted(p.name for p in FOLDER.glob("[a-z]*.py")))
def test_kernels_import_numpy_math_and_numba_only(source):
    tree = ast.parse((FOLDER / source).read_text(encoding="utf-8"))
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        if isinstance(node, ast.ImportFrom):
            names.add(node.module)
    assert {n for n in names if not n.startswith("analysis.kernels.")} <= ALLOWED


def test_kernels_carry_the_words_no_checks():
    for source in FOLDER.glob("[a-z]*.py"):
        text = source.read_text(encoding="utf-8")
        assert "njit" not in text or "o checks, by design" in text


def run_in(folder, code, **environment):
    """Output of a line of Python in a fresh process with its own copy of the kernels."""
    keep = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    return subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        env=keep | environment,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()


def test_an_edited_kernel_gives_the_new_number(tmp_path):
    package = tmp_path / "analysis"
    for room in ("kernels", "common"):
        source = FOLDER.parent / room
        shutil.copytree(source, package / room, ignore=shutil.ignore_patterns("__pycache__"))
    (package / "__init__.py").write_text("")
    code = (
        "import numpy as np, analysis.kernels.across as a; "
        "from analysis.kernels.layout import Cells; "
        "p = np.array([[1., 5, 5], [1, 8, 5]]); c = np.zeros((1, 10), np.int64); "
        "near = np.full(2, np.inf); cells = Cells(np.array([20., 20]), 5.0, 1.0, (1, 1, 1), "
        "np.array([0, 2]), np.array([0, 1]), p); "
        "a.distances_across(cells, np.arange(2), np.zeros(2, np.int64), "
        "np.array([1., 0, 0]), 1.0, 9.0, near, c); print(near[0])"
    )
    cache = {"XDG_CACHE_HOME": str(tmp_path / "cache")}
    assert run_in(tmp_path, code, **cache) == "3.0"
    # The change is in a function that another module calls: numba alone would not see it.
    source = package / "kernels" / "cells.py"
    text = source.read_text(encoding="utf-8")
    changed = text.replace("        return 0, cells\n", "        return 0, 0\n")
    assert changed != text
    source.write_text(changed, encoding="utf-8")
    assert run_in(tmp_path, code, **cache) == "inf"


def test_choice_of_the_user_is_kept_and_an_unwritable_home_does_no_harm(tmp_path):
    code = "import analysis.kernels, numba; print(numba.config.CACHE_DIR)"
    root = FOLDER.parents[1]
    assert run_in(root, code, NUMBA_CACHE_DIR=str(tmp_path / "own")) == str(tmp_path / "own")
    blocked = tmp_path / "file"
    blocked.write_text("")
    folder = Path(run_in(root, code, XDG_CACHE_HOME=str(blocked), TMPDIR=str(tmp_path)))
    assert folder.parents[1] == tmp_path


def test_folder_changes_with_the_flags(monkeypatch):
    plain = analysis.kernels.kernel_hash()
    monkeypatch.setattr(numba.config, "BOUNDSCHECK", 1)
    assert analysis.kernels.kernel_hash() != plain
    importlib.import_module("analysis.kernels.pairs")
