"""Bounds of decay times that frames cannot tell, on falls whose time is known."""

import math

import numpy as np
import pytest

from analysis.measures.measure import measure
from analysis.response.decay import decay
from analysis.response.decay_bounds import bounds
from analysis.trajectory.run import open_run
from tests.benchmarks.coverage import autoregressive
from tests.reference.planted import planted_run

TRIALS = 200


def falls(seed, tau, *, frames, end, noise=0.02, remembered=0.5, floor=0.0):
    """Return times and falls 0.8 exp(-t/tau) + floor with noise of a known memory in frames."""
    times = np.linspace(0.0, end, frames)
    law = floor + 0.8 * np.exp(-times / tau)
    rng = np.random.default_rng(seed)
    return times, law + noise * autoregressive(rng, TRIALS, frames, remembered)


@pytest.mark.parametrize(
    ("tau", "frames", "floor", "remembered", "kind"),
    [
        (3.0, 100, 0.0, 0.5, "longer_than"),  # the run ends before 1/e
        (3.0, 100, 0.0, 5.0, "longer_than"),
        (1.0, 40, None, 0.5, "longer_than"),  # not at rest at the end, whose level is not known
        (0.01, 40, 0.0, 0.5, "shorter_than"),  # gone before the first frame
        (0.01, 40, None, 3.0, "shorter_than"),
    ],
)
def test_a_bound_holds_where_no_time_is_given(tau, frames, floor, remembered, kind):
    times, rows = falls(
        3, tau, frames=frames, end=1.0, remembered=remembered, floor=0.0 if floor == 0.0 else 2.0
    )
    found = [decay(times, row, floor) for row in rows]
    withheld = [one for one in found if one.time.value is None]
    assert len(withheld) > 0.8 * TRIALS
    told = [getattr(one.limits, kind) for one in withheld]
    assert sum(bound is not None for bound in told) > 0.9 * len(withheld)
    wrong = 0
    for one in withheld:
        low, high = one.limits.longer_than or 0.0, one.limits.shorter_than or math.inf
        wrong += not low <= tau <= high
        assert one.reason
    # At least 95 of 100 bounds hold: 4 sigma of the trials.
    assert wrong <= 0.05 * TRIALS + 4 * math.sqrt(0.05 * 0.95 * TRIALS)


def test_bounds_close_in_on_a_time_without_noise():
    times = np.linspace(0.0, 5.0, 51)
    found = bounds(times, np.exp(-times / 1.02), 0.0, (0.0, 10.0))
    assert found.longer_than == pytest.approx(1.0)
    assert found.shorter_than == pytest.approx(1.1)


def test_the_last_frames_in_place_of_the_end_bound_from_below_alone():
    times = np.linspace(0.0, 1.0, 51)
    found = bounds(times, np.exp(-times / 2.0), None, (1e-6, 10.0))
    assert 0.2 < found.longer_than < 2.0
    assert found.shorter_than is None


def test_an_unknown_instant_of_switch_off_shortens_the_bound():
    times = np.linspace(0.0, 1.0, 11)
    values = np.exp(-times / 5.0)
    sharp = bounds(times, values, 0.0, (1e-3, 10.0))
    blurred = bounds(times, values, 0.0, (1e-3, 10.0), unsure=0.1 / math.sqrt(12.0))
    assert sharp.longer_than - blurred.longer_than == pytest.approx(0.1)


def test_few_frames_are_judged_by_the_scatter_inside_them():
    values = np.array([0.5, 0.01, -0.01])
    times = np.array([0.0, 1.0, 2.0])
    assert decay(times, values, 0.0).limits.shorter_than is None
    assert decay(times, values, 0.0, within=0.01).limits.shorter_than == 1.0
    assert decay(times, values, 0.0, within=0.3).limits.shorter_than is None


@pytest.mark.parametrize("tau", [0.25, 0.45, 0.8, 1.7])
def test_times_of_falls_that_few_frames_see(tau):
    """Frames a whole unit of time apart: a time between two of them, or a bound."""
    times, rows = falls(8, tau, frames=24, end=23.0)
    found = [decay(times, row, 0.0) for row in rows]
    for one in found:
        if one.time.value is None:
            assert one.limits.shorter_than is None or one.limits.shorter_than > tau
        else:
            low, high = one.time.interval()
            assert low < tau < high


def test_bounds_stand_beside_the_times(tmp_path):
    # The field goes off between two frames, when its programme says.
    hold = {"kind": "hold", "start_s": 0.0, "end_s": 1.015e-4, "vector_t": [0.03, 0.0, 0.0],
            "frequency_hz": 0.0, "phase_rad": 0.0, "axis": [0.0, 0.0, 1.0]}  # fmt: skip
    slow = planted_run(
        tmp_path / "slow", frames=60, switch_off_at=1e-4, decay_time=5e-4,
        derived={"field_programme": [hold]},
    )  # fmt: skip
    found = measure(open_run(slow)).numbers["relaxation"]
    assert found["switch_off_time_s"] == 1.015e-4
    assert found["magnetisation_decay_time_s"]["value"] is None
    assert 5e-5 < found["magnetisation_decay_longer_than_s"] < 5e-4
    assert found["magnetisation_decay_shorter_than_s"] is None
    assert "not fallen to 1/e" in found["magnetisation_decay_reason"]
    quick = planted_run(tmp_path / "quick", frames=60, switch_off_at=1e-4, decay_time=1e-7)
    found = measure(open_run(quick)).numbers["relaxation"]
    assert found["magnetisation_decay_time_s"]["value"] is None
    assert 1e-7 < found["magnetisation_decay_shorter_than_s"] < 1e-5
