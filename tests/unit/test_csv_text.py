"""The one writer of CSV files: what is read back, and what no spreadsheet can take for more."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest

from analysis.files.csv_text import write_csv

ROOT = Path(__file__).parents[2]


def read(path):
    with path.open(newline="") as file:
        return list(csv.reader(file))


def test_numbers_read_back_to_the_same_bits(tmp_path):
    chance = np.random.default_rng(1)
    numbers = [
        *chance.standard_normal(50),
        *chance.integers(-(2**62), 2**62, 50),
        1e22,
        -0.1,
        2**63,
    ]
    cells = read(write_csv(tmp_path / "a.csv", ["x_m"], [[v] for v in numbers]))
    assert cells[0] == ["x_m"]
    for (cell,), number in zip(cells[1:], numbers, strict=True):
        assert (int(cell) if isinstance(number, int | np.integer) else float(cell)) == number


def test_what_is_no_number_is_empty_and_texts_stay_texts(tmp_path):
    rows = [[None, np.nan, np.inf, np.float32("nan"), True, "a,b", 'c"d', "two\r\nlines"]]
    assert read(write_csv(tmp_path / "a.csv", "abcdefgh", rows))[1] == [
        "", "", "", "", "True", "a,b", 'c"d', "two lines"
    ]  # fmt: skip
    assert read(write_csv(tmp_path / "b.csv", ["v"], [[1 / 3]], digits=8))[1] == ["0.33333333"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-2+3", "@SUM(A1)", "\t=1+1", "\r\n@x"])
def test_no_text_begins_a_formula(tmp_path, text):
    """The list of first characters is that of OWASP's page on CSV injection (from memory)."""
    cells = read(write_csv(tmp_path / "a.csv", [text], [[text, -2.5, -3]]))
    assert cells == [["'" + text.strip()], ["'" + text.strip(), "-2.5", "-3"]]


def test_there_is_no_other_writer():
    """Whoever joins cells with commas by hand forgets one of these rules some day."""
    by_hand = re.compile(r"""csv\.writer|["'],["']\.join""")
    found = [
        path.relative_to(ROOT).as_posix()
        for package in ("sim", "analysis")
        for path in (ROOT / package).rglob("*.py")
        if by_hand.search(path.read_text(encoding="utf-8"))
    ]
    assert found == ["analysis/files/csv_text.py"]
