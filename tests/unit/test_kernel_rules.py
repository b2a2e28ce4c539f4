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
    path for package in ("sim", "analysis") for path in (ROOT / package / "kernels").rglob("*.py")
)
ALLOWED = {"numpy", "math", "numba", "operator", "__future__"}
# The vector type, the lane, casts and calls by address are written in LLVM's language.
LLVM = {"vectors", "card"}
# The folder of compiled code is set before any kernel is defined.
SETUP = {"os", "analysis.common.kernel_cache"}


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
    return path.relative_to(ROOT).as_posix()


def test_kernels_are_found():
    names = {name_of(path) for path in KERNELS}
    steps = {f"sim/kernels/steps/{name}.py" for name in ("pair_sums", "step", "lists", "noise")}
    assert steps | {"sim/kernels/vectors/types.py", "analysis/kernels/pairs.py"} <= names


@pytest.mark.parametrize("path", KERNELS, ids=name_of)
def test_kernels_import_nothing_but_numbers(path):
    own = f"{path.relative_to(ROOT).parts[0]}.kernels"
    for module in imported(path):
        head = module.split(".")[0]
        if module == own or module.startswith(f"{own}.") or head in ALLOWED:
            continue
        if path.name == "__init__.py":
            assert module in SETUP, f"{path.name} imports {module}"
        elif path.name == "layout.py":
            assert module == "typing"
        elif path.name == "calls.py" and head in ("ctypes", "functools", "struct"):
            continue  # lays films out in memory and calls kernels by address, from Python
        elif path.name == "queue.py" and head in ("cupy", "cupyx"):
            continue  # the memory of a card, and its transforms
        elif path.name == "compiler.py" and head == "numba_cuda":
            continue  # its version
        elif path.parent.name == "card" and module == "typing":
            continue
        else:
            assert head == "llvmlite", f"{path.name} imports {module}"
            assert LLVM & set(path.parts), f"{path.name} imports {module}"


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


@pytest.mark.parametrize("name", ["step", "motion", "lists", "pair_sums"])
def test_guards_see_what_is_not_a_number(name):
    # Under fast arithmetic comparisons miss NaN; the vector type leaves "nnan" and "ninf" out.
    path = ROOT / "sim" / "kernels" / "steps" / f"{name}.py"
    for function, words in decorators(path):
        assert "fastmath" not in words, function.name
    from sim.kernels.vectors.types import LOOSE

    assert not {"nnan", "ninf", "fast"} & set(LOOSE)


LAWS = [path for path in KERNELS if path.parent.name == "laws" and path.name != "__init__.py"]


def test_laws_are_found():
    assert {"pairs.py", "screened.py", "hindrance.py"} <= {path.name for path in LAWS}


def falls_when_compiled(test):
    """Whether a condition asks for the type of an argument only: absent, or of a type of numba."""
    if isinstance(test, ast.Compare):
        return isinstance(test.ops[0], ast.Is) and ast.unparse(test.comparators[0]) == "None"
    return ast.unparse(test).startswith("isinstance(")


@pytest.mark.parametrize("path", LAWS, ids=name_of)
def test_pair_laws_have_no_branch_and_no_power(path):
    for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(function, ast.FunctionDef):
            continue
        for node in ast.walk(function):
            branch = isinstance(node, ast.If | ast.IfExp) and not falls_when_compiled(node.test)
            assert not branch, function.name
            assert not isinstance(getattr(node, "op", None), ast.Pow), function.name


# Reads an energy through a cached kernel that calls a law of another module.
PROBE = """\
from sim.kernels.steps import energies
from sim.kernels.steps import layout
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
    law = folder / "sim" / "kernels" / "laws" / "pairs.py"
    text = law.read_text(encoding="utf-8")
    old = "(x6 - 1.0) * x6 + strength\n"
    assert text.count(old) == 1
    law.write_text(text.replace(old, "(x6 - 1.0) * x6 + 3.0 * strength\n"), encoding="utf-8")
    assert probe(folder, cache) == (3.0, 0)
    # And back again, which the cache still remembers.
    law.write_text(text, encoding="utf-8")
    assert probe(folder, cache) == (1.0, 1)
    assert len(list((cache / "chainfilm").iterdir())) == 2
