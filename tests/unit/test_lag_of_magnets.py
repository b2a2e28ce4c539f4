"""Lag behind the field of magnets that move: planted chains, a run, its table and its figure."""

import csv
import math
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.chains.groups import find_chains
from analysis.chains.series import ChainSeries
from analysis.measures.measure import measure
from analysis.measures.tables import write_tables
from analysis.pictures.lag import has_lag, lag
from analysis.response.lag_curve import Lag, lag_curve
from analysis.trajectory.cycles import last_swing, turning_frames
from analysis.trajectory.run import open_run
from sim.parameters import from_text
from sim.run.simulate import simulate
from tests.reference.planted import straight_chains
from tests.reference.small_film import small_film

SLOW = 25.0
"""Degrees by which the planted chains trail."""


def step(kind, start, end, **changes):
    values = {
        "kind": kind, "start_s": start, "end_s": end, "vector_t": [0.02, 0.0, 0.0],
        "frequency_hz": 0.0, "phase_rad": 0.0, "axis": [0.0, 0.0, 1.0],
    }  # fmt: skip
    return {**values, **changes}


def ellipse(times, rate):
    """A field that turns in front of a dipole: its parts along x and y are as 2 to 1."""
    angle = 2.0 * math.pi * rate * times
    return 0.01 * np.stack([2.0 * np.cos(angle), np.sin(angle), 0.0 * angle], axis=1)


@pytest.fixture
def planted():
    """A run of 9 frames whose chains trail an elliptic field by a steady angle, and its series."""
    times = np.linspace(0.0, 1e-3, 9)
    vectors = ellipse(times, 700.0)
    run = SimpleNamespace(
        times=times, frames=9, field_before=None,
        derived={"field_programme": [step("turn", 0.0, 1e-3, frequency_hz=700.0)]},
    )  # fmt: skip
    field, axis = turning_frames(run, last_swing(run), vectors)
    series = ChainSeries(9, field[0], field[0], turning=field, axis=axis)
    starts = [[0.5e-6, 0.1e-6 * k + 0.05e-6, 0.2e-6] for k in range(5)]
    still = straight_chains(starts, [5, 5, 4, 3, 6])
    for frame, (x, y, _) in enumerate(field):
        angle = math.atan2(y, x) - math.radians(SLOW)
        c, s = math.cos(angle), math.sin(angle)
        turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        middle = np.array([0.6e-6, 0.25e-6, 0.2e-6])
        positions, moments, *rest = still.frame()
        places = np.mod((positions - middle) @ turn.T + middle, [*still.sides, np.inf])
        found = find_chains(places, moments @ turn.T, *rest, bond_distance=1.3, bond_alignment=0.5)
        series.add(frame, found, moments @ turn.T)
    return run, series, vectors


def test_frame_by_frame_lag_of_planted_chains(planted):
    run, series, vectors = planted
    found = lag_curve(run, series)
    assert isinstance(found, Lag)
    angle = np.degrees(np.unwrap(np.arctan2(vectors[:, 1], vectors[:, 0])))
    np.testing.assert_allclose(found["field_turned_deg"], angle, atol=1e-9)
    np.testing.assert_allclose(found["chain_lag_deg"], SLOW, atol=2.0)
    np.testing.assert_allclose(found["magnetisation_lag_deg"], SLOW, atol=2.0)
    run.derived["moment_relaxation_meaningful"] = False
    assert np.isnan(lag_curve(run, series)["magnetisation_lag_deg"]).all()


def test_direction_of_a_field_of_zero_is_that_of_the_nearest_frame():
    vectors = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0],
                        [0.0, 2.0, 0.0]])  # fmt: skip
    run = SimpleNamespace(
        times=np.arange(5.0),
        frames=5,
        field_before=None,
        derived={"field_programme": [step("move", 0.0, 5.0)]},
    )
    field, axis = turning_frames(run, None, vectors)
    np.testing.assert_array_equal(field[:, 1], [0.0, 0.0, 0.0, 1.0, 1.0])
    assert axis is None
    assert lag_curve(run, ChainSeries(5, None, None, turning=field))["time_s"].size == 0
    run.derived["field_programme"] = [step("hold", 0.0, 5.0)]
    assert turning_frames(run, None, vectors) is None


MAGNET = """
[[magnets]]
kind = "sphere"
diameter = "10 mm"
remanence = "1.2 T"
position = ["0 mm", "0 mm", "-12 mm"]
direction = [1, 0, 0]
[[magnets.steps]]
duration = "2 us"
[[magnets.steps]]
motion = "turn"
axis = [0, 1, 0]
rate = "60 kHz"
duration = "{first}"
[[magnets.steps]]
motion = "{last}"
axis = [0, 1, 0]
rate = "120 kHz"
duration = "20 us"
"""


def run_of(folder, **changes):
    pytest.importorskip("magpylib", reason="fields of magnets need magpylib")
    steady = '[field]\nstrength = "20 mT"\ndirection = [1, 0, 0]\n'
    magnet = MAGNET.format(**{"first": "18 us", "last": "turn", **changes})
    text = small_film("40 us", 80).replace(steady, "") + magnet
    simulate(from_text(text, "film.toml"), folder / "run", threads=1)
    return open_run(folder / "run")


def test_a_run_reports_magnetisation_alignment_and_lag_against_the_magnets(tmp_path):
    run = run_of(tmp_path)
    swing = last_swing(run)
    assert (swing.kind, swing.frequency_hz, swing.turns) == ("turn", 120e3, True)
    found = measure(run)
    numbers = found.numbers
    assert numbers["alignment"]["reference"] == "turning field"
    relaxation = numbers["relaxation"]
    assert (relaxation["lag_kind"], relaxation["field_frequency_hz"]) == ("turn", 120e3)
    lagging = relaxation["magnetisation_lag_deg"]
    assert 5.0 < lagging["value"] < 90.0
    stages = relaxation["turning_stages"]
    assert [stage["frequency_hz"] for stage in stages] == [60e3, 120e3]
    series = found.curves["time_series"]
    strength = np.linalg.norm(run.observables["field"], axis=1)
    np.testing.assert_allclose(series["field_t"], strength, rtol=1e-12)
    assert strength.max() == pytest.approx(2.0 * strength.min(), rel=0.02)  # pole and equator
    turned = found.curves["lag"]["field_turned_deg"]
    assert turned[-1] == pytest.approx(360.0 * (0.018 * 60 + 0.02 * 120), rel=0.02)
    write_tables(found, tmp_path)
    with (tmp_path / "lag.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == Lag.keys()
    assert len(rows) == run.frames
    assert has_lag(found)
    titles = [axes.get_ylabel() for axes in lag(found, run).axes]
    assert titles[:2] == ["Behind the field (°)", "Field turned\n(turns)"]


def test_a_run_that_ends_with_magnets_at_rest_still_follows_them(tmp_path):
    run = run_of(tmp_path, last="hold")
    assert last_swing(run) is None
    found = measure(run)
    assert found.numbers["alignment"]["reference"] == "turning field"
    assert len(found.numbers["relaxation"]["turning_stages"]) == 1
    assert found.numbers["magnetisation"]["relative"]["value"] > 0.2
    assert len(lag(found, run).axes) == 2
