"""Lag of magnetisation and chains behind turning and oscillating fields that are known."""

import math

import numpy as np
import pytest

from analysis.chains.groups import find_chains
from analysis.chains.series import ChainSeries
from analysis.measures.measure import measure
from analysis.response.lag import angle_behind, oscillating_numbers, response, turning_numbers
from analysis.trajectory.cycles import last_swing
from analysis.trajectory.run import open_run
from analysis.trajectory.stages import field_series, last_stage
from sim.parameters import from_text
from sim.run.simulate import simulate
from tests.reference.planted import straight_chains
from tests.reference.small_film import small_film
from tests.reference.turning_field import swing


@pytest.mark.parametrize("degrees", [-20.0, 5.0, 60.0, 120.0])
def test_angle_of_noisy_vectors(degrees):
    rng = np.random.default_rng(5)
    angle = math.radians(degrees)
    c = 0.4 * math.cos(angle) + 0.05 * rng.standard_normal(400)
    s = 0.4 * math.sin(angle) + 0.05 * rng.standard_normal(400)
    found, reason = angle_behind(c, s)
    assert reason is None
    assert found.error == pytest.approx(math.degrees(0.05 / 0.4 / 20.0), rel=0.5)
    assert found.value == pytest.approx(degrees, abs=4.0 * found.error)
    half, _ = angle_behind(c, s, order=2)
    assert half.value == pytest.approx(0.5 * found.value)


def test_angle_is_withheld_with_a_reason():
    rng = np.random.default_rng(6)
    found, reason = angle_behind(*(0.01 * rng.standard_normal((2, 100))))
    assert found.value is None
    assert "within its noise" in reason
    assert "fewer than 4" in angle_behind(np.ones(3), np.zeros(3))[1]
    assert "fewer than 4" in angle_behind(np.full(9, np.nan), np.zeros(9))[1]


def test_response_to_an_oscillating_field():
    rng = np.random.default_rng(7)
    angles = np.linspace(0.0, 40.0, 300)
    values = 0.1 + 0.3 * np.cos(angles) + 0.2 * np.sin(angles) + 0.02 * rng.standard_normal(300)
    along, behind, reason = response(angles, values)
    assert reason is None
    assert along.value == pytest.approx(0.3, abs=4.0 * along.error)
    assert behind.value == pytest.approx(0.2, abs=4.0 * behind.error)
    assert 0.0005 < along.error < 0.005
    # Frames that all fall on one angle of the field tell nothing.
    assert "too few angles" in response(2.0 * math.pi * np.arange(20.0), np.ones(20))[2]
    assert "fewer than 5" in response(np.arange(4.0), np.ones(4))[2]


def test_oscillating_numbers_and_what_is_withheld():
    times = np.linspace(0.0, 10e-3, 200)
    field = swing("oscillate")
    values = 0.3 * np.cos(field.angles(times) - math.radians(35.0))
    values = values + 0.005 * np.random.default_rng(3).standard_normal(200)
    warnings = []
    found = oscillating_numbers(field, times, values, None, warnings)
    lag = found["magnetisation_lag_deg"]
    assert lag["value"] == pytest.approx(35.0, abs=4.0 * lag["error"])
    assert warnings == []
    withheld = oscillating_numbers(field, times, values, "moments were slowed", warnings)
    assert withheld["magnetisation_lag_deg"]["value"] is None
    assert warnings == ["relaxation.magnetisation_lag_deg: moments were slowed"]
    noise = 0.01 * np.random.default_rng(2).standard_normal(200)
    assert (
        oscillating_numbers(field, times, noise, None, [])["magnetisation_lag_deg"]["value"] is None
        or abs(noise).mean() < 0.01
    )


