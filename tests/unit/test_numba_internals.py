"""What of numba's inside this program stands on: one room, and three modules of the card."""

import ast
import importlib
import tomllib
from pathlib import Path

import numba
import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
ROOM = ROOT / "sim" / "kernels" / "vectors"
CARD = {
    ROOT / "sim" / "kernels" / "card" / name for name in ("compiler.py", "lanes.py", "members.py")
}
# Not part of numba's documented interface (numba 0.68: "Extending Numba", from memory): what may
# change from one minor version to the next, and is why the requirement has an upper bound.
INTERNALS = {
    ("numba.core", "cgutils"),
    ("numba.core.extending", "intrinsic"),
    ("numba.core.extending", "models"),
    ("numba.core.extending", "register_model"),
    ("numba.core.imputils", "lower_cast"),
    ("numba.core.registry", "cpu_target"),
    ("numba.core.typeconv.castgraph", "Conversion"),
    ("numba.core.typing.templates", "AbstractTemplate"),
    ("numba.core.typing.templates", "AttributeTemplate"),
    ("numba.core.typing.templates", "infer_getattr"),
    ("numba.core.typing.templates", "infer_global"),
    ("numba.core.typing.templates", "signature"),
}


def inside(path):
    """Return what a file imports from the inside of numba, as (module, name)."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("numba.core"):
            found |= {(node.module, alias.name) for alias in node.names}
        if isinstance(node, ast.Import):
            names = {alias.name for alias in node.names}
            found |= {(name, "") for name in names if name.startswith("numba.core")}
    return found


def test_the_inside_of_numba_is_known_and_in_its_places():
    used = set().union(*(inside(path) for path in (*ROOM.glob("*.py"), *CARD)))
    assert used == INTERNALS
    for package in ("sim", "analysis"):
        for path in (ROOT / package).rglob("*.py"):
            assert path.parent == ROOM or path in CARD or not inside(path), path


@pytest.mark.parametrize(("module", "name"), sorted(INTERNALS))
def test_the_inside_is_there(module, name):
    assert hasattr(importlib.import_module(module), name)


def test_numba_has_a_lower_and_an_upper_bound():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    (wanted,) = [r for r in map(Requirement, project["dependencies"]) if r.name == "numba"]
    # 0.61 ends with an error of LLVM, 0.62.1 runs a film (tried).
    assert "0.61.2" not in wanted.specifier
    assert "0.62.1" in wanted.specifier
    assert numba.__version__ in wanted.specifier
    assert {">=", "<"} == {bound.operator for bound in wanted.specifier}
