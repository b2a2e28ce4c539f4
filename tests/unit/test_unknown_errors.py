"""An error or setting that is not known is never taken for zero, or for another, without a word.

Common practice: a sum of an unknown and a known part is unknown (as NaN in IEEE 754 arithmetic).
"""

import json
import math
from copy import deepcopy
from types import SimpleNamespace

import h5py
import numpy as np
import pytest

from analysis.chains import length_distribution
from analysis.measures import measure as measures
from analysis.optics.curves import add_light
from analysis.optics.handoff import handoff
from analysis.optics.indices import Optics
from analysis.pictures.all import magnetisation_law
from analysis.response import equilibration, lag, susceptibility_numbers
from analysis.response import growth as relaxation
from analysis.response.growth_laws import _Kinked
from analysis.response.susceptibility import Spectrum
from analysis.spacing import section as spacing
from analysis.sweeps import run as swept_run  # fmt: skip
from analysis.trajectory.run import TrajectoryError, open_run
from analysis.uncertainty.estimate import NOTHING, Estimate
from sim.files.record import resolved
from sim.parameters import from_text
from tests.reference.planted import planted_run
from tests.reference.small_film import bead_film
from tests.reference.turning_field import swing

UNKNOWN = Estimate(1.0, None, 1)


def test_drift_without_an_error_is_not_tested(monkeypatch):
    rest = np.random.default_rng(1).standard_normal(40)
    assert equilibration.drift_test("length", rest)["error"] > 0
    monkeypatch.setattr(equilibration, "estimate", lambda _: UNKNOWN)
    assert equilibration.drift_test("length", rest) is None


@pytest.mark.parametrize(("driven", "spread"), [(None, 0.1), (0.1, math.nan)])
def test_two_susceptibilities_are_not_compared_without_errors(driven, spread):
    one, row = np.ones(1), np.full(1, spread)
    spectrum = Spectrum(one, one, row, one, row, 5.0, Estimate(1.0, 0.1, 9))
    told = []
    parts = (Estimate(1.0, driven, 9), Estimate(1.0, 0.1, 9))
    found = susceptibility_numbers._compared(parts, spectrum, swing("oscillate"), told)
    assert found["susceptibility_agrees"] is None
    assert any("an error is not known" in words for words in told)


def test_a_lag_without_an_error_is_withheld(monkeypatch):
    times = np.linspace(0, 1e-4, 50)
    monkeypatch.setattr(lag, "estimate", lambda _: UNKNOWN)
    found, why = lag.angle_behind(np.ones(50), 0.1 * np.ones(50))
    assert found == NOTHING
    assert "not known" in why
    monkeypatch.setattr(lag, "response", lambda *_: (UNKNOWN, Estimate(0.5, 0.01, 5), None))
    told = []
    found = lag.oscillating_numbers(swing("oscillate"), times, times, None, told)
    assert found["magnetisation_lag_deg"]["value"] is None
    assert told == [
        "relaxation.magnetisation_lag_deg: the error of the swing of the magnetisation is not known"
    ]


def test_growth_whose_ends_have_no_scatter_has_no_error():
    times = np.geomspace(0.4, 40, 60)
    length, spanning = 2 * times**0.5, np.zeros(60)
    known = np.full(60, 0.1)
    whole = relaxation.growth(times, length, known, spanning, 1.0).exponent
    known[-1] = math.nan
    found = relaxation.growth(times, length, known, spanning, 1.0).exponent
    assert found.value == whole.value == pytest.approx(0.5)
    assert whole.error > 0
    assert found.error is None


def test_a_kink_of_unknown_variance_has_no_error():
    spread = np.full((4, 4), math.nan)
    fit = _Kinked(np.linspace(0, 3, 9), np.ones(4), 1.5, 1.0, spread, 9.0)
    assert all(math.isnan(one.error) for one in fit.numbers(0.1))


def test_shares_of_lengths_of_unknown_error_say_so(monkeypatch):
    series = SimpleNamespace(lengths={0: np.array([1, 1, 2]), 1: np.array([1, 2, 2])})
    stage = SimpleNamespace(frames=np.array([0, 1]))
    assert np.isfinite(length_distribution.length_distribution(series, stage, 1.0).error).all()
    monkeypatch.setattr(length_distribution, "estimate", lambda *_, **__: UNKNOWN)
    assert np.isnan(length_distribution.length_distribution(series, stage, 1.0).error).all()


@pytest.mark.parametrize(("error", "informative"), [(0.01, True), (math.nan, None)])
def test_a_clear_fraction_of_unknown_error_is_not_compared(error, informative):
    frames = SimpleNamespace(
        clear=[0.2],
        clear_error=[error],
        clear_parts=None,
        diameters=np.full(10, 1e-8),
        sides=np.full(2, 1e-6),
    )
    told = []
    found = spacing._clear(frames, None, told)
    assert found["clear_fraction_informative"] is informative
    assert bool(told) == (informative is None)


