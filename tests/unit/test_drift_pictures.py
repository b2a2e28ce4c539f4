"""Figure and tables of a drift, from arrays of a known decay."""

import csv

import numpy as np
import pytest

from analysis.cell.drift import drift_maps
from analysis.cell.drift_chains import chains_left
from analysis.cell.drift_files import (
    CHANGE_COLUMNS,
    MAP_COLUMNS,
    write_drift_change,
    write_drift_map,
)
from tests.reference.drawn_film import drawn, texts

DAY = 86_400.0


def decay(contrast=0.5, rows=6, columns=9, last=3e6, change=True):
    """A mode that dies out with a half time of a day."""
    x = (np.arange(columns) + 0.5) / columns * 15e-3
    y = (np.arange(rows) + 0.5) / rows * 10e-3
    final = 0.02 * np.ones((rows, columns))
    steps = np.concatenate([[0.0], np.geomspace(1.0, last, 200)])
    times = np.concatenate([[0.0], np.geomspace(1.0, last, 12)])
    left = 0.5 ** (times / DAY) if change else np.zeros(len(times))
    mode = contrast * 0.02 * np.cos(np.pi * x / 15e-3) * np.ones((rows, 1))
    done = 1.0 - 0.5 ** (steps / DAY) if change else np.zeros(len(steps))
    half = DAY if change and last > DAY else None
    frames = final + left[:, None, None] * mode
    return x, y, times, frames, final, steps, done, half


def draw(**options):
    _, _, times, frames, final, steps, done, half = decay(**options)
    figure = drift_maps((15e-3, 10e-3), times, frames, final, steps, done, half)
    drawn(figure)
    return figure


def test_maps_are_to_scale_and_hold_the_frames():
    figure = draw()
    maps = [axes for axes in figure.axes if axes.images]
    assert len(maps) == 6
    assert [tuple(axes.images[0].get_extent()) for axes in maps] == [(-7.5, 7.5, -5.0, 5.0)] * 6
    _, _, _, frames, final, *_ = decay()
    np.testing.assert_allclose(maps[0].images[0].get_array(), 100.0 * frames[0])
    np.testing.assert_allclose(maps[-1].images[0].get_array(), 100.0 * final)
    assert len({axes.images[0].norm for axes in maps}) == 1
    assert [axes.get_title(loc="left") for axes in (maps[0], maps[-1])] == [
        "at the start",
        "in equilibrium",
    ]


def test_half_of_the_change_is_marked_where_it_is():
    figure = draw()
    assert "half after 1 day" in texts(figure)
    curve = next(axes for axes in figure.axes if axes.get_ylabel() == "Change done (%)")
    assert curve.get_xscale() == "log"
    marked = curve.lines[1].get_xydata()
    np.testing.assert_allclose(marked[1:], [[DAY, 50.0], [DAY, 0.0]])


def test_nothing_is_marked_where_half_is_not_reached():
    assert "half" not in texts(draw(last=3600.0))


def test_a_film_at_rest_says_so():
    assert "Nothing changes" in texts(draw(change=False)).replace("\n", " ")


def test_colours_are_logarithmic_where_a_few_cells_hold_most():
    _, _, times, frames, final, steps, done, half = decay()
    final = np.full_like(final, 1e-9)
    final[0, 0] = 0.6
    figure = drift_maps((15e-3, 10e-3), times, frames, final, steps, done, half)
    drawn(figure)
    norm = figure.axes[0].images[0].norm
    assert norm.vmax == pytest.approx(60.0)
    assert norm(0.2) - norm(0.02) == pytest.approx(norm(2.0) - norm(0.2))


def left(bare):
    """Draw what a decay leaves, without chains where ``bare`` says so in the last two frames."""
    _, _, times, frames, final, *_ = decay()
    times, fractions = np.append(times, np.inf), np.concatenate([frames, final[None]])
    state = np.ones(fractions.shape, dtype=np.int8)
    state[-2:][:, bare] = 0
    spacing = 20e-9 * np.sqrt(np.pi / (6.0 * fractions))
    change = np.append(1.0 - 0.5 ** (times[:-1] / DAY), 1.0)
    figure = chains_left((15e-3, 10e-3), times, change, fractions, spacing, state)
    drawn(figure)
    return figure, times, fractions, spacing, state


def test_chains_that_are_left_are_drawn_where_they_are():
    bare = np.zeros((6, 9), dtype=bool)
    bare[:, 6:] = True
    figure, times, fractions, spacing, state = left(bare)
    maps = [axes for axes in figure.axes if axes.images]
    assert [axes.images[0].get_extent() for axes in maps] == [[-7.5, 7.5, -5.0, 5.0]] * 2
    for axes, frame in zip(maps, (-2, -1), strict=True):
        shown = axes.images[0].get_array()
        np.testing.assert_array_equal(np.ma.getmaskarray(shown), bare)
        np.testing.assert_allclose(shown[~bare], 1e9 * spacing[frame][~bare])
        assert "chains in 66.7 % of the cell (hatched: none)" in axes.get_title(loc="left")
    profile = next(axes for axes in figure.axes if axes.get_ylabel() == "Volume fraction (%)")
    np.testing.assert_allclose(profile.lines[0].get_ydata(), 100.0 * fractions[0, 0])
    np.testing.assert_allclose(profile.lines[-1].get_ydata(), 100.0 * fractions[-1, 0])
    share = next(axes for axes in figure.axes if axes.get_ylabel() == "Cell with chains (%)")
    counted = 100.0 * (state > 0).mean(axis=(1, 2))
    np.testing.assert_allclose(share.lines[0].get_xydata().T, [times[1:-1], counted[1:-1]])
    assert share.lines[1].get_ydata()[0] == pytest.approx(counted[-1])


def test_a_film_without_any_chains_left_is_hatched_throughout():
    figure, *_ = left(np.ones((6, 9), dtype=bool))
    maps = [axes for axes in figure.axes if axes.images]
    assert all("chains in 0 %" in axes.get_title(loc="left") for axes in maps)
    assert all(np.ma.getmaskarray(axes.images[0].get_array()).all() for axes in maps)


def test_tables_read_back_bit_for_bit(tmp_path):
    x, y, times, frames, final, steps, done, _ = decay()
    field = np.linspace(0.0, 0.3, final.size).reshape(final.shape)
    path = write_drift_map(tmp_path / "drift.csv", x, y, field, -7.0 * field, times, frames, final)
    with path.open() as file:
        rows = list(csv.reader(file))
    assert tuple(rows[0]) == MAP_COLUMNS
    table = np.array(rows[1:], float).reshape(len(times) + 1, *final.shape, len(MAP_COLUMNS))
    np.testing.assert_array_equal(table[:-1, ..., 5], frames)
    np.testing.assert_array_equal(table[-1, ..., 5], final)
    np.testing.assert_array_equal(table[:-1, 0, 0, 0], times)
    assert np.isinf(table[-1, ..., 0]).all()
    np.testing.assert_array_equal(table[3, 2, :, 1], x)
    np.testing.assert_array_equal(table[3, :, 2, 2], y)
    np.testing.assert_array_equal(table[3, ..., 3], field)
    np.testing.assert_array_equal(table[3, ..., 4], -7.0 * field)
    path = write_drift_change(tmp_path / "change.csv", steps, done)
    lines = path.read_text().splitlines()
    assert lines[0] == ",".join(CHANGE_COLUMNS)
    read = np.array([line.split(",") for line in lines[1:]], float)
    np.testing.assert_array_equal(read, np.column_stack([steps, done]))
