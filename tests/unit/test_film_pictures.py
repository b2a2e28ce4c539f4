"""Pictures of the film: to scale, periodic, and with colours that tell chains apart."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.pictures import all as plots
from analysis.pictures.chain_colours import chain_colours, colour_table
from tests.reference.drawn_film import SIDES, THICKNESS, drawn, hand_made, hand_made_run, texts
from tests.reference.planted import DIAMETER, straight_chains


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


@pytest.mark.parametrize(
    ("direction", "view", "words"),
    [
        ([0.8660254, 0, 0.5], "film_top", ", 30° towards the viewer"),
        ([0.8660254, 0, -0.5], "film_top", ", 30° away from the viewer"),
        ([0.8660254, 0, 0.5], "film_side", ""),
        ([0.5, 0.8660254, 0], "film_side", ", 60° away from the viewer"),
    ],
)
def test_a_field_aslant_to_a_view_says_how_far(direction, view, words):
    seen = texts(getattr(plots, view)(hand_made(), hand_made_run(field_direction=direction)))
    assert f"B = 30 mT{words}" in seen
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
