"""Titles and texts of a sweep that try to be markup of its page or formulas of its tables."""

from __future__ import annotations

import csv
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from analysis.sweep_report import write_sweep_report
from analysis.sweeps import collect, write_tables
from tests.reference.planted_sweep import planted_sweep

MARKUP = "</title><script>alert(1)</script><img src=x onerror=alert(1)>\"'&"
FORMULAS = ("=1+1", "+1+cmd", "-2+3", "@SUM(A1)", "\t=1+1", "\r\n=1+1")


class _Elements(HTMLParser):
    """Collects the elements and attributes that a reader of the page would see."""

    def __init__(self):
        super().__init__()
        self.seen = []

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))


def test_markup_in_a_sweep_is_text_on_its_page(tmp_path):
    keys = [{"path": "field.strength", "column": f"field.{MARKUP}", "unit": MARKUP}]
    points = [{f"field.{MARKUP}": f"{MARKUP}{number}"} for number in (1, 2)]
    folder = planted_sweep(tmp_path / "s", keys=keys, points=points, title=MARKUP)
    page = _Elements()
    page.feed(write_sweep_report(collect(folder), folder).read_text())
    assert not [tag for tag, _ in page.seen if tag == "script"]
    assert not [attrs for _, attrs in page.seen if "onerror" in attrs]
    assert all(a["src"].startswith("data:image/png") for tag, a in page.seen if tag == "img")


@pytest.mark.parametrize("text", FORMULAS)
def test_no_text_of_a_table_begins_a_formula(tmp_path, text):
    """The list of first characters is that of OWASP's page on CSV injection (from memory)."""
    folder = planted_sweep(tmp_path / "s")
    rows = [{text: text, "reason": text, "number": -0.5}]
    table = replace(collect(folder), rows=rows, summary=rows)
    for file in write_tables(table, folder):
        with file.open(newline="") as stream:
            cells = [cell for row in csv.reader(stream) for cell in row]
        assert any(cell.endswith(text.strip()) for cell in cells)
        assert "-0.5" in cells
        assert not [c for c in cells if c != "-0.5" and c.startswith(("=", "+", "-", "@"))]
