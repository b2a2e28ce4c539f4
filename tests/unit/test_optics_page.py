"""The page of optics of a run: its answer, its numbers and where they come from."""

import csv
import dataclasses
import json

import pytest

from analysis import measure, open_run
from analysis.common import file_names
from analysis.optics.curves import add_light
from analysis.optics.handoff import handoff, write_light_files
from analysis.quantities.light import LIGHT, RESPONSE
from analysis.reports import optics as report
from tests.reference.planted import planted_run
from tests.unit.test_report import read


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    folder = tmp_path_factory.mktemp("optics")
    planted_run(folder, frames=12, switch_off_at=1.4e-4)
    run = open_run(folder)
    measurement = add_light(measure(run), run)
    write_light_files(measurement, run, folder)
    path = report.write_optics_report(measurement, run, folder)
    content = json.loads((folder / file_names.HANDOFF).read_text(encoding="utf-8"))
    return folder, run, measurement, content, path.read_text(encoding="utf-8")


def test_the_page_answers_first_and_folds_the_rest(film):
    *_, page = film
    reader = read(page)
    assert [mark for mark in ("http", "url(", "@import", "<script") if mark in page] == []
    places = [page.index(mark) for mark in (
        "<h1>", "At 532 nm the film passes", "Read this first", "Birefringence</th>", "<figure",
        "<details", "<h2>Where the light goes", "<h2>Laws of mixing", "<h2>Index of the cores",
    )]  # fmt: skip
    assert places == sorted(places)
    assert sum(tag == "img" for tag, _ in reader.tags) == 3
    assert "it is no grating at this wavelength" in reader.text
    # One of the published indices was chosen; the page says what the others would absorb.
    assert "by other published indices of its cores" in reader.text
    assert "magnetite-querry (chosen)" in reader.text


def test_the_light_adds_up_on_the_page(film):
    text = read(film[4]).text.replace("\u00a0", " ")
    assert "Sum 100 % 100 %" in text
    assert "What the sum leaves out Reflections" in text


def test_every_number_of_light_can_be_traced(film):
    *_, content, page = film
    reader = read(page)
    links = {a["href"][1:] for tag, a in reader.tags if tag == "a" and a.get("class") == "trace"}
    places = {attrs["id"] for _, attrs in reader.tags if "id" in attrs}
    assert links
    assert links <= places
    for light in content["light"]:
        assert light["birefringence"]["samples"] is not None
    hovers = [attrs.get("title", "") for tag, attrs in reader.tags if tag == "a"]
    assert any(h.startswith("light.direct_share (532 nm): share of the incident") for h in hovers)
    assert any("samples" in hover for hover in hovers)


def test_response_times_or_why_there_are_none(film):
    response, text = film[3]["response"], read(film[4]).text
    assert set(response) == {one.key for one in RESPONSE}
    for one in RESPONSE:
        entry = response[one.key]
        assert (entry["value"] is None) == bool(entry["reason"])
        assert one.name in text
        if entry["reason"]:
            assert entry["reason"] in text


def test_the_table_holds_the_numbers_of_the_hand_off(film):
    folder, _, _, content, _ = film
    with (folder / file_names.OPTICS_TABLE).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["wavelength_m"]) for row in rows] == [532e-9, 633e-9]
    for row, light in zip(rows, content["light"], strict=True):
        for one in LIGHT:
            found = light.get(one.key)
            for name, part in ((one.key, "value"), (f"{one.key}_error", "error")):
                known = found[part] if found else None
                assert row[name] == "" if known is None else float(row[name]) == known


def test_a_film_whose_cores_are_not_known_says_so(film, tmp_path):
    _, run, _, _, _ = film
    measurement = add_light(measure(run), run, {"core_table": "gold"})
    content = handoff(measurement, run)
    page = report.page(json.loads(json.dumps(content)), measurement, run)
    assert "At 532 nm nothing can be told: not known: material" in read(page).text
    assert report.write_optics_report(measurement, run, tmp_path) is None
    assert not (tmp_path / file_names.OPTICS_REPORT).exists()
    # That of an earlier measurement does not stay.
    (tmp_path / file_names.OPTICS_REPORT).write_text("earlier")
    report.write_optics_report(measurement, run, tmp_path)
    assert not (tmp_path / file_names.OPTICS_REPORT).exists()


def test_a_sampled_run_has_no_response_times(film, monkeypatch):
    from analysis.optics.response import NO_TIMES, responses

    _, run, measurement, _, _ = film
    monkeypatch.setattr(type(run), "is_sampled", property(lambda _: True))
    found = responses(measurement, run)
    assert {entry["reason"] for entry in found.values()} == {NO_TIMES}
    assert {entry["value"] for entry in found.values()} == {None}


def test_birefringence_of_chains_that_grow_on_has_a_lower_bound(film, monkeypatch):
    """Half of the way to rest takes longer than what was seen: no level has been reached."""
    from analysis.optics import response
    from analysis.response.rise import Rise

    _, run, measurement, _, _ = film
    monkeypatch.setattr(response, "rise", lambda *_: Rise(2.6e-6, (2e-6, 3e-6), frames=12))
    for half, value in ((1e-7, 2.6e-6), (1.0, None)):
        way = {"way_to_rest": {"switch_on_half_time_s": {"value": half}}}
        grown = dataclasses.replace(measurement, numbers=measurement.numbers | way)
        found = response.responses(grown, run)
        assert found["on_birefringence_s"]["value"] == value
        assert found["on_magnetisation_s"]["value"] == 2.6e-6
    assert found["on_birefringence_s"]["longer_than_s"] == 2.6e-6
    assert "half of their way to rest" in found["on_birefringence_s"]["reason"]


def test_bent_chains_are_told_by_their_dipoles(tmp_path):
    """Planted rows are straight: no warning; one that tells another tale joins the warnings."""
    from analysis.optics.comparison import laws_of

    planted_run(tmp_path, frames=3)
    run = open_run(tmp_path)
    measurement = add_light(measure(run), run)
    straight = laws_of(measurement, run)[0][-1]
    assert not [w for w in measurement.numbers["warnings"] if "coupled dipoles" in w]
    # As if the law believed in another order than the frames have.
    measurement.numbers["alignment"]["order"]["value"] = 0.3
    laws_of(measurement, run)
    (said,) = [w for w in measurement.numbers["warnings"] if "coupled dipoles" in w]
    assert f"{(straight.along - straight.across).real:.2g}" in said


def test_dipoles_that_are_too_many_are_left_out_and_told(tmp_path, monkeypatch):
    from analysis.optics import comparison

    planted_run(tmp_path, frames=3)
    run = open_run(tmp_path)
    measurement = add_light(measure(run), run)
    monkeypatch.setattr(comparison, "MOST_COUPLED", run.count - 1)
    names = [law.name for law in comparison.laws_of(measurement, run)[0]]
    assert comparison.COUPLED not in names
    (said,) = [w for w in measurement.numbers["warnings"] if "leave out how far" in w]
    assert said.startswith("light: the dipoles of the frames are too many")
