"""Figures: what they show is where it should be, legible, repeatable, and never an exception."""

from __future__ import annotations

import itertools
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from analysis.pictures import all as plots
from analysis.pictures import style
from analysis.pictures.curves import pooled_lengths
from analysis.uncertainty.number_text import scale_for
from tests.reference.drawn_film import SIDES, THICKNESS, drawn, hand_made, hand_made_run, texts


def reshaped(measurement, sides, thickness):
    """The planted film squeezed into another patch."""
    frame = measurement.last_frame
    scale = np.array([*sides, thickness]) / np.array([*SIDES, THICKNESS])
    frame["positions"] = frame["positions"] * scale
    frame["sides"], frame["thickness"] = np.array(sides), thickness
    return measurement


SCENES = {
    "in the plane": lambda: (hand_made(), hand_made_run()),
    "across, switched off": lambda: (
        hand_made(direction=(0, 0, 1), switch_off=True),
        hand_made_run(field_direction=[0.0, 0.0, 1.0], dipole_sum="exact"),
    ),
    "narrow and tall": lambda: (
        reshaped(hand_made(), (0.25e-6, 0.25e-6), 0.9e-6),
        hand_made_run(field_direction=[0.0, 0.0, 1.0]),
    ),
    "wide and flat": lambda: (
        reshaped(hand_made(), (8e-6, 1e-6), 0.1e-6),
        hand_made_run(field_direction=[0.6, 0.0, 0.8]),
    ),
}


@pytest.mark.parametrize(
    ("name", "scene"),
    [
        (name, scene)
        for name in plots.FIGURES
        for scene in SCENES
        # The shape of the patch is seen in pictures of the film only.
        if name.startswith("film") or scene in ("in the plane", "across, switched off")
    ],
)
def test_no_words_overlap_or_leave_the_figure(name, scene):
    import matplotlib.text

    figure = plots.FIGURES[name](*SCENES[scene]())
    canvas = drawn(figure)
    words = [
        text
        for text in figure.findobj(matplotlib.text.Text)
        if text.get_visible() and text.get_text().strip() and text.get_window_extent().width > 0
    ]
    boxes = [(text.get_text(), text.get_window_extent(canvas.get_renderer())) for text in words]
    # Numbers of ticks beyond the limits are made but never painted.
    inside = figure.bbox.padded(1.0)
    painted = [(word, box) for word, box in boxes if _is_painted(figure, word, box)]
    assert len(painted) >= 3
    for word, box in painted:
        assert inside.x0 <= box.x0 < box.x1 <= inside.x1, f"{word!r} leaves the figure"
        assert inside.y0 <= box.y0 < box.y1 <= inside.y1, f"{word!r} leaves the figure"
    for (word, box), (other, second) in itertools.combinations(painted, 2):
        clear = box.padded(-0.8)
        overlap = min(clear.x1, second.x1) > max(clear.x0, second.x0) and min(
            clear.y1, second.y1
        ) > max(clear.y0, second.y0)
        assert not overlap, f"{word!r} lies over {other!r}"


def _is_painted(figure, word, box):
    """False for the label of a tick outside its axes."""
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            for minor in (False, True):
                ticks = axis.get_minor_ticks() if minor else axis.get_major_ticks()
                low, high = sorted(axis.get_view_interval())
                slack = 1e-9 * (high - low)
                for tick in ticks:
                    mine = any(
                        label.get_text() == word
                        and np.allclose(label.get_window_extent().extents, box.extents)
                        for label in (tick.label1, tick.label2)
                    )
                    if mine and not low - slack <= tick.get_loc() <= high + slack:
                        return False
    return True


@pytest.mark.parametrize("format", style.FORMATS)
def test_equal_data_give_equal_bytes(format):
    first, second = (
        [
            style.figure_bytes(plots.FIGURES[name](hand_made(), hand_made_run()), format, 100)
            for name in ("film_views", "growth", "structure_factor_map")
        ]
        for _ in range(2)
    )
    assert first == second
    head = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[format]
    assert all(content.startswith(head) for content in first)


