"""One thing, one wording: durations, columns and chains, the two mean lengths, one error."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.figure import Figure

from analysis.chains.series import ChainSeries
from analysis.common.durations import long_unit
from analysis.pictures import all as plots
from analysis.pictures import lag as lag_picture
from analysis.quantities.all import quantity
from analysis.reports import details
from analysis.response.stages import stage_numbers
from analysis.spacing.columns import ColumnFrames, ColumnPlane
from analysis.trajectory.stages import Stage
from analysis.uncertainty.number_text import with_error, with_unit
from sim.commands.drift import _rows
from sim.physics.units import duration_text
from tests.reference.drawn_film import hand_made, hand_made_run, texts


@pytest.mark.parametrize("seconds", [150.0, 7300.0, 2222.2 * 3600.0, 3.2e7, 3.156e9])
def test_a_long_time_has_one_unit_before_and_after_a_run(seconds):
    unit = duration_text(seconds).split()[1]
    assert with_unit(seconds, "s").split()[1] == unit == long_unit(seconds)[1]
    assert with_error(seconds, 0.01 * seconds, "s").split()[-1] == unit


def test_short_times_keep_their_prefix():
    assert long_unit(119.0) is None
    assert with_unit(1.2e-5, "s") == "12 µs"
    assert with_error(90.0, 2.0, "s") == "90.0 ± 2.0 s"


def test_the_drift_tells_its_half_time_like_any_other():
    drift = SimpleNamespace(
        half_time_s=604_800.0, energy_kt=np.zeros(3), change=np.array([0.0, 0.6])
    )
    found = SimpleNamespace(
        drift=drift, fractions=np.full((3, 4), 0.02), spacing=np.full((3, 4), 1e-7),
        share_with_chains=np.ones(3), state=np.zeros((3, 4)),
    )  # fmt: skip
    carrier = SimpleNamespace(viscosity=1e-3, temperature=298.15)
    parameters = SimpleNamespace(carrier=carrier, particles=SimpleNamespace(diameter=2e-8))
    told = dict(_rows(parameters, found, "1 year"))
    assert told["half of the change done"] == f"after {duration_text(604_800.0)}"


def lying():
    """Return a measurement of chains that lie in the film, with the plane across them."""
    measurement = hand_made(direction=(1, 0, 0))
    points = 1e-7 * np.random.default_rng(2).random((12, 2)) * [8.0, 3.0]
    measurement.curves["columns"] = ColumnPlane(points, np.array([[8e-7, 0.0]]), 3e-7)
    return measurement


def test_chains_that_lie_in_the_film_are_no_columns():
    figure = plots.figures_of(lying())["columns"]
    assert figure.title == "The chains seen along themselves"
    assert "column" not in figure.caption
    upright = lying()
    upright.curves["columns"] = dataclasses.replace(upright.curves["columns"], height_m=None)
    assert plots.figures_of(upright)["columns"].title == "The columns seen along themselves"
    for axis, word in (([1.0, 0.0, 0.0], "chain"), ([0.0, 0.0, 1.0], "column")):
        entry = {"value": 1e-7, "error": 1e-9, "samples": 4}
        spacing = {"chain_direction": axis, "columns": {"neighbour_distance_m": entry}}
        page = details.shape({"chains": {}, "spacing": spacing})
        assert f"Distance of neighbouring {word}s" in page
        assert ("column" in page) == (word == "column")


def test_the_plane_that_is_drawn_is_one_that_counts():
    # Chains along x that end before the first of six cuts: its plane holds none but one.
    rng = np.random.default_rng(3)
    sides, thickness = np.array([1.2e-6, 1.2e-6]), 1.2e-6
    places = np.array([(y, z) for y in np.arange(6) for z in np.arange(6)]) * 2e-7 + 1e-7
    places = places + 1e-8 * rng.standard_normal(places.shape)
    steps = np.arange(2.5e-7, 1.1e-6, 2.5e-8)
    positions = np.array([(x, y, z) for y, z in places for x in steps])
    label = np.repeat(np.arange(len(places)), len(steps))
    first = np.array([(x, 6e-7, 6e-7) for x in np.arange(2.5e-8, 2.5e-7, 2.5e-8)])
    positions = np.concatenate([positions, first])
    label = np.append(label, np.full(len(first), len(places)))
    frames = ColumnFrames(sides, thickness, 2.5e-8, np.array([1.0, 0.0, 0.0]))
    frames.add(positions, label)
    assert frames.rows
    assert len(frames.last.points) >= 36


def test_the_two_mean_lengths_are_told_apart():
    assert quantity("chains.mean_length").name == "Mean chain length"
    assert quantity("chains.weight_mean_length").name == "Weight mean chain length"
    growth = texts(plots.growth(hand_made(), hand_made_run()))
    assert "weight mean length" in growth
    entry = {"value": 5.0, "error": 0.1}
    stages = [
        {"frequency_hz": pace, "chain_lag_deg": entry, "weight_mean_length": entry}
        for pace in (10.0, 20.0)
    ]
    upper, lower = Figure().subplots(2, 1)
    lag_picture._draw_frequency(upper, lower, stages)
    assert lower.get_ylabel() == "Weight mean\nlength"
    assert "Weight mean chain length" in details.rules(
        {"chains": {"sensitivity": [{"bond_distance": 1.3, "bond_alignment": 0.5}]}}
    )


def test_a_number_has_one_error_in_its_stage_and_in_its_section():
    # 40 frames of six independent structures: the error of the section, not that of one structure.
    rng = np.random.default_rng(5)
    names = ("mean_length", "weight_mean_length", "singles_fraction", "order", "magnetisation")
    run = SimpleNamespace(times=np.arange(80.0), frames=80, derived={}, is_sampled=False)
    along = np.array([1.0, 0.0, 0.0])
    series = ChainSeries(80, along, along)
    for name in names:
        series.values[name] = 3.0 + 0.01 * rng.standard_normal(80)
        series.within[name] = np.full(80, 0.4)
    frames = np.arange(40, 80)
    last = Stage(0.0, 79.0, 39.5, frames, True, np.array([0.03, 0.0, 0.0]))
    field = np.tile([0.03, 0.0, 0.0], (80, 1))
    (found,) = stage_numbers(run, field, series, last, 6.0)
    assert found["mean_length"]["error"] == pytest.approx(0.4 / np.sqrt(6.0), rel=0.05)
    (alone,) = stage_numbers(run, field, series)
    assert alone["mean_length"]["error"] == pytest.approx(0.4, rel=0.05)
    assert found["magnetisation"]["error"] == alone["magnetisation"]["error"]