def test_growth_time_of_unknown_lengths_errors_has_none():
    time, field = np.arange(9.0), np.ones(9)
    error = np.full(9, 0.1)
    known = swept_run.growth_time(time, 1 + 0.5 * time, error, field)
    assert known.error > 0
    for frame in (0, 2):
        unknown = error.copy()
        unknown[frame] = math.nan
        found = swept_run.growth_time(time, 1 + 0.5 * time, unknown, field)
        assert found.value == known.value
        assert found.error is None
    after = error.copy()
    after[5:] = math.nan
    assert swept_run.growth_time(time, 1 + 0.5 * time, after, field) == known


# --- settings -------------------------------------------------------------------------------------


@pytest.fixture
def film(tmp_path):
    planted_run(tmp_path, frames=2, sides=(0.4e-6, 0.3e-6))
    return tmp_path


def test_no_law_without_moments(tmp_path):
    planted_run(tmp_path, frames=2, sides=(0.4e-6, 0.3e-6), moments=False)
    with h5py.File(tmp_path / "run.h5", "a") as file:
        del file["particles/film/moment_magnitude"]
    run = open_run(tmp_path)
    measurement = measures.measure(run)
    section = measurement.numbers["magnetisation"]
    assert section["langevin_relative"] is None
    assert section["langevin_parameter"] is None
    figure = magnetisation_law(measurement, run)
    assert "No magnetisation law" in " ".join(text.get_text() for text in figure.axes[0].texts)


def test_an_assumed_temperature_is_told(film):
    def warned():
        said = measures.measure(open_run(film)).numbers["warnings"]
        return [words for words in said if "298.15 K is taken" in words]

    assert warned() == []
    with h5py.File(film / "run.h5", "a") as file:
        derived = json.loads(file["parameters"].attrs["derived"])
        del derived["temperature_k"]
        file["parameters"].attrs["derived"] = json.dumps(derived)
    assert len(warned()) == 1


@pytest.mark.parametrize("record", ["derived", "bonds", "resolved", "notices", "parts"])
@pytest.mark.parametrize("text", ["{", "3", '{"a":' * 20_000])
def test_a_damaged_record_is_not_an_absent_one(film, record, text):
    with h5py.File(film / "run.h5", "a") as file:
        file["parameters"].attrs[record] = text
    with pytest.raises(TrajectoryError, match="what it records of its run"):
        open_run(film)
    with h5py.File(film / "run.h5", "a") as file:
        del file["parameters"].attrs[record]
    assert open_run(film).frames == 3


def test_a_field_that_is_not_recorded_is_not_zero(film):
    known = measures.measure(open_run(film)).numbers["magnetisation"]
    assert known["field_t"] == pytest.approx(0.03)
    assert known["langevin_relative"] > 0
    with h5py.File(film / "run.h5", "a") as file:
        del file["observables/field"]
        derived = json.loads(file["parameters"].attrs["derived"])
        derived = {key: value for key, value in derived.items() if "field" not in key}
        file["parameters"].attrs["derived"] = json.dumps(derived)
    numbers = measures.measure(open_run(film)).numbers
    for key in ("field_t", "langevin_relative", "langevin_parameter"):
        assert numbers["magnetisation"][key] is None
    assert any("records no field" in words for words in numbers["warnings"])
    assert {stage["field_t"] for stage in numbers["stages"]} <= {None}


def test_assumed_optics_of_beads_are_told():
    recorded = resolved(from_text(bead_film()))
    assert Optics.of(recorded).assumed == ()
    older = deepcopy(recorded)
    del older["optics"]["matrix_index"]
    assert Optics.of(older).assumed == (
        "the file records [optics] in part; assumed: matrix_index 1.59",
    )
    older["particles"]["magnetic_share"] = 1.0  # one core: no matrix
    assert Optics.of(older).assumed == ()
    del older["optics"]["outer_index"], older["optics"]["wavelengths"]
    told = Optics.of(older).assumed
    assert told[0].endswith("assumed: outer_index 1")
    assert told[1].endswith("532 and 633 nm are assumed")


def test_chains_of_unknown_order_have_no_index(film):
    run = open_run(film)
    measurement = add_light(measures.measure(run), run)
    assert handoff(measurement, run)["light"][0]["n_along"]["value"] > 1
    measurement.numbers["alignment"]["order"] = {"value": None, "error": None}
    found = handoff(measurement, run)["light"][0]["n_along"]
    assert found["value"] is None
    assert found["reason"] == "the order of the chains could not be measured"
