"""The optics of a sweep: a row a point and wavelength, trends, and the page."""

import csv
import json
import re
from dataclasses import replace

import pytest

from analysis.common import file_names
from analysis.pictures import style
from analysis.quantities.light import OF_LIGHT
from analysis.sweeps import optics_report
from analysis.sweeps import report as sweep_report
from analysis.sweeps.gather import collect
from analysis.sweeps.optics import collect_optics, write_optics_summary
from tests.reference.planted_sweep import planted_sweep
from tests.unit.test_report import read

WAVELENGTHS = (532e-9, 633e-9)


def birefringence(field, wavelength):
    return 2e-3 * field / 0.04 * 532e-9 / wavelength


def handoff(field, thickness, replica):
    """What a run of a field and a thickness hands on: birefringence goes as the field."""
    light = []
    for wavelength in WAVELENGTHS:
        found = birefringence(field, wavelength) + 1e-5 * (2 * replica - 3)
        light.append(
            {
                "wavelength_m": {"value": wavelength},
                "birefringence": {"value": found, "error": 3e-5},
                "retardance_m": {"value": found * thickness, "error": 3e-5 * thickness},
                "absorbed_share": {"value": 0.02, "error": None},
            }
        )
    response = {"on_birefringence_s": {"value": 1e-6 / field, "error": 1e-6}}
    optics = {"core_index": {"source": "magnetite, a <table>"}}
    return {"light": light, "response": response, "optics": optics}


@pytest.fixture
def swept(tmp_path):
    folder = planted_sweep(tmp_path / "s")
    table = collect(folder)
    for row in table.rows:
        content = handoff(row["field.strength_T"], row["film.thickness_m"], row["replica"])
        (folder / row["folder"] / file_names.HANDOFF).write_text(json.dumps(content))
    return folder, table


def test_points_are_means_over_replicas_with_the_error_of_the_law(swept):
    _, table = swept
    optics = collect_optics(table)
    assert optics.wavelengths == WAVELENGTHS
    for wavelength, one in optics.tables.items():
        for row in one.summary:
            known = birefringence(row["field.strength_T"], wavelength)
            assert row["light_birefringence"] == pytest.approx(known)
            # What the law leaves open is alike in all replicas: no average makes it smaller.
            assert row["light_birefringence_error"] >= 3e-5
            delay = known * row["film.thickness_m"]
            assert row["light_retardance_m"] == pytest.approx(delay)
            assert row["response_on_birefringence_s"] == pytest.approx(
                1e-6 / row["field.strength_T"]
            )
            assert row["light_dichroism"] is None


def test_the_table_reads_back(swept):
    folder, table = swept
    optics = collect_optics(table)
    with write_optics_summary(optics, folder).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(table.summary) * len(WAVELENGTHS)
    first = rows[0]
    assert (
        float(first["light_birefringence"])
        == optics.tables[532e-9].summary[0]["light_birefringence"]
    )
    assert {f"{one.column}{end}" for one in OF_LIGHT.values() for end in ("", "_error")} <= set(
        first
    )
    assert {"point", "field.strength_T", "film.thickness_m", "wavelength_m"} <= set(first)


def test_the_page_of_a_sweep(swept, monkeypatch):
    folder, table = swept
    optics = collect_optics(table)
    drawn = optics_report.figures_of(optics)
    assert {"optics_birefringence_532nm", "optics_retardance_633nm"} <= set(drawn)
    (axes,) = drawn["optics_retardance_532nm"]().axes
    assert axes.get_ylabel() == "Retardance (pm)"
    assert "Applied field" in axes.get_xlabel()
    for page in (optics_report, sweep_report):
        monkeypatch.setattr(page, "figure_blocks", lambda *_, **__: "<p></p>")
    path = optics_report.write_optics_report(optics, table, folder)
    page = path.read_text(encoding="utf-8")
    text = read(page).text
    assert "At 532 nm these films delay light polarised along their chains by" in text
    assert "most at strength 40 mT and thickness 300 nm" in text
    assert "a <table>" in text
    assert "All points at 633 nm" in text
    assert "How fast the films answer" in text
    assert re.search(r"Warnings \(\d+\)", text)
    # Numbers of all tables lead to what they are, and no link leads nowhere.
    links = set(re.findall(r'class="trace" href="#([^"]+)"', page))
    assert {"from-light_retardance_m", "from-response_on_birefringence_s"} <= links
    assert links <= set(re.findall(r'<dt id="([^"]+)"', page))
    assert "mean of runs: 2" in page
    # The page of lengths leads to it, once it is there.
    assert f'href="{file_names.OPTICS_REPORT}"' in sweep_report.page(table)


def test_a_retardance_within_its_errors_is_not_told_to_be_largest(swept):
    optics = collect_optics(swept[1])
    for row in optics.tables[WAVELENGTHS[0]].summary:
        row["light_retardance_m_error"] = abs(row["light_retardance_m"])
    told = optics_report.answer(optics)
    assert "no film delays light polarised along its chains by more than two errors" in told


def test_a_sweep_without_light_has_no_page(tmp_path, monkeypatch):
    monkeypatch.setattr(sweep_report, "trend_figures", lambda *_: {})
    folder = planted_sweep(tmp_path / "s")
    table = collect(folder)
    optics = collect_optics(table)
    (folder / file_names.OPTICS_SUMMARY).write_text("earlier")
    assert optics.wavelengths == ()
    assert write_optics_summary(optics, folder) is None
    assert optics_report.write_optics_report(optics, table, folder) is None
    assert not (folder / file_names.OPTICS_SUMMARY).exists()
    assert file_names.OPTICS_REPORT not in sweep_report.page(table)
    assert style.save_all(optics_report.figures_of(optics), folder, "png") == []


def test_a_spoilt_hand_off_costs_its_run_alone(swept):
    folder, table = swept
    (folder / table.rows[0]["folder"] / file_names.HANDOFF).write_text("{")
    row = collect_optics(table).tables[532e-9].summary[0]
    only = birefringence(row["field.strength_T"], 532e-9) + 1e-5  # the second replica is left
    assert row["light_birefringence"] == pytest.approx(only)


def test_words_of_points_are_those_of_fluids(swept, monkeypatch):
    monkeypatch.setattr(optics_report, "figures_of", lambda *_: {})
    _, table = swept
    over = replace(table, fluids=12)
    text = optics_report.page(collect_optics(over), over)
    assert "Mean over fluids with its standard error" in text
    assert "replicas" not in text.replace("replicas differ", "")
    assert "Mean over replicas with its standard error" in optics_report.page(
        collect_optics(table), table
    )