def test_draw_all_writes_every_figure_and_nothing_else(tmp_path):
    files = plots.draw_all(hand_made(), hand_made_run(), tmp_path / "figures", format="svg")
    assert {path.stem for path in files} == set(plots.FIGURES)
    assert sorted(path.name for path in (tmp_path / "figures").iterdir()) == sorted(
        f"{name}.svg" for name in plots.FIGURES
    )


def test_unknown_format_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(ValueError, match="one of png, svg, pdf; received 'bmp'"):
        plots.draw_all(hand_made(), hand_made_run(), tmp_path / "figures", format="bmp")
    assert not (tmp_path / "figures").exists()


def test_settings_of_the_caller_survive_and_do_not_matter():
    import matplotlib

    plain = style.figure_bytes(plots.growth(hand_made(), hand_made_run()), dots_per_inch=80)
    with matplotlib.rc_context({"font.size": 30.0, "axes.facecolor": "red"}):
        before = dict(matplotlib.rcParams)
        other = style.figure_bytes(plots.growth(hand_made(), hand_made_run()), dots_per_inch=80)
        assert dict(matplotlib.rcParams) == before
    assert other == plain


def test_neither_import_nor_drawing_starts_pyplot():
    code = (
        "import sys, analysis.pictures.all, analysis.reports.run\n"
        "assert 'matplotlib' not in sys.modules\n"
        "from tests.reference.drawn_film import hand_made, hand_made_run\n"
        "analysis.pictures.all.chain_lengths(hand_made(), hand_made_run())\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


EMPTY = {
    "nothing at all": {},
    "empty arrays": {name: type(curve).empty() for name, curve in hand_made().curves.items()},
    "not a number": {
        name: type(curve)(*(np.full(np.shape(curve[key]), np.nan) for key in curve))
        for name, curve in hand_made().curves.items()
    },
}


@pytest.mark.parametrize("kind", EMPTY)
@pytest.mark.parametrize("name", [n for n in plots.FIGURES if not n.startswith("film")])
def test_missing_data_are_said_in_words(name, kind):
    measurement = hand_made()
    measurement.curves, measurement.numbers = EMPTY[kind], {}
    figure = plots.FIGURES[name](measurement, hand_made_run())
    drawn(figure)
    assert "No " in texts(figure).replace("\n", " ")


@pytest.mark.parametrize("name", plots.FIGURES)
def test_cut_off_runs_are_marked_and_others_are_not(name):
    marked = texts(plots.FIGURES[name](hand_made(), hand_made_run()))
    assert "provisional: dipoles cut off at 144 nm" in marked
    exact = texts(plots.FIGURES[name](hand_made(), hand_made_run(dipole_sum="exact")))
    assert "provisional" not in exact


@pytest.mark.parametrize(
    ("largest", "unit", "factor", "shown"),
    [
        (2e-6, "m", 1e6, "µm"),
        (1e-6, "m", 1e6, "µm"),
        (999e-9, "m", 1e9, "nm"),
        (2e-4, "s", 1e6, "µs"),
        (0.03, "T", 1e3, "mT"),
        (6e7, "1/m", 1e-6, "µm⁻¹"),
        (3e9, "1/m", 1e-9, "nm⁻¹"),
        (0.0, "s", 1.0, "s"),
        (float("nan"), "m", 1.0, "m"),
    ],
)
def test_prefix_of_an_axis(largest, unit, factor, shown):
    scale = scale_for(largest, unit)
    assert scale.factor == pytest.approx(factor)
    assert scale.unit == shown


def test_marks_stand_at_their_values():
    figure = plots.nearest_neighbour(hand_made(), hand_made_run())
    verticals = [
        line.get_xdata()[0] for line in figure.axes[0].lines if len(set(line.get_xdata())) == 1
    ]
    assert {84.6, 99.0} <= {round(x, 6) for x in verticals}  # nm: measured, from line density
    figure = plots.structure_factor_radial(hand_made(), hand_made_run())
    (peak,) = [
        line.get_xdata()[0] for line in figure.axes[0].lines if len(set(line.get_xdata())) == 1
    ]
    assert peak == pytest.approx(2 * np.pi / 99.7e-9 * 1e-6)


def test_histogram_keeps_its_area():
    figure = plots.nearest_neighbour(hand_made(), hand_made_run())
    (stairs,) = figure.axes[0].patches[:1]
    data = stairs.get_data()
    area = np.sum(data.values * np.diff(data.edges))
    assert area == pytest.approx(100.0, rel=1e-3)  # per cent of the chains


def test_length_errors_larger_than_the_share_stay_on_the_logarithmic_axis():
    measurement = hand_made()
    curve = measurement.curves["chain_lengths"]
    measurement.curves["chain_lengths"] = replace(curve, error=10 * curve.fraction_of_chains)
    figure = plots.chain_lengths(measurement, hand_made_run())
    ends = [
        segment[:, 1].min()
        for bars in figure.axes[0].collections
        for segment in bars.get_segments()
    ]
    assert len(ends) >= 2
    assert min(ends) > 0


def test_rare_lengths_are_pooled_and_none_is_lost():
    length = np.array([1.0, 2.0, 3.0, 5.0, 8.0, 9.0])
    share = np.array([0.6, 0.3, 0.04, 0.03, 0.02, 0.01])
    error = np.array([0.02, 0.02, 0.03, 0.015, 0.008, 0.02])
    first, last, mean, spread = pooled_lengths(length, share, error)
    # 3 alone is 1.3 errors strong; 3 to 5 is 0.07 over 0.0335; 8 stands alone; 9 is what is left.
    np.testing.assert_array_equal(first, [1, 2, 3, 6, 9])
    np.testing.assert_array_equal(last, [1, 2, 5, 8, 9])
    assert np.sum(mean * (last - first + 1)) == pytest.approx(share.sum())
    assert spread[2] == pytest.approx(np.hypot(0.03, 0.015) / 3)


def test_field_strip_appears_only_where_the_field_changes():
    assert len(plots.growth(hand_made(), hand_made_run()).axes) == 1
    figure = plots.growth(hand_made(switch_off=True), hand_made_run())
    assert len(figure.axes) == 2
    strip = figure.axes[1].lines[0]
    assert strip.get_ydata().max() == pytest.approx(30.0)  # mT
    assert strip.get_ydata()[-1] == 0.0
    assert figure.axes[1].get_xlim() == figure.axes[0].get_xlim()


def test_magnetisation_after_switch_off_is_given_in_words():
    measurement = hand_made()
    measurement.curves["magnetisation_law"] = replace(
        measurement.curves["magnetisation_law"],
        measured_langevin_parameter=0.0,
        measured=0.12,
        measured_error=0.03,
    )
    seen = texts(plots.magnetisation_law(measurement, hand_made_run()))
    assert "simulated, field off: 0.120 ± 0.030" in seen


def test_line_density_beyond_the_histogram_is_still_seen():
    figure = plots.nearest_neighbour(hand_made(), hand_made_run(line_density_spacing_m=300e-9))
    assert figure.axes[0].get_xlim()[1] > 300.0


def test_growth_has_both_axes_logarithmic_and_both_means():
    figure = plots.growth(hand_made(), hand_made_run())
    axes = figure.axes[0]
    assert (axes.get_xscale(), axes.get_yscale()) == ("log", "log")
    assert "no growth exponent quoted" in texts(figure)
    measurement = hand_made()
    measurement.numbers["relaxation"]["growth_exponent"] = {"value": 0.512, "error": 0.021}
    assert "growth exponent 0.512 ± 0.021" in texts(plots.growth(measurement, hand_made_run()))
