"""Trend figures and the page of a sweep: what they show is where it should be, and they say so."""

from __future__ import annotations

import base64
import dataclasses
import io
import json
import re
from functools import cache
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from analysis.measures.measure import measure
from analysis.pictures import all as plots
from analysis.pictures import hysteresis, style
from analysis.reports import page as blocks
from analysis.reports import run as report
from analysis.sweeps import report as sweep_report
from analysis.sweeps.axes import family, trend_axis
from analysis.sweeps.gather import collect
from analysis.sweeps.trends import draw_trends, trend, trend_figures
from analysis.trajectory.run import open_run
from tests.reference.drawn_film import drawn, hand_made, hand_made_run, texts
from tests.reference.few_figures import draw_only
from tests.reference.planted import planted_run
from tests.reference.planted_sweep import FIELDS, KEYS, planted_sweep, usual

THREE_KEYS = (*KEYS, {"path": "particles.moment", "column": "particles.moment", "unit": ""})


def half(columns, replica):
    """The strong fields are not done, one run failed."""
    if columns["field.strength_T"] > 0.015:
        return None
    failed = columns["field.strength_T"] < 0.007 and replica == 2
    extra = {"outcome": ("failed", "thrown <too> far")} if failed else {}
    return usual(columns, replica) | extra


def words_swept(folder):
    points = [{"particles.moment": m} for m in ("blocked", "superparamagnetic")]
    return planted_sweep(folder, keys=THREE_KEYS[2:], points=points)


def three_keys(folder):
    points = [
        {"field.strength_T": b, "film.thickness_m": h, "particles.moment": m}
        for b in (0.01, 0.04)
        for h in (1.5e-7, 3e-7)
        for m in ("blocked", "superparamagnetic")
    ]
    return planted_sweep(folder, keys=THREE_KEYS, points=points)


def single_point(folder):
    return planted_sweep(folder, keys=KEYS[:1], points=[{"field.strength_T": 0.02}], replicas=1)


SWEEPS = {
    "whole": planted_sweep,
    "half": lambda folder: planted_sweep(folder, measures=half),
    "nothing done": lambda folder: planted_sweep(folder, measures=lambda *_: None),
    "no light": lambda folder: planted_sweep(
        folder, measures=lambda c, r: usual(c, r) | {"light": None, "mean_length": 1.5}
    ),
    "words": words_swept,
    "three keys": three_keys,
    "single point": single_point,
    "zero field": lambda folder: planted_sweep(
        folder, keys=KEYS[:1], points=[{"field.strength_T": b} for b in (0.0, 0.02, 0.04)]
    ),
}


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    return {
        name: collect(make(tmp_path_factory.mktemp("s") / "s")) for name, make in SWEEPS.items()
    }


@pytest.mark.parametrize("name", SWEEPS)
def test_every_figure_is_drawn_inside_its_borders(tables, name):
    import matplotlib.text

    for title, draw in trend_figures(tables[name]).items():
        figure = draw()
        renderer = drawn(figure).get_renderer()
        inside = figure.bbox.padded(1.0)
        for text in figure.findobj(matplotlib.text.Text):
            box = text.get_window_extent(renderer)
            if text.get_visible() and text.get_text().strip() and box.width > 0:
                assert inside.x0 <= box.x0 < box.x1 <= inside.x1, (title, text.get_text())


def test_points_stand_at_their_values_with_their_errors(tables):
    table = tables["whole"]
    (axes,) = trend(table, "chains_mean_length").axes
    bars = [c for c in axes.containers if c.has_yerr]
    assert len(bars) == len(table.summary) == 8
    for bar, thickness, index in (
        (bars[0], 1.5e-7, 0),
        (bars[7], 3e-7, 3),
    ):
        (x,), (y,) = bar[0].get_data()
        row = next(
            r
            for r in table.summary
            if r["field.strength_T"] == FIELDS[index] and r["film.thickness_m"] == thickness
        )
        assert x == pytest.approx(1e3 * FIELDS[index], rel=0.12)  # a little beside, to be seen
        assert y == pytest.approx(row["chains_mean_length"])
        ((low, high),) = (segment[:, 1] for segment in bar[2][0].get_segments())
        assert (high - low) / 2 == pytest.approx(row["chains_mean_length_error"])


