"""A sweep laid over a map: interpolated as scipy does, errors by the law of their propagation."""

import math

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from analysis.cell.sweep import sweep_columns, sweep_rows, sweep_sentences
from analysis.cell.sweep_pictures import measured_map
from analysis.sweeps.gather import SweepFolderError
from analysis.sweeps.grid import read_sweep_grid
from tests.reference.drawn_film import drawn
from tests.reference.planted_sweep import planted_sweep, resolved_film

FIELDS = (0.005, 0.01, 0.04)
TILTS = (0.0, 0.6, 1.5)
KEYS = (
    {"path": "field.strength", "column": "field.strength_T", "unit": "T"},
    {"path": "field.tilt", "column": "field.tilt_rad", "unit": "rad"},
)
POINTS = [{"field.strength_T": b, "field.tilt_rad": t} for b in FIELDS for t in TILTS]


def length(point):
    """A mean length that no plane fits."""
    return 1.0 + 60.0 * point["field.strength_T"] + math.sin(point["field.tilt_rad"]) ** 2


def error(point):
    return 0.02 + 0.01 * point["field.tilt_rad"]


def measures(point, _):
    return {"mean_length": length(point), "error": error(point)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("sweep")
    return planted_sweep(place, keys=KEYS, points=POINTS, replicas=1, measures=measures)


def spots(strength, tilt, thickness=0.3e-6, fraction=0.03):
    names = ("strength_t", "tilt_deg", "thickness_m", "volume_fraction")
    arrays = np.broadcast_arrays(*(np.asarray(v, float) for v in (
        strength, tilt, thickness, fraction)))  # fmt: skip
    return dict(zip(names, arrays, strict=True))


def test_values_are_interpolated_as_by_scipy(folder):
    rng = np.random.default_rng(3)
    strength, tilt = rng.uniform(0.005, 0.04, 40), rng.uniform(0.0, math.degrees(1.5), 40)
    found, _ = read_sweep_grid(folder).look_up("chains_mean_length", spots(strength, tilt))
    table = np.array([length(point) for point in POINTS]).reshape(3, 3)
    reference = RegularGridInterpolator((np.log(FIELDS), np.degrees(TILTS)), table)
    expected = reference(np.column_stack([np.log(strength), tilt]))
    assert found == pytest.approx(expected, rel=1e-8)


def test_a_point_keeps_its_value_and_its_error(folder):
    place = spots([0.01], math.degrees(0.6))
    value, spread = read_sweep_grid(folder).look_up("chains_mean_length", place)
    point = {"field.strength_T": 0.01, "field.tilt_rad": 0.6}
    assert value == pytest.approx([length(point)])
    assert spread == pytest.approx([error(point)])


def test_errors_half_way_add_in_squares(tmp_path):
    """Of (a + b)/2 with independent errors s the error is sqrt(s_a^2 + s_b^2)/2 (textbook)."""
    points = [{"field.strength_T": b} for b in FIELDS]
    even = {"keys": KEYS[:1], "points": points, "replicas": 1}
    planted_sweep(tmp_path, measures=lambda *_: {"mean_length": 2.0, "error": 0.02}, **even)
    place = spots([math.sqrt(0.005 * 0.01)], 0.0)
    _, spread = read_sweep_grid(tmp_path).look_up("chains_mean_length", place)
    assert spread == pytest.approx([0.02 / math.sqrt(2.0)])


@pytest.mark.parametrize("count", [2, 3, 5])
def test_what_a_straight_line_misses_of_a_parabola_is_in_the_error(count, tmp_path):
    """Linear interpolation of a parabola misses f''/2 times both distances (Abramowitz, 25.2)."""
    fields = np.geomspace(0.005, 0.08, count)

    def parabola(point, _):
        return {"mean_length": 3.0 + 0.4 * math.log(point["field.strength_T"] / 0.02) ** 2,
                "error": 1e-9}  # fmt: skip

    points = [{"field.strength_T": b} for b in fields]
    planted_sweep(tmp_path, keys=KEYS[:1], points=points, replicas=1, measures=parabola)
    strength = np.geomspace(0.0051, 0.079, 37)
    value, spread = read_sweep_grid(tmp_path).look_up("chains_mean_length", spots(strength, 0.0))
    missed = value - (3.0 + 0.4 * np.log(strength / 0.02) ** 2)
    if count == 2:  # two values say nothing of a bend, so the error is not known either
        assert np.isnan(spread).all()
    else:
        assert spread == pytest.approx(missed, rel=1e-6, abs=1e-8)
    told = sweep_sentences(
        read_sweep_grid(tmp_path), tmp_path, resolved_film({}),
        sweep_columns(read_sweep_grid(tmp_path), spots(strength, 0.0)),
    )  # fmt: skip
    assert ("unknown along field" in told[0]) == (count == 2)


@pytest.mark.parametrize(
    ("place", "reason"),
    [
        (spots([0.0049], 10.0), 1),
        (spots([0.041], 10.0), 2),
        (spots([0.01], 89.0), 4),
        (spots([0.01], 10.0, thickness=0.34e-6), 8),
        (spots([0.01], 10.0, fraction=0.026), 16),
        (spots([0.05], 89.0, fraction=0.5), 2 + 4 + 16),
    ],
)
def test_beyond_the_sweep_nothing_is_told(folder, place, reason):
    columns = sweep_columns(read_sweep_grid(folder), place)
    assert columns["sweep_outside"] == [reason]
    assert np.isnan(columns["sweep_chains_mean_length"]).all()
    assert np.isnan(columns["sweep_spacing_width_m_error"]).all()
    told = dict(sweep_rows(columns))
    assert told["inside the sweep"] == "0% of the cell"
    assert told["mean chain length, measured"] == "not measured"


def test_a_little_beside_what_the_sweep_holds_is_inside(folder):
    place = spots([0.005, 0.04], [0.0, math.degrees(1.5)], thickness=0.32e-6, fraction=0.031)
    assert read_sweep_grid(folder).outside(place).tolist() == [0, 0]


def test_a_level_sweep_says_nothing_of_a_field_that_stands_up(tmp_path):
    place = spots([0.02, 0.02], [5.0, 40.0])
    found = read_sweep_grid(planted_sweep(tmp_path))
    assert found.outside(place).tolist() == [0, 4]


def test_a_missing_point_leaves_a_hole(tmp_path):
    def with_hole(point, replica):
        last = point == POINTS[-1]
        return (
            {"outcome": ("failed", "planted"), "exists": False}
            if last
            else measures(point, replica)
        )

    folder = planted_sweep(tmp_path, keys=KEYS, points=POINTS, replicas=1, measures=with_hole)
    found = read_sweep_grid(folder)
    value, _ = found.look_up("chains_mean_length", spots([0.03, 0.01, 0.03], [80.0, 80.0, 20.0]))
    assert np.isnan(value).tolist() == [True, False, False]
    columns = sweep_columns(found, spots([0.03], 80.0))
    told = sweep_sentences(found, tmp_path, resolved_film({}), columns)
    assert any("Of its 9 points only 8" in sentence for sentence in told)


def test_another_film_is_told(folder):
    found = read_sweep_grid(folder)
    film = resolved_film({})
    film["particles"]["core_diameter"] = 20e-9
    told = sweep_sentences(found, folder, film, sweep_columns(found, spots([0.02], 0.0)))
    assert any("core_diameter 1.6e-08 beside 2e-08" in sentence for sentence in told)
    same = sweep_sentences(found, folder, resolved_film({}), sweep_columns(found, spots([0.02], 0)))
    assert not any("another film" in sentence for sentence in same)


def test_a_sweep_of_something_else_is_refused(tmp_path):
    keys = ({"path": "run.duration", "column": "run.duration_s", "unit": "s"},)
    points = [{"run.duration_s": 1e-4}, {"run.duration_s": 2e-4}]
    folder = planted_sweep(tmp_path, keys=keys, points=points)
    with pytest.raises(SweepFolderError, match="must vary field, tilt, thickness or volume"):
        read_sweep_grid(folder)


def test_an_empty_sweep_is_refused(tmp_path):
    folder = planted_sweep(tmp_path, measures=lambda *_: None)
    with pytest.raises(SweepFolderError, match="no run is done yet"):
        read_sweep_grid(folder)


def test_maps_are_hatched_where_the_sweep_ends(folder):
    x, y = np.linspace(-5e-3, 5e-3, 11), np.linspace(-2e-3, 2e-3, 5)
    strength = np.broadcast_to(np.geomspace(0.003, 0.03, 11), (5, 11))
    columns = sweep_columns(read_sweep_grid(folder), spots(strength, 20.0))
    figure = measured_map(x, y, columns, [])
    drawn(figure)
    maps = [axes for axes in figure.axes if axes.images]
    assert len(maps) == 4
    assert figure.get_suptitle() == "Hatched: outside the sweep"
    assert maps[3].get_title(loc="left").startswith("Mean chain length, ± 0.0")
    shown = maps[3].images[0].get_array()
    assert np.array_equal(np.ma.getmaskarray(shown), columns["sweep_outside"] > 0)
    known = columns["sweep_outside"] == 0
    assert shown.data[known] == pytest.approx(columns["sweep_chains_mean_length"][known])
