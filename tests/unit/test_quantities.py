"""A number is declared once: what is measured is declared, and every place tells it alike."""

import csv
import dataclasses
import math
import re
from html import unescape

import pytest

from analysis.measures.bounds import possible_range
from analysis.measures.measure import measure
from analysis.measures.tables import write_tables
from analysis.optics.definitions import DEFINITIONS
from analysis.quantities import all as quantities
from analysis.quantities.all import MEASURED, SIMULATED, quantity, shown
from analysis.quantities.quantity import Quantity
from analysis.reports import run as report
from analysis.sweeps import report as sweep_report
from analysis.sweeps.gather import collect
from analysis.trajectory.run import open_run
from sim.commands.results import headline_rows
from tests.reference.planted import planted_run
from tests.reference.planted_sweep import planted_sweep

PLACES = ("screen", "sweep", "spacing_table", "handoff")
REPEATED = ("stages", "chains.sensitivity", "relaxation.turning_stages")
"""Lists whose numbers are those of other sections."""


@pytest.fixture(scope="module")
def standing(tmp_path_factory):
    """Return a run of columns whose field goes off, and its measurement."""
    path = planted_run(
        tmp_path_factory.mktemp("planted"), frames=12, axis=2, spacing=85e-9,
        sides=(0.8e-6, 0.8e-6), plateau=4.0, switch_off_at=1.2e-4,
    )  # fmt: skip
    run = open_run(path)
    return run, measure(run)


def entries(block, path=""):
    """Yield path and entry of every measured number."""
    if isinstance(block, dict) and "value" in block and "error" in block:
        yield path, block
    elif isinstance(block, dict):
        for key, inner in block.items():
            yield from entries(inner, f"{path}.{key}" if path else key)
    elif isinstance(block, list):
        for inner in block:
            yield from entries(inner, path)


def test_every_measured_number_is_declared(standing):
    _, measurement = standing
    found = {path for path, _ in entries(measurement.numbers) if not path.startswith(REPEATED)}
    assert len(found) > 60
    assert found - {one.path for one in MEASURED} == set()


def test_what_is_declared_is_unique_and_whole():
    paths = [one.path for one in (*MEASURED, *SIMULATED)]
    assert len(paths) == len(set(paths))
    names = [one.name for one in MEASURED]
    assert len(names) == len(set(names))
    for one in MEASURED:
        assert one.name[0].isupper(), one.path
        assert one.meaning.endswith("."), one.path
        assert one.ends[0] < one.ends[1], one.path


def test_units_are_those_at_the_end_of_the_key():
    # Common practice of this program: keys of SI numbers end in their unit.
    endings = {
        "m": "_m", "s": "_s", "Hz": "_hz", "m2": "_m2", "1/m": "_per_m", "1/s": "_per_s",
        "°": "_deg", "T": "_t", "K": "_k",
    }  # fmt: skip
    for one in (*MEASURED, *SIMULATED):
        if one.unit in endings:
            assert one.key.endswith(endings[one.unit]), one.path
        else:
            assert not re.search(r"_(m|s|hz|m2|deg)$", one.key), one.path


@pytest.mark.parametrize("place", PLACES)
def test_places_are_counted_without_gap(place):
    assert [getattr(one, place) for one in shown(place)] == list(range(1, len(shown(place)) + 1))


def test_keys_of_one_name_have_one_range():
    for one in MEASURED:
        assert possible_range(one.key) == one.ends, one.path


def test_one_name_on_screen_page_sweep_and_hand_off(standing, tmp_path, monkeypatch):
    run, measurement = standing
    monkeypatch.setattr(report, "_figures", lambda *_: ("", ""))
    monkeypatch.setattr(sweep_report, "trend_figures", lambda _: {})
    screen = dict(headline_rows(measurement))
    page = unescape(report.page(measurement, run))
    sweep = unescape(sweep_report.page(collect(planted_sweep(tmp_path / "sweep"))))
    for one in shown("screen"):
        assert screen[one.name[0].lower() + one.name[1:]] == one.text(measurement.numbers)
        assert f'<th scope="row">{one.name}</th>' in page
    for one in shown("sweep"):
        assert (f"<th>{one.name}</th>" in sweep) == one.point
    for one in shown("handoff"):
        assert DEFINITIONS[one.key] == (one.si_unit, one.definition)


def test_a_new_number_needs_its_declaration_alone(standing, tmp_path, monkeypatch):
    run, measurement = standing
    new = Quantity(
        "spacing.free_gap_m", "m", "Free gap", "between the skins of two chains.",
        screen=8, spacing_table=21,
    )  # fmt: skip
    monkeypatch.setitem(quantities._BY_PATH, new.path, new)
    monkeypatch.setattr(report, "MEASURED", (*MEASURED, new))
    monkeypatch.setattr(report, "_figures", lambda *_: ("", ""))
    entry = {"value": 61.2e-9, "error": 0.8e-9, "samples": 5}
    numbers = measurement.numbers | {"spacing": measurement.numbers["spacing"] | {new.key: entry}}
    found = dataclasses.replace(measurement, numbers=numbers)
    assert dict(headline_rows(found))["free gap"] == "61.2 ± 0.8 nm"
    page = report.page(found, run)
    assert ">61.2 ± 0.8 nm</a></td><td>between the skins of two chains.</td>" in page
    assert 'title="spacing.free_gap_m: between the skins of two chains; 5 samples"' in page
    write_tables(found, tmp_path)
    with (tmp_path / "spacing.csv").open(newline="") as file:
        last = list(csv.reader(file))[-1]
    assert last == ["free_gap_m", "6.12e-08", "m", "8e-10", "5"]


def test_the_limits_of_a_kind_follow_from_its_unit():
    assert quantity("chains.ring_share").ends == (0.0, 1.0)
    assert quantity("spacing.width_m").ends == (0.0, math.inf)
    assert quantity("alignment.tilt_deg").ends == (-math.inf, math.inf)
    assert quantity("magnetisation.relative").ends == (-1.0, 1.0)
    with pytest.raises(KeyError):
        quantity("chains.no_such_number")
