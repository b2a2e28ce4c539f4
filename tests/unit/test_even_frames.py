"""Estimates over lags in time: a last frame at an odd time, and times of whole steps."""

import numpy as np
import pytest

from analysis.measures.measure import measure
from analysis.response.memory import memory_numbers
from analysis.response.susceptibility_numbers import susceptibility_numbers
from analysis.trajectory.even_frames import even_frames, left_out
from analysis.trajectory.run import open_run
from sim.parameters import from_text
from sim.run.simulate import simulate
from tests.reference.small_film import small_film
from tests.unit.test_susceptibility_numbers import COUNT, CURIE, SPACING, made


def free_dipoles_at(times, seed, memory):
    """Return the magnetisation of free dipoles at given times: an exact Ornstein-Uhlenbeck walk.

    Its variance is 1/(3 N) and it forgets as exp(-t/memory) (Uhlenbeck and Ornstein 1930).
    """
    rng = np.random.default_rng(seed)
    kept = np.exp(-np.diff(times) / memory)
    values = np.empty(len(times))
    values[0] = rng.normal()
    for k, share in enumerate(kept):
        values[k + 1] = share * values[k] + np.sqrt(1.0 - share**2) * rng.normal()
    return values / np.sqrt(3 * COUNT)


def measured(times, seed=41, memory=8 * SPACING):
    """Return the entries and warnings of free dipoles that are seen at these times."""
    run, series, stage = made(free_dipoles_at(times, seed, memory), field=0.01)
    run.times = times
    warnings = []
    found, _ = susceptibility_numbers(run, series, stage, warnings)
    return found | memory_numbers(run, series, stage, []), warnings


EVEN_TIMES = SPACING * np.arange(3000)
WITHIN = np.insert(EVEN_TIMES, 1500, EVEN_TIMES[1499] + 0.3 * SPACING)


@pytest.mark.parametrize(
    "times", [np.append(EVEN_TIMES, EVEN_TIMES[-1] + 0.3 * SPACING), WITHIN], ids=["end", "within"]
)
def test_a_frame_at_an_odd_time_is_left_out_and_named(times):
    found, warnings = measured(times)
    for key, truth in (
        ("susceptibility_static", CURIE),
        ("magnetisation_time_s", 8 * SPACING),
        ("magnetisation_autocorrelation_time_s", 8 * SPACING),
    ):
        assert found[key]["value"] == pytest.approx(truth, abs=4 * found[key]["error"])
    assert "1 of 3001 averaged frames lies between the even times of the others" in warnings[0]


def test_times_rounded_to_whole_steps_are_even_enough():
    # 5.4 steps of the integrator from frame to frame, rounded: 5 or 6 of them.
    times = np.rint(5.4 * np.arange(3000)) * SPACING / 5.4
    found, warnings = measured(times, seed=42)
    time = found["magnetisation_time_s"]
    assert time["value"] == pytest.approx(8 * SPACING, abs=4 * time["error"])
    assert warnings == []


def test_frames_that_no_two_left_out_make_even_are_refused():
    times = EVEN_TIMES[:300] ** 1.1
    assert len(even_frames(times, np.arange(300))) == 0
    found, warnings = measured(times)
    assert found["susceptibility_static"]["value"] is None
    assert found["magnetisation_autocorrelation_time_s"]["value"] is None
    assert "evenly spaced" in warnings[0]


def test_few_frames_are_even():
    times = np.array([0.0, 1.0, 7.0])
    assert even_frames(times, np.array([0, 1])).tolist() == [0, 1]
    assert even_frames(times, np.arange(0)).tolist() == []
    assert left_out(np.arange(4), np.arange(4)) == ""


@pytest.mark.parametrize("keys", ["", 'time_step = "0.37 ns"\n'], ids=["automatic", "of the file"])
def test_a_real_run_made_longer_by_an_odd_time_has_its_susceptibility(keys, tmp_path):
    def film(duration):
        return from_text(small_film(duration, 40).replace("[run]\n", f"[run]\n{keys}"))

    simulate(film("0.4 us"), tmp_path, threads=1)
    run = simulate(film("0.553 us"), tmp_path, threads=1, resume=True)
    assert run.finished
    read = open_run(run.path)
    steps = np.diff(read.times)
    assert steps[-1] < 0.8 * steps[:-1].mean()  # the odd end
    found = measure(read, from_time=0.1e-6).numbers
    assert found["magnetisation"]["susceptibility_static"]["value"] > 0.0
    assert any("1 of " in one and "lies between" in one for one in found["warnings"])
    assert not any("evenly spaced" in one for one in found["warnings"] if "suscept" in one)
