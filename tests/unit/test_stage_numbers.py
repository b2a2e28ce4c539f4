"""On and off: each steady stage has its averages, and the headline says which one it is about."""

import numpy as np
import pytest

from analysis.measures.measure import measure
from analysis.measures.stages import averaged_over
from analysis.reports import run as report
from analysis.response.decay_text import decay_rows
from analysis.trajectory.run import open_run
from sim.commands.results import headline_rows
from tests.reference.few_figures import draw_only
from tests.reference.planted import planted_run

OFF = 1e-4


@pytest.fixture(scope="module")
def measurement(tmp_path_factory):
    """Return what is measured of a planted run whose field goes off halfway."""
    return measure(run_of(tmp_path_factory.mktemp("planted"), switch_off_at=OFF))


def run_of(folder, **given):
    return open_run(planted_run(folder, **given))


def test_each_steady_stage_has_its_averages(measurement):
    on, off = measurement.numbers["stages"]
    assert on["end_s"] <= OFF < off["end_s"]
    assert on["field_t"] > 0.0
    assert off["field_t"] == 0.0
    series = measurement.curves["time_series"]
    time, length = np.asarray(series["time_s"]), np.asarray(series["mean_length"])
    for stage in (on, off):
        inside = (time >= stage["from_time_s"] - 1e-12) & (time <= stage["end_s"] + 1e-12)
        assert stage["mean_length"]["value"] == pytest.approx(length[inside].mean())
    last = measurement.numbers["chains"]["mean_length"]["value"]
    assert off["mean_length"]["value"] == pytest.approx(last)


def test_the_rule_of_the_run_has_the_numbers_of_the_headline(tmp_path):
    # More frames than the other rules are tried on.
    numbers = measure(run_of(tmp_path, frames=120)).numbers
    own, *others = numbers["chains"]["sensitivity"]
    assert others
    for name in ("mean_length", "weight_mean_length", "singles_fraction"):
        assert own[name] == numbers["chains"][name]


def test_the_headline_names_the_stage_and_the_decay(measurement):
    rows = dict(headline_rows(measurement))
    assert rows["averaged over"].endswith("with the field off")
    assert [label for label, _ in decay_rows(measurement.numbers)] == [
        "decay time of the chain length",
        "decay time of the alignment",
        "decay time of the magnetisation",
    ]
    assert "decay time of the chain length" in rows


def test_the_page_says_which_stage_its_numbers_are_of(measurement, tmp_path, monkeypatch):
    draw_only(monkeypatch, "film_top")
    page = report.page(measurement, run_of(tmp_path, switch_off_at=OFF)).replace("\xa0", " ")
    assert "in a field of up to" in page
    assert f"averaged over {averaged_over(measurement.numbers)}" in page
    assert "Stages of the field" in page


def test_one_steady_field_needs_no_such_words(tmp_path, monkeypatch):
    draw_only(monkeypatch, "film_top")
    run = run_of(tmp_path)
    measurement = measure(run)
    page = report.page(measurement, run).replace("\xa0", " ")
    assert len(measurement.numbers["stages"]) == 1
    assert "up to" not in page.split("A chain holds")[0]
    assert "Stages of the field" not in page