@pytest.mark.parametrize("degrees", [0.0, 12.0, 40.0])
def test_planted_chains_behind_a_turning_field(degrees):
    # Chains along x; the field stands ``degrees`` ahead, turning from x towards y.
    angle = math.radians(degrees)
    starts = [[0.1e-6, 0.1e-6 * k + 0.05e-6, 0.2e-6] for k in range(5)]
    chains = straight_chains(starts, [5, 5, 4, 3, 6])
    field = np.array([[math.cos(angle), math.sin(angle), 0.0]])
    series = ChainSeries(1, field[0], field[0], turning=field, axis=np.array([0.0, 0.0, 1.0]))
    series.add(0, find_chains(*chains.frame(), bond_distance=1.3, bond_alignment=0.5),
               chains.moments)  # fmt: skip
    of = {name: series.values[name][0] for name in ("in_phase", "behind", "axis_cos", "axis_sin")}
    along = chains.moments[:, 0].sum() / np.linalg.norm(chains.moments, axis=1).sum()
    assert of["in_phase"] == pytest.approx(along * math.cos(angle), abs=0.02)
    assert of["behind"] == pytest.approx(along * math.sin(angle), abs=0.02)
    assert 0.5 * math.degrees(math.atan2(of["axis_sin"], of["axis_cos"])) == pytest.approx(
        degrees, abs=1.0
    )
    assert series.values["order"][0] == pytest.approx(1.5 * math.cos(angle) ** 2 - 0.5, abs=0.02)


def test_directions_of_a_swing():
    field = swing(start_s=1e-3, phase_rad=0.5 * math.pi, axis=np.array([0.0, -1.0, 0.0]))
    found = field.directions(np.array([1e-3, 1.25e-3]))
    np.testing.assert_allclose(found, [[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]], atol=1e-12)
    line = swing("oscillate").directions(np.array([0.0, 1.0]))
    np.testing.assert_array_equal(line, [[1.0, 0.0, 0.0]] * 2)


def test_turning_numbers_name_what_is_missing():
    nothing = {name: np.full(9, np.nan) for name in ("in_phase", "behind", "axis_cos", "axis_sin")}
    warnings = []
    found = turning_numbers(swing(), nothing, None, warnings)
    assert found["chain_lag_deg"]["value"] is None
    assert [w.split(":")[0] for w in warnings] == [
        "relaxation.magnetisation_lag_deg", "relaxation.chain_lag_deg",
    ]  # fmt: skip


@pytest.fixture(scope="module", params=["rotate", "oscillate"])
def run(request, tmp_path_factory):
    """Return a short run of a small film in a field that turns or oscillates, opened."""
    folder = tmp_path_factory.mktemp(request.param)
    steady = '[field]\nstrength = "20 mT"\ndirection = [1, 0, 0]\n'
    tables = (
        '[[field.steps]]\nkind = "ramp"\nduration = "1 us"\nstrength = "20 mT"\n'
        f'[[field.steps]]\nkind = "{request.param}"\nduration = "50 us"\nstrength = "20 mT"\n'
        'frequency = "60 kHz"\n'
    )
    text = small_film("36 us", 80)
    assert steady in text
    parameters = from_text(text.replace(steady, tables), "film.toml")
    simulate(parameters, folder / "run", threads=1)
    return request.param, open_run(folder / "run")


def test_lag_of_a_run_is_in_its_measures(run):
    kind, opened = run
    field = last_swing(opened)
    assert (field.kind, field.frequency_hz) == (kind, 6e4)
    assert field.start_s == pytest.approx(1e-6)
    stage = last_stage(opened, field_series(opened))
    assert stage.steady
    assert stage.swing is not None
    assert 30 <= len(stage.frames) <= 45
    found = measure(opened).numbers
    relaxation = found["relaxation"]
    assert relaxation["lag_kind"] == kind
    assert relaxation["switch_off_time_s"] is None
    lag = relaxation["magnetisation_lag_deg"]
    # Moments of xi = 4.6 at omega tau_B = 1.7: they trail, and not by a right angle.
    assert 5.0 < lag["value"] < 85.0
    assert relaxation["magnetisation_behind"]["value"] > 0.1
    if kind == "rotate":
        assert found["alignment"]["reference"] == "turning field"
        assert found["magnetisation"]["relative"]["value"] > 0.2  # along the field as it turns
    series = measure(opened).curves["time_series"]
    if kind == "rotate":
        np.testing.assert_allclose(series["field_t"][8:], 0.02, rtol=1e-6)
