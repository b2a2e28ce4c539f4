"""Figures: what they show is where it should be, legible, repeatable, and never an exception."""

from __future__ import annotations

import itertools
import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest

from analysis import plots, style
from analysis.chain_colours import chain_colours, colour_table
from tests.reference.drawn_film import SIDES, THICKNESS, hand_made, hand_made_run
from tests.reference.planted import DIAMETER, straight_chains


def texts(figure):
    """All words of a figure."""
    import matplotlib.text

    return " | ".join(t.get_text() for t in figure.findobj(matplotlib.text.Text) if t.get_text())


def drawn(figure):
    """Lay the figure out and draw it, as saving does."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with style.publication():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
    return canvas


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
        "import sys, analysis.plots, analysis.report\n"
        "assert 'matplotlib' not in sys.modules\n"
        "from tests.reference.drawn_film import hand_made, hand_made_run\n"
        "analysis.plots.chain_lengths(hand_made(), hand_made_run())\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


EMPTY = {
    "nothing at all": {},
    "empty arrays": {name: {} for name in hand_made().curves},
    "not a number": {
        name: {key: np.full(np.shape(value), np.nan) for key, value in curve.items()}
        for name, curve in hand_made().curves.items()
    },
    "None": {name: dict.fromkeys(curve) for name, curve in hand_made().curves.items()},
}


@pytest.mark.parametrize("kind", EMPTY)
@pytest.mark.parametrize("name", [n for n in plots.FIGURES if not n.startswith("film")])
def test_missing_data_are_said_in_words(name, kind):
    measurement = hand_made()
    measurement.curves, measurement.numbers = EMPTY[kind], {}
    figure = plots.FIGURES[name](measurement, hand_made_run())
    drawn(figure)
    assert "No " in texts(figure).replace("\n", " ")


@pytest.mark.parametrize("name", ["film_top", "film_side", "film_views"])
def test_film_without_particles_is_said_in_words(name):
    measurement = hand_made()
    frame = measurement.last_frame
    for empty in (
        frame | {"positions": np.empty((0, 3)), "diameters": np.empty(0)},
        frame | {"positions": np.full_like(frame["positions"], np.nan)},
        {},
    ):
        measurement.last_frame = empty
        assert "no particle positions" in texts(
            plots.FIGURES[name](measurement, hand_made_run())
        ).replace("\n", " ")


@pytest.mark.parametrize("name", plots.FIGURES)
def test_cut_off_runs_are_marked_and_others_are_not(name):
    marked = texts(plots.FIGURES[name](hand_made(), hand_made_run()))
    assert "provisional: dipoles cut off at 144 nm" in marked
    exact = texts(plots.FIGURES[name](hand_made(), hand_made_run(dipole_sum="exact")))
    assert "provisional" not in exact


def test_a_particle_is_drawn_to_scale():
    """A dark disc of 200 nm in a patch of 1 um must be a fifth as wide as the patch."""
    measurement = SimpleNamespace(
        curves={},
        numbers={},
        last_frame={
            "positions": np.array([[0.5e-6, 0.3e-6, 0.3e-6]]),
            "diameters": np.array([200e-9]),
            "chain_index": np.array([0]),
            "sides": np.array([1e-6, 0.6e-6]),
            "thickness": 0.4e-6,
        },
    )
    figure = plots.film_top(measurement, hand_made_run(dipole_sum="exact"))
    figure.set_dpi(200)
    canvas = drawn(figure)
    pixels = np.asarray(canvas.buffer_rgba())[:, :, :3].astype(int)
    box = figure.axes[0].get_window_extent()
    rows = slice(pixels.shape[0] - int(box.y1) + 8, pixels.shape[0] - int(box.y0) - 8)
    disc = np.abs(pixels[rows, int(box.x0) + 8 : int(box.x1) - 8] - 255).sum(axis=2) > 120
    across = np.flatnonzero(disc.any(axis=0))
    upright = np.flatnonzero(disc.any(axis=1))
    width = across[-1] - across[0] + 1
    height = upright[-1] - upright[0] + 1
    assert width == pytest.approx(0.2 * box.width, abs=3.5)  # edge line and rounding
    assert height == pytest.approx(width, abs=2.0)


def test_discs_cut_by_a_border_appear_on_the_other_side_and_windows_do_not_repeat():
    from matplotlib.collections import EllipseCollection

    measurement = hand_made()
    measurement.last_frame |= {
        "positions": np.array([[0.0, 0.1e-6, 5e-9], [0.5e-6, 0.599e-6, 0.1e-6]]),
        "diameters": np.full(2, DIAMETER),
        "chain_index": np.array([-1, -1]),
    }
    for draw, expected in ((plots.film_top, 4), (plots.film_side, 3)):
        (discs,) = draw(measurement, hand_made_run()).axes[0].findobj(EllipseCollection)
        assert len(discs.get_offsets()) == expected
    (discs,) = plots.film_top(measurement, hand_made_run()).axes[0].findobj(EllipseCollection)
    places = {tuple(np.round(place, 6)) for place in discs.get_offsets()}
    assert places == {(0.0, 0.1), (1.2, 0.1), (0.5, 0.599), (0.5, -0.001)}


def test_a_view_too_deep_to_see_through_shows_its_nearest_part():
    from matplotlib.collections import EllipseCollection

    rng = np.random.default_rng(2)
    measurement = hand_made()
    count = 3000
    measurement.last_frame |= {
        "positions": rng.random((count, 3)) * np.array([*SIDES, THICKNESS]),
        "diameters": np.full(count, DIAMETER),
        "chain_index": np.full(count, -1),
    }
    figure = plots.film_side(measurement, hand_made_run())
    cover = count * np.pi * DIAMETER**2 / 4 / (SIDES[0] * THICKNESS)
    shown = SIDES[1] * 0.9 / cover
    (discs,) = figure.axes[0].findobj(EllipseCollection)
    sharp = measurement.last_frame["positions"][:, 1] <= shown * 1.05
    assert 0.8 * sharp.sum() < len(discs.get_offsets()) < 1.1 * sharp.sum()
    assert "nearest" in texts(figure)


@pytest.mark.parametrize(
    ("direction", "words"),
    [([0, 0, 1], "towards the viewer"), ([0, 0, -1], "away from the viewer"), ([1, 0, 0], "")],
)
def test_field_in_the_top_view(direction, words):
    seen = texts(plots.film_top(hand_made(), hand_made_run(field_direction=direction)))
    assert "B = 30 mT" in seen
    assert words in seen
    assert ("viewer" in seen) == bool(words)


def test_chains_side_by_side_differ_in_colour_and_lightness():
    lanes = straight_chains([(0.1e-6, 0.05e-6 + k * 30e-9, 0.2e-6) for k in range(12)], [20] * 12)
    colours = chain_colours(lanes.positions, lanes.diameters, lanes.chain, lanes.sides)
    of_chain = [colours[lanes.chain == k] for k in range(12)]
    assert all(np.ptp(rows, axis=0).max() == 0 for rows in of_chain)
    for one, next_one in itertools.pairwise(of_chain):
        assert abs(lightness(one[0]) - lightness(next_one[0])) > 15


def test_numbering_of_chains_may_have_gaps_and_singles_are_pale():
    lanes = straight_chains([(0.1e-6, 0.1e-6, 0.2e-6), (0.1e-6, 0.15e-6, 0.2e-6)], [5, 5])
    index = np.where(lanes.chain == 0, 7, 93)
    index[3] = -1
    colours = chain_colours(lanes.positions, lanes.diameters, index, lanes.sides)
    assert lightness(colours[3]) > 88
    assert len(np.unique(colours, axis=0)) == 3


def lightness(colour):
    """CIE L* of an sRGB colour (IEC 61966-2-1; CIE 1976)."""
    return lab(colour)[0]


def lab(colour):
    """CIE L*a*b* (D65) of an sRGB colour, by the standard formulas, from memory."""
    colour = np.asarray(colour)
    linear = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
    xyz = (
        np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
        @ linear
        / np.array([0.9505, 1.0, 1.089])
    )
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_palette_reads_in_greyscale_and_for_the_colour_blind():
    table = colour_table().reshape(3, 3, 3)
    rows = np.array([[lightness(colour) for colour in row] for row in table])
    assert (rows[:-1].max(axis=1) + 15 < rows[1:].min(axis=1)).all()
    # Deuteranopia after Machado, Oliveira, Fernandes, IEEE TVCG 15, 1291 (2009), from memory.
    seen = np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    )
    for row in table:
        blue, yellow = (lab(np.clip(seen @ colour, 0, 1)) for colour in row[:2])
        assert np.linalg.norm(blue - yellow) > 30


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
    scale = style.scale_for(largest, unit)
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
    curve["error"] = 10 * curve["fraction_of_chains"]
    figure = plots.chain_lengths(measurement, hand_made_run())
    (bars,) = [c for c in figure.axes[0].collections if len(c.get_segments()) > 5]
    assert min(segment[:, 1].min() for segment in bars.get_segments()) > 0


def test_field_strip_appears_only_where_the_field_changes():
    assert len(plots.growth(hand_made(), hand_made_run()).axes) == 1
    figure = plots.growth(hand_made(switch_off=True), hand_made_run())
    assert len(figure.axes) == 2
    strip = figure.axes[1].lines[0]
    assert strip.get_ydata().max() == pytest.approx(30.0)  # mT
    assert strip.get_ydata()[-1] == 0.0
    assert figure.axes[1].get_xlim() == figure.axes[0].get_xlim()


def test_growth_has_both_axes_logarithmic_and_both_means():
    figure = plots.growth(hand_made(), hand_made_run())
    axes = figure.axes[0]
    assert (axes.get_xscale(), axes.get_yscale()) == ("log", "log")
    assert "no growth exponent quoted" in texts(figure)
    measurement = hand_made()
    measurement.numbers["relaxation"]["growth_exponent"] = {"value": 0.512, "error": 0.021}
    assert "growth exponent 0.512 ± 0.021" in texts(plots.growth(measurement, hand_made_run()))