def test_points_not_at_rest_are_open_and_the_legend_says_so(tables):
    (axes,) = trend(tables["whole"], "alignment_order").axes
    faces = [c[0].get_markerfacecolor() for c in axes.containers]
    assert faces[:4] == [style.FIRST] * 4
    assert faces[4:] == ["white"] * 4
    said = axes.get_legend_handles_labels()[1]
    assert "open: not yet at rest" in said
    assert "filled: came to rest" in said
    assert "thickness 150 nm" in said


def test_lines_do_not_run_across_failed_points(tmp_path):
    def failed(columns, replica):
        gone = columns["field.strength_T"] == FIELDS[2]
        return usual(columns, replica) | ({"outcome": ("failed", "thrown")} if gone else {})

    figure = trend(collect(planted_sweep(tmp_path, measures=failed)), "chains_mean_length")
    lines = [line for line in figure.axes[0].lines if len(line.get_xdata()) == len(FIELDS)]
    curves = [np.asarray(line.get_ydata(), float) for line in lines]
    broken = [y for y in curves if np.isnan(y[2])]
    assert len(broken) == 2  # a curve for each thickness
    assert all(np.isfinite(y[[0, 1, 3]]).all() for y in broken)


def test_spacings_keep_their_numbers_beside_an_empty_panel(tmp_path):
    def no_light(columns, replica):
        return usual(columns, replica) | {"nearest": None}

    table = collect(planted_sweep(tmp_path, measures=no_light))
    figure = trend_figures(table)["trend_spacing"]()
    figure.canvas.draw()
    numbers = [[t.get_text() for t in a.get_yticklabels() if t.get_visible()] for a in figure.axes]
    filled = [a for a in figure.axes if a.lines]
    assert 0 < len(filled) < 3
    assert any("0" in one for panel in numbers for one in panel)
    assert "Distance between chains" in filled[0].get_ylabel()


def test_axes_have_units_and_theory(tables):
    table = tables["whole"]
    assert "Applied field (mT)" in texts(trend(table, "chains_mean_length"))
    assert "predicted at rest" in texts(trend(table, "chains_mean_length"))
    assert "Langevin law" in texts(trend(table, "magnetisation_relative"))
    spacing = texts(trend_figures(table)["trend_spacing"]())
    for word in ("nearest chain", "Repeat distance", "between axes", "line density", "(nm)"):
        assert word in spacing
    assert "Time to a mean length of 2 (µs)" in texts(trend(table, "growth_time_s"))


def test_langevin_curve_is_the_law_of_the_sizes(tmp_path):
    """All planted moments are equal: the curve must be coth x - 1/x of that moment."""
    from tests.reference.planted import BOLTZMANN, MOMENT, TEMPERATURE

    folder = planted_sweep(
        tmp_path / "s", keys=KEYS[:1], points=[{"field.strength_T": b} for b in FIELDS]
    )
    planted_run(folder / "runs" / "point_1_replica_1", frames=2)
    (axes,) = trend(collect(folder), "magnetisation_relative").axes
    line = next(line for line in axes.lines if line.get_label() == "Langevin law")
    x = MOMENT * line.get_xdata() * 1e-3 / (BOLTZMANN * TEMPERATURE)
    assert len(x) > 20
    # in the unit of the axis, which measured values share
    assert "(%)" in axes.get_ylabel()
    np.testing.assert_allclose(line.get_ydata(), 100 * (1 / np.tanh(x) - 1 / x), rtol=1e-6)


def test_a_half_finished_sweep_is_labelled_in_every_figure(tables):
    for draw in trend_figures(tables["half"]).values():
        said = texts(draw())
        assert "unfinished: 6 of 16 runs are done" in said
        assert "2 of 16 runs failed" in said


