"""Titles and texts of a sweep that try to be markup of its page or formulas of its tables."""

from __future__ import annotations

import csv
import json
import os
import warnings
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from analysis.sweeps.gather import collect, write_tables
from analysis.sweeps.report import write_sweep_report
from tests.reference.planted_sweep import planted_sweep
from tests.reference.small_film import small_film

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


@pytest.mark.parametrize("text", [r"$\frac{1$", "\x1b[2J\udcff"])
def test_texts_of_a_sweep_cost_no_figure(tmp_path, text):
    """Two dollars made a formula of a text, and all figures of the sweep were lost."""
    keys = [{"path": "particles.core_diameter", "column": "particles.core_diameter", "unit": ""},
            {"path": "film.thickness", "column": "film.thickness_m", "unit": "m"}]  # fmt: skip
    points = [
        {"particles.core_diameter": f"{text}{n}", "film.thickness_m": thickness}
        for n in (1, 2)
        for thickness in (1e-7, 2e-7)
    ]
    for order in (keys, keys[::-1]):
        folder = planted_sweep(tmp_path / "s", keys=order, points=points, title=text)
        table = collect(folder)
        write_tables(table, folder)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # signs that the font does not have
            page = write_sweep_report(table, folder).read_text(encoding="utf-8")
        assert "could not be drawn" not in page
        assert "<img" in page


def test_a_parameter_file_whose_name_is_no_text(tmp_path):
    """The sweep ended with an error of the program when it wrote its record."""
    from sim.sweeps.folder import SweepFolder
    from sim.sweeps.table import load_sweep

    film = tmp_path / os.fsdecode(b"f\xff.toml")
    film.write_text(small_film() + '[sweep]\n"field.strength" = ["5 mT"]\n')
    folder = SweepFolder(tmp_path / "out")
    folder.claim(load_sweep(str(film), None), resume=False, overwrite=False)
    assert json.loads(folder.record.read_text(encoding="utf-8"))["name"] == "f?.toml"
    folder.claim(load_sweep(str(film), None), resume=True, overwrite=False)
