"""The report: complete, self-contained, escaped, honest, and made whatever is missing."""

from __future__ import annotations

import base64
import io
import re
from html.parser import HTMLParser

import pytest
from PIL import Image

from analysis.measures.measure import measure
from analysis.pictures import all as plots
from analysis.reports import page as blocks
from analysis.reports import run as report
from analysis.trajectory.run import open_run
from analysis.uncertainty import number_text
from tests.reference.drawn_film import hand_made, hand_made_run
from tests.reference.planted import planted_run

VOID = {"meta", "img", "br", "hr"}


class Reader(HTMLParser):
    """Collects tags, attributes and words, and checks that every tag is closed in order."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.words = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))


def read(page):
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def whole_page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run") / "made by the report"
    path = report.write_report(hand_made(), hand_made_run(), folder)
    assert [p.name for p in folder.iterdir()] == ["report.html"]
    return path.read_text(encoding="utf-8")


@pytest.fixture
def page_of(monkeypatch):
    """Pages without pictures, for tests of words."""
    monkeypatch.setattr(report, "_figures", lambda *_: ("", ""))
    return lambda measurement, run: report.page(measurement, run)


def test_page_needs_nothing_from_elsewhere(whole_page):
    reader = read(whole_page)
    assert [mark for mark in ("http", "url(", "@import") if mark in whole_page] == []
    assert {tag for tag, _ in reader.tags}.isdisjoint({"script", "link", "iframe", "object"})
    sources = [attrs["src"] for tag, attrs in reader.tags if tag == "img"]
    assert all(source.startswith("data:image/png;base64,") for source in sources)


def test_every_figure_of_the_report_is_a_picture_with_words(whole_page):
    reader = read(whole_page)
    images = [attrs for tag, attrs in reader.tags if tag == "img"]
    told = {name for name, figure in plots.FIGURES.items() if figure.caption}
    assert set(plots.FIGURES) - told == {"film_top", "film_side"}
    assert len(images) == len(told)
    contents = [base64.b64decode(attrs["src"].split(",")[1]) for attrs in images]
    assert all(content.startswith(b"\x89PNG") and len(content) > 5000 for content in contents)
    assert len(set(contents)) == len(contents)
    assert all(len(attrs["alt"]) > 40 for attrs in images)


def test_numbers_stand_with_unit_and_error(whole_page):
    text = read(whole_page).text.replace("\u00a0", " ")
    for number in (
        "8.13 ± 0.21",
        "12.3 ± 0.4 %",
        "84.6 ± 1.3 nm",
        "0.9130 ± 0.0020",
        "92.4 ± 2.1 nm",
    ):
        assert number in text
    assert "not measured" in text  # the growth exponent
    assert "21 (9 to 52)" in text  # mean length to expect, with its band


def test_order_of_the_page(whole_page):
    places = [
        whole_page.index(mark)
        for mark in (
            "<h1>",
            "A chain holds",
            "Read this first",
            'class="numbers"',
            "<figure",
            "<details",
            "What was measured",
            "Parameter file",
        )
    ]
    assert places == sorted(places)


def test_parameter_file_seed_versions_and_cautions_are_there(whole_page):
    text = read(whole_page).text
    for words in (
        'core_diameter = "20 nm"',
        "chainfilm 0.1.0",
        "numba 0.68.0, numpy 2.4.0",
        "Seed 7",
        "pacemakers",
        "licensed professional",
        "Local codes",
        "Solvents",
        "Lasers",
    ):
        assert words in text, words


def test_text_of_files_is_escaped(page_of):
    run = hand_made_run()
    evil = "</pre><script>alert('&')</script>"
    run.parameters_text = f'title = "a < b & {evil}"\n'
    run.processor, run.end_reason, run.version = evil, evil, evil
    run.notices = (evil,)
    measurement = hand_made()
    measurement.numbers["warnings"] = [evil]
    measurement.numbers["chains"]["<i>odd"] = {"value": 1.0, "error": 0.1}
    page = page_of(measurement, run)
    reader = read(page)
    assert "script" not in {tag for tag, _ in reader.tags}
    assert "i" not in {tag for tag, _ in reader.tags}
    assert page.count("&lt;/pre&gt;&lt;script&gt;") >= 5


def test_dollar_signs_of_a_file_do_not_matter(page_of):
    run = hand_made_run()
    run.parameters_text = 'title = "$summary costs $5"'
    assert "$summary costs $5" in read(page_of(hand_made(), run)).text


def test_warnings_that_the_page_adds_itself(page_of):
    run = hand_made_run()
    run.finished, run.end_reason = False, "stopped by the user"
    text = read(page_of(hand_made(), run)).text
    assert "did not reach its planned end (stopped by the user)" in text
    assert "cut off at 144 nm" in text
    assert "had not come to rest. Lengths are those after 200 µs" in text
    assert "Growth exponent is null" not in text
    assert "Growth exponent: the growth does not span a decade" in text


def test_a_note_on_several_numbers_names_each(page_of):
    measurement = hand_made()
    measurement.numbers["warnings"] = [
        "relaxation.length_autocorrelation_time_s, relaxation.alignment_autocorrelation_time_s: few"
    ]
    page = page_of(measurement, hand_made_run())
    (note,) = [one for one in re.findall(r"<li>(.*?)</li>", page) if one.endswith(": few")]
    assert re.fullmatch(r"Memory of the [a-z ]*length, memory of the [a-z ]+: few", note)


def test_what_the_measurement_says_is_not_said_twice_and_comes_in_order(page_of):
    run = hand_made_run()
    run.finished, run.end_reason, run.notices = False, "interrupted", ("no unit: SI assumed",)
    measurement = hand_made()
    measurement.numbers["warnings"] = [
        "file: no unit: SI assumed",
        "run: it ended early (interrupted)",
        "spacing.width_m: too few chains",
        "relaxation.alignment_decay_time_s: it had not come to rest",
        "spacing: provisional, because the dipole forces were cut off and ends do not repel",
        "equilibration: not reached (still drifting)",
    ]
    page = page_of(measurement, run)
    notes = re.findall(r"<li>(.*?)</li>", page)
    assert [note.partition(":")[0] for note in notes] == [
        "Provisional",
        "File",
        "Run",
        "Equilibration",
        "Chain width",
        "Decay time of the alignment",
    ]


def test_a_name_with_its_key_behind_it_is_told_once(page_of):
    note = "chains.branched_share: the mean length of linear chains (chains.linear_mean_length)"
    measurement = hand_made()
    measurement.numbers["warnings"] = [f"{note} leaves them out"]
    page = page_of(measurement, hand_made_run())
    assert "the mean length of linear chains leaves them out" in page


def test_numbers_for_comparison_stand_beside(page_of):
    measurement = hand_made()
    measurement.numbers["magnetisation"]["langevin_relative"] = 0.9268
    measurement.numbers["spacing"]["clear_fraction_random"] = 0.59
    text = read(page_of(measurement, hand_made_run())).text
    assert "Without interactions it would be 92.7 %." in text
    assert "Particles strewn at random would leave 59 %." in text


def test_a_measured_run_gives_a_whole_report(tmp_path):
    """The real measurement of a planted run file, through to the page."""
    run = open_run(planted_run(tmp_path, frames=12, switch_off_at=1.4e-4))
    measurement = measure(run)
    text = read(report.write_report(measurement, run, tmp_path).read_text(encoding="utf-8")).text
    length = measurement.numbers["chains"]["mean_length"]
    assert number_text.with_error(length["value"], length["error"]) in text.replace("\u00a0", " ")
    assert "planted film" in text
    assert "Decay time of the magnetisation" in text
    assert "Equilibration: not reached" in text
    assert not re.search(r"\bnan\b|\bNone\b", text)


def test_a_run_without_warnings_says_so(page_of):
    measurement = hand_made()
    measurement.numbers["warnings"] = []
    measurement.numbers["equilibration"]["reached"] = True
    text = read(page_of(measurement, hand_made_run(dipole_sum="exact"))).text
    assert "No warnings" in text
    assert "Read this first" not in text


@pytest.mark.parametrize("numbers", [{}, {"chains": None, "spacing": {}, "warnings": None}])
def test_page_of_a_run_of_which_little_is_known(page_of, numbers):
    run = hand_made_run()
    run.derived, run.bonds, run.versions = {}, {}, {}
    run.parameters_text, run.version, run.processor, run.end_reason, run.seed = "", "", "", "", None
    run.provisional = False
    measurement = hand_made()
    measurement.numbers = numbers
    text = read(page_of(measurement, run)).text
    assert "Chains in a film" in text
    assert "No chain length could be measured" in text
    assert "not recorded" in text
    assert "nan" not in text.lower().replace("nanometre", "")


def test_figures_of_an_empty_measurement_do_not_stop_the_page():
    measurement = hand_made()
    measurement.numbers, measurement.curves, measurement.last_frame = {}, {}, {}
    reader = read(report.page(measurement, hand_made_run()))
    assert sum(tag == "img" for tag, _ in reader.tags) == len(plots.FIGURES) - 2


def test_measured_numbers_without_a_text_of_their_own_are_shown(page_of):
    measurement = hand_made()
    measurement.numbers["spacing"]["free_gap_m"] = {"value": 61.2e-9, "error": 0.8e-9}
    text = read(page_of(measurement, hand_made_run())).text
    assert "Free gap 61.2 ± 0.8 nm measured beside the numbers of this program" in text


@pytest.mark.parametrize(
    ("value", "error", "unit", "expected"),
    [
        (62.34e-9, 1.42e-9, "m", "62.3 ± 1.4 nm"),
        (62.34e-9, 4.2e-9, "m", "62 ± 4 nm"),
        (0.1234, 0.0041, "%", "12.3 ± 0.4 %"),
        (8.0, 0.0, "", "8 ± 0"),
        (0.0, 0.0, "%", "0 %, none seen"),
        (2e-32, 7e-33, "%", "0 %, none seen"),  # rounding of the computer
        (0.0, 0.0, "", "0 ± 0"),
        (24e-9, 1e-24, "m", "24 ± 0 nm"),
        (0.76, 0.14, "°", "0.76 ± 0.14°"),
        (8.13, float("nan"), "", "8.13 (error unknown)"),
        (float("nan"), 0.1, "", "not measured"),
        (1234.0, 56.0, "", "1234 ± 56"),
        (0.0, 2e-9, "m", "0.0 ± 2.0 nm"),
        (-0.02, 0.011, "", "-0.020 ± 0.011"),
        (2e-4, 1e-6, "s", "200.0 ± 1.0 µs"),
    ],
)
def test_rounding_to_the_error(value, error, unit, expected):
    assert number_text.with_error(value, error, unit) == expected


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (24e-9, "m", "24 nm"),
        (3.0, "", "3"),
        (42000.0, "", "42000"),
        (0.031, "%", "3.1 %"),
        (1.868e-18, "", "1.87 × 10⁻¹⁸"),
        (298.15, "K", "298 K"),
        (0.0, "T", "0 T"),
    ],
)
def test_values_without_error(value, unit, expected):
    assert number_text.with_unit(value, unit) == expected


@pytest.mark.parametrize("bad", [None, True, "8", [], float("inf"), float("nan")])
def test_what_is_no_number_becomes_nan(bad):
    assert number_text.as_float(bad) != number_text.as_float(bad)


def test_one_warning_decides_and_the_others_are_folded(page_of):
    run = hand_made_run(dipole_sum="exact")
    measurement = hand_made()
    measurement.numbers["warnings"] = [
        "spacing.structure_factor_m: no peak stands out",
        "chains: the patch is short",
        "equilibration: not reached (still drifting)",
        "uncertainty: too short for chains.mean_length and spacing.odd_m; see spacing.csv",
    ]
    page = page_of(measurement, run)
    box = page.partition('<section class="warnings">')[2].partition("</section>")[0]
    assert "Equilibration: not reached (still drifting)." in box
    assert "3 more below" in box
    assert "the patch is short" not in box
    listed = page.partition("Warnings (4)")[2].partition("</details>")[0]
    assert listed.count("<li>") == 4
    # Keys are no words: they stand with their names, names of files stay.
    assert "mean chain length and odd; see spacing.csv" in listed
    # Without drift the patch decides, then the peak.
    del measurement.numbers["warnings"][2]
    measurement.numbers["equilibration"]["reached"] = True
    assert "Chains: the patch is short." in page_of(measurement, run)
    measurement.numbers["warnings"] = ["spacing.slits: few", "spacing.structure_factor_m: no peak"]
    assert "<p>Repeat distance across the chains: no peak." in page_of(measurement, run)
    measurement.numbers["warnings"] = ["spacing.slits: few"]
    assert "No decisive warning" in page_of(measurement, run)


def test_every_number_leads_to_where_it_comes_from(page_of):
    reader = read(page_of(hand_made(), hand_made_run()))
    links = [attrs for tag, attrs in reader.tags if tag == "a" and attrs.get("class") == "trace"]
    places = {attrs["id"] for _, attrs in reader.tags if "id" in attrs}
    assert len(links) >= 15
    assert {link["href"].removeprefix("#") for link in links} <= places
    length = next(link for link in links if link["href"] == "#from-chains.mean_length")
    assert length["title"].startswith("chains.mean_length: particles in an average chain")
    assert "samples" in length["title"]
    heads = sum(attrs.get("class") == "numbers" for _, attrs in reader.tags)
    assert heads == 1


def test_a_picture_that_was_drawn_is_shown_at_the_size_of_the_page(tmp_path, monkeypatch):
    monkeypatch.setattr(blocks, "figure_bytes", lambda *_: pytest.fail("drawn again"))
    figure = plots.FIGURES["growth"]
    path = tmp_path / f"{figure.name}.png"
    Image.new("RGB", (900, 600), "#a3123a").save(path)
    shown = read(blocks.figure_blocks({figure.name: figure}, None, None, drawn=[path]))
    (image,) = (attrs for tag, attrs in shown.tags if tag == "img")
    picture = Image.open(io.BytesIO(base64.b64decode(image["src"].partition(",")[2])))
    assert (picture.size, picture.getpixel((300, 200))) == ((600, 400), (0xA3, 0x12, 0x3A))
