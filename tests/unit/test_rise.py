"""Response times from 10 to 90 %: closed form, band, and what is told where there is none."""

import math

import numpy as np
import pytest

from analysis.response.rise import rise

TAU = 0.08
RESPONSE = TAU * math.log(9)  # of a single relaxation (textbook)


def course(frames, tau=TAU, noise=0.0, memory=0.0, rng=None):
    times = np.linspace(0.0, 1.0, frames + 1)
    white = np.zeros(frames + 1) if rng is None else rng.standard_normal(frames + 1)
    for k in range(1, frames + 1):
        white[k] = memory * white[k - 1] + math.sqrt(1 - memory**2) * white[k]
    return times, 0.3 + 2 * (1 - np.exp(-times / tau)) + 2 * noise * white


@pytest.mark.parametrize("sign", [1, -1])
def test_single_relaxation(sign):
    times, values = course(400)
    found = rise(times + 5.0, sign * values, 5.0)
    assert found.time == pytest.approx(RESPONSE, rel=1e-3)
    low, high = found.interval_68
    assert low < RESPONSE < high
    assert high - low < 0.03 * RESPONSE


def test_a_value_before_the_step_counts():
    times, values = course(400)
    found = rise(times[40:], values[40:], 0.0, 0.3)  # the first frames are missing
    assert found.time == pytest.approx(RESPONSE, rel=0.15)


@pytest.mark.parametrize(("noise", "memory"), [(0.03, 0.0), (0.03, 0.7)])
def test_the_band_holds_the_truth(noise, memory):
    rng = np.random.default_rng(11)
    films = 50
    inside = 0
    for _ in range(films):
        found = rise(*course(100, noise=noise, memory=memory, rng=rng), 0.0)
        assert found.time is not None, found.reason
        inside += found.interval_68[0] <= RESPONSE <= found.interval_68[1]
    # 68 of 100, four standard deviations of the count below.
    assert inside > films * 0.68 - 4 * math.sqrt(films * 0.68 * 0.32)
    assert inside < films


def test_what_has_no_response_says_why():
    times, values = course(100)
    flat = np.random.default_rng(2).standard_normal(101)
    assert rise(times, flat, 0.0).reason == "no change stands out of the noise"
    assert rise(times, np.ones(101), 0.0).reason == "it does not change"
    assert rise(times[:5], values[:5], 0.0).reason == "5 frames after the step, and 8 are wanted"
    quick = rise(times, np.where(times > 0, 1.0, 0.0), 0.0)
    assert (quick.time, quick.shorter_than) == (None, pytest.approx(0.01))
    assert "faster than the frames" in quick.reason


def test_what_still_moves_has_a_bound():
    times, values = course(100, tau=2.0)
    found = rise(times, values, 0.0)
    assert found.time is None
    assert "last half of what was seen" in found.reason
    assert found.longer_than is not None
    assert found.longer_than < 2.0 * math.log(9)


def test_frames_without_the_number_are_left_out():
    times, values = course(200)
    values[3::7] = np.nan
    assert rise(times, values, 0.0).time == pytest.approx(RESPONSE, rel=0.01)
