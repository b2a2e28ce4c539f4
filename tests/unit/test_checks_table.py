"""The table of checks: what tests tell, read back from a report of pytest, in rows."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks import checks_table, markers

CONFTEST = Path(__file__).parents[1] / "published" / "conftest.py"
PLANTED = """
import pytest

def test_sum(tell):
    tell("a sum", 2.0, 2.5, unit="kT", source="a book")
    tell("not shown", 1.0, 1.0, when=False)

@pytest.mark.parametrize("found", [0.31, 0.9])
def test_mean(tell, found):
    tell("a mean", 0.25, found, 0.04, source="a law")
    assert found < 0.5

def test_bound(tell):
    tell("a bound", "above 1", 3)

def test_skipped():
    pytest.skip("not here")
"""


@pytest.fixture(scope="module")
def read(tmp_path_factory):
    """Return what is read of the report of a run of pytest on planted tests."""
    folder = tmp_path_factory.mktemp("planted")
    (folder / "conftest.py").write_text(CONFTEST.read_text(encoding="utf-8"), encoding="utf-8")
    (folder / "test_planted.py").write_text(PLANTED, encoding="utf-8")
    (folder / "pytest.ini").write_text("[pytest]\nfilterwarnings = error\n", encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-q", "--junitxml=report.xml"]
    done = subprocess.run(command, cwd=folder, capture_output=True, check=False)
    assert done.returncode == 1
    return checks_table.read_rows(folder / "report.xml")


def test_verdicts_are_those_of_pytest(read):
    rows, passed, failed = read
    assert (passed, failed) == (3, 1)
    assert [(row["check"], row["passed"]) for row in rows] == [
        ("a sum", True), ("a mean", True), ("a mean", False), ("a bound", True),
    ]  # fmt: skip


def test_lines_of_the_table(read):
    head, _, *lines = checks_table.table(read[0]).splitlines()
    assert head == checks_table.HEAD
    file = "`test_planted.py`"
    assert lines == [
        f"| a sum | a book | 2 kT | 2.5 kT | +2.5e−01 | yes | {file} |",
        f"| a mean | a law | 0.250 | 0.310 ± 0.040 | +1.5 σ | yes | {file} |",
        f"| a mean | a law | 0.250 | 0.900 ± 0.040 | +16.2 σ | NO | {file} |",
        f"| a bound |  | above 1 | 3 |  | yes | {file} |",
    ]


def test_only_what_stands_between_the_markers_is_replaced():
    begin, end = "<!-- table of checks: begin -->", "<!-- table of checks: end -->"
    page = f"before\n{begin}\nold\n{end}\nafter\n"
    made = markers.replaced(page, checks_table.TABLE, "new")
    assert made == f"before\n{begin}\nnew\n{end}\nafter\n"
    with pytest.raises(ValueError, match="must hold the markers"):
        markers.replaced("a page without them", checks_table.TABLE, "new")
