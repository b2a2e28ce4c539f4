"""Decay after switch-off as it is drawn and told: law over the frames, times, bounds, reasons."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.chains.time_series import TimeSeries
from analysis.measures.measure import Measurement
from analysis.pictures.all import figures_of
from analysis.pictures.decay import decay, has_decay
from analysis.reports import run as report
from analysis.response.decay import decay as fit
from analysis.response.decay_curve import decay_curve
from analysis.response.decay_numbers import frame_at, switch_off_time
from analysis.response.decay_text import decay_rows, decay_time
from tests.benchmarks.coverage import autoregressive

OFF = 1e-4
TIMES = OFF * np.linspace(0.0, 4.0, 401)


def step(start, end, field, kind="hold"):
    """Return a step of a recorded programme of fields along x."""
    return {
        "kind": kind, "start_s": start, "end_s": end, "vector_t": [field, 0.0, 0.0],
        "frequency_hz": 0.0, "phase_rad": 0.0, "axis": [0.0, 0.0, 1.0],
    }  # fmt: skip


def falling(tau, stretch, floor, fall):
    """Return a quantity that is at rest until the field goes off, and its stretched exponential."""
    since = np.maximum(TIMES - OFF, 0.0)
    return floor + fall * np.exp(-((since / tau) ** stretch))


def measured(**relaxation):
    """Return a measurement with a length that falls from 4 to 2 and a magnetisation to 0."""
    series = replace(
        TimeSeries.empty(),
        time_s=TIMES,
        mean_length=falling(4e-5, 0.7, 2.0, 2.0),
        magnetisation=falling(2e-5, 1.0, 0.0, 0.9),
        alignment=falling(1.0, 1.0, 0.0, 0.9),
    )
    numbers = {"switch_off_time_s": OFF}
    for key, name, floor in (
        ("length", "mean_length", None),
        ("magnetisation", "magnetisation", 0.0),
        ("alignment", "alignment", None),
    ):
        found = fit(TIMES[100:], series[name][100:], floor)
        numbers[f"{key}_decay_time_s"] = found.time.as_dict()
        numbers[f"{key}_stretched_time_s"] = found.stretched_time.as_dict()
        numbers[f"{key}_stretch"] = found.stretch.as_dict()
        numbers[f"{key}_decay_reason"] = found.reason
        numbers[f"{key}_decay_longer_than_s"] = found.limits.longer_than
        numbers[f"{key}_decay_shorter_than_s"] = found.limits.shorter_than
    return Measurement({"relaxation": numbers | relaxation}, {"time_series": series}, {})


def test_a_frame_at_the_time_of_switch_off_may_hold_the_field_after_it():
    # The run's own frame at the end of a step holds the field of the next one.
    run = SimpleNamespace(
        times=np.array([0.0, 1e-4, 2e-4, 3e-4, 4e-4]), frames=5, field_before=None,
        derived={"field_programme": [step(0.0, 2e-4, 0.03), step(2e-4, 4e-4, 0.0)]},
    )  # fmt: skip
    assert switch_off_time(run, 1) == (2e-4, 0.0)
    assert frame_at(run.times, 2e-4) == 2
    # As the frame before it does where it lies a rounding above.
    run.times[2] *= 1.0 + 1e-12
    assert switch_off_time(run, 1)[0] == pytest.approx(2e-4)


def test_of_several_steps_between_two_frames_the_last_with_a_field_counts():
    run = SimpleNamespace(times=np.array([0.0, 4e-4]), frames=2, field_before=None, derived={})
    run.derived["field_programme"] = [
        step(0.0, 1e-4, 0.03), step(1e-4, 2e-4, 0.0, "ramp"), step(2e-4, 3e-4, 0.0),
        step(3e-4, None, 0.0),
    ]  # fmt: skip
    assert switch_off_time(run, 0) == (2e-4, 0.0)


def test_the_law_that_is_drawn_is_the_one_that_was_fitted():
    found = measured()
    curve = decay_curve(found.numbers, found.curves["time_series"], "length")
    # The planted law itself, A exp(-(t/tau)^beta) + c.
    truth = 2.0 + 2.0 * np.exp(-((curve.law_time / 4e-5) ** 0.7))
    assert curve.law == pytest.approx(truth, rel=1e-3)
    assert curve.level == pytest.approx(2.0 + 2.0 / np.e, rel=1e-3)
    assert curve.time[0] == 0.0


def test_the_picture_begins_at_the_switch_off_and_tells_the_times():
    found = measured()
    assert has_decay(found)
    assert "decay" in figures_of(found)
    length, alignment, magnetisation = decay(
        found, SimpleNamespace(provisional=False, derived={})
    ).axes
    assert length.get_xscale() == "log"
    assert length.get_xlim()[0] == pytest.approx(0.5)  # half the first frame, in us
    for axes, name in ((length, "length"), (magnetisation, "magnetisation")):
        words = [text.get_text() for text in axes.get_legend().get_texts()]
        assert any(word.startswith("stretched exponential") for word in words)
        assert f"1/e after {decay_time(found.numbers, name)}" in words
    # Planted: a quantity that hardly falls; no time, but the reason.
    (word,) = (text.get_text() for text in alignment.get_legend().get_texts())
    assert "come to rest" in word.replace("\n", " ")


def test_no_picture_where_the_field_stays_on():
    found = measured(switch_off_time_s=None)
    assert not has_decay(found)
    assert "decay" not in figures_of(found)


def test_bounds_stand_on_screen_and_page():
    nothing = {"value": None, "error": None, "samples": 0}
    given = {"length_decay_time_s": nothing, "length_stretched_time_s": nothing}
    for low, high, words in (
        (1.2e-4, None, "more than 120 µs"),
        (None, 2e-6, "less than 2 µs"),
        (1e-6, 2e-6, "1 µs to 2 µs"),
        (None, None, "not measured"),
    ):
        ends = {"length_decay_longer_than_s": low, "length_decay_shorter_than_s": high}
        found = measured(**given, **ends)
        assert dict(decay_rows(found.numbers))["decay time of the chain length"] == words
        traced = report._traced(found.numbers, sampled=False)
        rows = report._measured_rows(found.numbers, traced)
        assert any(words in row[1] for row in rows)
        axes = decay(found, SimpleNamespace(provisional=False, derived={})).axes[0]
        told = axes.get_legend().get_texts()[0].get_text()
        assert words == "not measured" or f"1/e after {words}" in told


@pytest.mark.parametrize("tau", [1e-4, 1.5e-4, 2e-4])
def test_a_fall_that_is_not_seen_to_its_end_tells_no_crossing(tau):
    # Much of the fall comes after the run, and noise that remembers ten frames hides where it ends:
    # where no law is told either, the frames know a lower bound and no more.
    times = np.linspace(0.0, 2e-4, 101)
    withheld = 0
    for seed in range(20):
        noise = autoregressive(np.random.default_rng(seed), 1, 101, 10.0)[0]
        values = 0.93 * np.exp(-((times / tau) ** 0.7)) + 0.025 * noise
        found = fit(times, values)
        if found.stretched_time.value is None:
            withheld += 1
            assert found.time.value is None
            assert found.limits.shorter_than is None
            assert found.limits.longer_than is None or found.limits.longer_than < tau
        else:
            assert found.time.error <= 0.5 * found.time.value
    assert withheld > 0