def test_maps_print_value_and_error_of_every_cell(tables):
    said = texts(trend_figures(tables["whole"])["map_mean_length"]())
    for field in FIELDS:
        assert f"{1 + 100 * field:.2f}\n± 0.04" in said
    assert "± 0.04 *" in said
    assert "* not yet at rest" in said
    assert "not done" in texts(trend_figures(tables["half"])["map_mean_length"]())


@pytest.mark.parametrize("name", ["words", "three keys", "single point", "zero field"])
def test_maps_are_drawn_for_two_keys_only(tables, name):
    assert not [title for title in trend_figures(tables[name]) if title.startswith("map")]


def test_any_keys_make_axis_and_curves(tables):
    table = tables["three keys"]
    axis = trend_axis(table)
    assert axis.key.key == "field.strength"
    curves = family(table, axis)
    assert [curve.label for curve in curves][:2] == [
        "thickness 150 nm, moment blocked",
        "thickness 150 nm, moment superparamagnetic",
    ]
    assert all(len(curve.rows) == 2 for curve in curves)
    assert trend_axis(tables["words"]).tick_words() == ["blocked", "superparamagnetic"]


def test_pictures_are_written_alike_in_each_format(tables, tmp_path):
    for kind in style.FORMATS:
        paths = draw_trends(tables["single point"], tmp_path / "a", format=kind)
        assert [p.suffix for p in paths] == [f".{kind}"] * 5
    again = draw_trends(tables["single point"], tmp_path / "b", format="png")
    for path in again:
        assert path.read_bytes() == (tmp_path / "a" / path.name).read_bytes()
    with pytest.raises(ValueError, match="format must be one of"):
        draw_trends(tables["whole"], tmp_path / "c", format="bmp")
    assert not (tmp_path / "c").exists()


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.links, self.images, self.words, self.open = [], [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag == "a":
            self.links.append(given["href"])
        if tag == "img":
            self.images.append(given["src"])
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def pages(tables):
    """Return a function that gives the page of a sweep, made when first asked for."""
    return cache(lambda name: sweep_report.page(tables[name]))


@pytest.fixture
def words_only(monkeypatch):
    """Let pages come without their figures, for tests of what they say."""
    monkeypatch.setattr(sweep_report, "trend_figures", lambda *_: {})


@pytest.mark.parametrize("name", ["whole", "half", "nothing done", "words"])
def test_the_page_is_whole_and_needs_no_network(tables, pages, name):
    text = pages(name)
    page = Page(text)
    assert len(page.images) == len(trend_figures(tables[name]))
    assert all(source.startswith("data:image/png;base64,") for source in page.images)
    assert not re.findall(r"https?://|<script|<link|@import", text)


def test_the_page_takes_pictures_that_are_drawn(tables, tmp_path, monkeypatch):
    table = tables["single point"]
    drawn = draw_trends(table, tmp_path)
    monkeypatch.setattr(blocks, "figure_bytes", lambda *_: pytest.fail("drawn again"))
    sources = Page(sweep_report.page(table, drawn)).images
    assert len(sources) == len(drawn) == 5
    widths = []
    for source, path in zip(sources, drawn, strict=True):
        content = base64.b64decode(source.partition("base64,")[2])
        with Image.open(io.BytesIO(content)) as small, Image.open(path) as large:
            widths.append((small.width, large.width))
    # 200 dots an inch on the page, 300 in print
    assert all(small == round(large * 2 / 3) for small, large in widths), widths


def test_the_page_says_what_is_missing(pages):
    said = Page(pages("half")).text
    assert "unfinished: 6 of 16 runs are done" in said
    assert "thrown <too> far" in said
    assert "2 of 4 points have not come to rest" in said
    assert "not started" in said
    assert "thrown <too>" not in pages("half")


@pytest.mark.usefixtures("words_only")
def test_the_page_links_to_each_report_that_is_there(tmp_path):
    table = collect(planted_sweep(tmp_path / "s"))
    for row in table.rows[:3]:
        (tmp_path / "s" / row["folder"] / "report.html").write_text("x")
    path = sweep_report.write_sweep_report(table, tmp_path / "s")
    assert path.name == "sweep_report.html"
    page = Page(path.read_text(encoding="utf-8"))
    links = [link for link in page.links if not link.startswith("#")]  # those of numbers stay here
    assert len(links) == 3
    assert all((path.parent / link).is_file() for link in links)


@pytest.mark.usefixtures("words_only")
def test_the_page_names_points_of_small_patches(tmp_path):
    folder = planted_sweep(tmp_path / "sweep")
    path = folder / "runs" / "point_1_replica_1" / "measures.json"
    numbers = json.loads(path.read_text())
    numbers["warnings"] = ["spacing: the patch holds 4 line-density spacings across the chains"]
    path.write_text(json.dumps(numbers))
    table = collect(folder)
    assert table.small_patches == {"narrow": (1,), "short": ()}
    page = sweep_report.page(table)
    assert "At 1 of 8 points" in page
    assert "too narrow for a sharp spacing" in page


@pytest.mark.usefixtures("words_only")
def test_the_page_of_a_faultless_sweep_has_no_warnings(tmp_path):
    table = collect(
        planted_sweep(tmp_path / "s", measures=lambda c, r: usual(c, r) | {"at_rest": True})
    )
    said = Page(sweep_report.page(table)).text
    assert "not come to rest when" not in said
    assert "2.00 ± 0.04" in said


# ---------------------------------------------------------------- ramps


def ramped():
    """A hand-made run whose field rises to the middle and falls again, with a planted gap."""
    measurement = hand_made()
    series = measurement.curves["time_series"]
    half_way = np.linspace(0.0, 1.0, 41)
    field = 0.03 * np.concatenate([half_way, half_way[-2::-1]])
    length = 1.0 + 100 * field + np.where(np.arange(81) > 40, 0.5, 0.0)
    measurement.curves[series.NAME] = dataclasses.replace(series, field_t=field, mean_length=length)
    return measurement


def test_both_ways_of_a_ramp_are_told_apart():
    (axes, below) = hysteresis.hysteresis(ramped(), hand_made_run()).axes
    up, down = axes.lines
    assert up.get_label() == "field rises"
    rising = np.isfinite(up.get_ydata())
    falling = np.isfinite(down.get_ydata())
    assert rising.sum() == falling.sum() == 41
    assert rising[40]
    assert falling[40]
    np.testing.assert_allclose(up.get_ydata()[:41], 1 + 0.1 * up.get_xdata()[:41])
    np.testing.assert_allclose(down.get_ydata()[41:], 1.5 + 0.1 * down.get_xdata()[41:])
    assert below.get_xlabel() == "Applied field (mT)"


@pytest.mark.parametrize("switch_off", [False, True])
def test_steady_and_switched_fields_get_no_such_figure(switch_off, tmp_path):
    measurement = hand_made(switch_off=switch_off)
    assert not hysteresis.has_both_ways(measurement)
    assert "hysteresis" not in plots.figures_of(measurement)
    assert "does not both rise" in texts(hysteresis.hysteresis(measurement, hand_made_run()))


def test_a_ramp_is_drawn_and_reported(monkeypatch):
    draw_only(monkeypatch, "film_top", "hysteresis")
    assert "hysteresis" in plots.figures_of(ramped())
    text = report.page(ramped(), hand_made_run())
    assert hysteresis.hysteresis.title in text
    assert hysteresis.hysteresis.title not in report.page(hand_made(), hand_made_run())


def test_a_real_run_file_is_drawn(tmp_path):
    run = open_run(planted_run(tmp_path / "run", frames=4))
    assert "hysteresis" not in plots.figures_of(measure(run))
