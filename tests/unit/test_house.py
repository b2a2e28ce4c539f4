"""The rooms of both packages: no circle of imports, no room too full, a sentence for each."""

import ast
import graphlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
    for package in ("sim", "analysis")
    for path in (ROOT / package).rglob("*.py")
}
ROOMS = sorted({path.parent for path in MODULES.values()})
MOST_MODULES = 20


def imported(path):
    """Return the modules of the house that a file imports, in functions and for types too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= {name if name in MODULES else node.module for name in names}
    return found & set(MODULES)


def circle(graph):
    """Return the modules of one circle of imports, none where there is none."""
    try:
        graphlib.TopologicalSorter(graph).prepare()
    except graphlib.CycleError as error:
        return error.args[1]
    return []


def test_a_circle_is_found():
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}})
    assert not circle({"a": {"b", "c"}, "b": {"c"}})


def test_no_circle_of_imports():
    graph = {name: imported(path) - {name} for name, path in MODULES.items()}
    assert sum(map(len, graph.values())) > len(MODULES)  # the imports were found
    assert circle(graph) == []


@pytest.mark.parametrize("room", ROOMS, ids=lambda room: room.relative_to(ROOT).as_posix())
def test_a_room_is_described_and_not_crowded(room):
    name = room.relative_to(ROOT).as_posix()
    modules = [path for path in room.glob("*.py") if path.name != "__init__.py"]
    assert len(modules) <= MOST_MODULES, name
    description = ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8")))
    assert description, name
    assert len(description.splitlines()[0]) > 15, name


def test_what_a_user_can_cause_is_of_one_kind():
    """Any other error is told as a fault of the program, with exit code 1."""
    bases = {
        node.name: {ast.unparse(base) for base in node.bases}
        for path in MODULES.values()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef)
    }
    caught = {"Refused"}  # by whoever reads a value of a file, who knows its place
    assert {name for name, of in bases.items() if "ValueError" in of} - caught == {"InputError"}
    assert sum("InputError" in of for of in bases.values()) > 10
