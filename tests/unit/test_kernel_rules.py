"""Rules of the ground floor: what kernels may import, no printing, and a cache that sees edits."""

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
KERNELS = sorted(
    path for package in ("sim", "analysis") for path in (ROOT / package / "kernels").glob("*.py")
)
ALLOWED = {"numpy", "math", "numba", "operator", "__future__"}
# The vector type and two casts of the noise are written in LLVM's language.
LLVM = {"vector.py", "vector_rows.py", "vector_lists.py", "noise.py", "eights.py", "blocks.py"}
# Setting up the cache needs a hash, folders and versions.
SETUP = {
    "atexit", "hashlib", "os", "platform", "shutil", "stat", "sys", "tempfile", "pathlib", "typing",
    "llvmlite", "platformdirs",
}  # fmt: skip


def imported(path):
    """Return the full names of all modules that a file imports, inside functions too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            yield node.module


def name_of(path):
    """Return a short name for the test's report."""
    return f"{path.parts[-3]}/{path.name}"


def test_kernels_are_found():
    names = {path.name for path in KERNELS}
    assert {"vector.py", "pair_sums.py", "step.py", "lists.py", "noise.py"} <= names


@pytest.mark.parametrize("path", KERNELS, ids=name_of)
def test_kernels_import_nothing_but_numbers(path):
    own = f"{path.parts[-3]}.kernels"
    for module in imported(path):
        head = module.split(".")[0]
        if module == own or module.startswith(f"{own}.") or head in ALLOWED:
            continue
        if path.name in ("__init__.py", "_cache.py"):
            assert head in SETUP, f"{path.name} imports {module}"
        elif path.name == "layout.py":
            assert module == "typing"
        elif path.name == "blocks.py" and head == "ctypes":
            continue  # calls kernels by address from Python
        else:
            assert head == "llvmlite", f"{path.name} imports {module}"
            assert path.name in LLVM, f"{path.name} imports {module}"


@pytest.mark.parametrize("path", KERNELS, ids=name_of)
def test_kernels_do_not_print_or_assert(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        assert not isinstance(node, ast.Assert), f"{path.name}:{node.lineno}"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id != "print", f"{path.name}:{node.lineno}"


def decorators(path):
    """Yield (function, keywords) of everything that numba compiles to be called."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.FunctionDef):
            continue
        for decorator in node.decorator_list:
            if isinstance(decorator, ast.Call) and getattr(decorator.func, "id", "") == "njit":
                yield node, {word.arg: word.value for word in decorator.keywords}


@pytest.mark.parametrize("path", KERNELS, ids=name_of)
def test_kernels_divide_as_numpy_and_are_cached(path):
    for function, words in decorators(path):
        where = f"{path.name}: {function.name}"
        assert ast.literal_eval(words["error_model"]) == "numpy", where
        inlined = "inline" in words  # part of its caller, which is cached
        assert inlined or ast.literal_eval(words["cache"]) is True, where


@pytest.mark.parametrize("name", ["step.py", "motion.py", "lists.py", "pair_sums.py"])
def test_guards_see_what_is_not_a_number(name):
    # Under fast arithmetic comparisons miss NaN; the vector type leaves "nnan" and "ninf" out.
    (path,) = [p for p in KERNELS if p.name == name]
    for function, words in decorators(path):
        assert "fastmath" not in words, function.name
    from sim.kernels.vector import LOOSE

    assert not {"nnan", "ninf", "fast"} & set(LOOSE)


@pytest.mark.parametrize("path", KERNELS, ids=name_of)
def test_pair_laws_have_no_branch_and_no_power(path):
    if path.name != "pair_laws.py":
        return
    for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(function, ast.FunctionDef):
            continue
        for node in ast.walk(function):
            assert not isinstance(node, ast.If | ast.IfExp), function.name
            assert not isinstance(getattr(node, "op", None), ast.Pow), function.name


# Reads an energy through a cached kernel that calls a law of another module.
PROBE = """\
from sim.kernels import energies, layout
laws = layout.Laws(0, 1.0, 0.1, 1.0, 1.0, 3.0, 0, 1e-4, 0.1, 3.0, True)
seen = energies.steric_energy(1.0, 0.5, 0.5, laws)
hits = sum(energies.steric_energy.stats.cache_hits.values())
import sys
sys.stdout.write(f"{seen!r} {hits}")
"""


def probe(folder, cache):
    """Return (energy at contact, cache hits) of a fresh process."""
    environment = {key: value for key, value in os.environ.items() if key != "NUMBA_CACHE_DIR"}
    environment.update(PYTHONPATH=str(folder), XDG_CACHE_HOME=str(cache))
    done = subprocess.run(
        [sys.executable, "-c", PROBE],
        cwd=folder, env=environment, capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    energy, hits = done.stdout.split()
    return float(energy), int(hits)


def test_edited_law_is_never_served_from_the_cache(tmp_path):
    folder, cache = tmp_path / "copy", tmp_path / "cache"
    for package in ("sim", "analysis"):
        shutil.copytree(
            ROOT / package, folder / package, ignore=shutil.ignore_patterns("__pycache__")
        )
    # The soft core at contact costs its strength; a second process finds it in the cache.
    assert probe(folder, cache) == (1.0, 0)
    assert probe(folder, cache) == (1.0, 1)
    law = folder / "sim" / "kernels" / "pair_laws.py"
    text = law.read_text(encoding="utf-8")
    old = "(x6 - 1.0) * x6 + strength\n"
    assert text.count(old) == 1
    law.write_text(text.replace(old, "(x6 - 1.0) * x6 + 3.0 * strength\n"), encoding="utf-8")
    assert probe(folder, cache) == (3.0, 0)
    # And back again, which the cache still remembers.
    law.write_text(text, encoding="utf-8")
    assert probe(folder, cache) == (1.0, 1)
    assert len(list((cache / "chainfilm").iterdir())) == 2
