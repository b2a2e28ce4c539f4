"""Intervals end where a number cannot be."""

import math

import pytest

from analysis.measures.bounds import keep_possible, possible_range


@pytest.mark.parametrize(
    ("key", "wanted"),
    [
        ("mean_length", (1.0, math.inf)),
        ("ring_share", (0.0, 1.0)),
        ("clear_fraction", (0.0, 1.0)),
        ("order", (-0.5, 1.0)),
        ("width_m", (0.0, math.inf)),
        ("exchange_rate_per_s", (0.0, math.inf)),
        ("tilt_deg", (-math.inf, math.inf)),
    ],
)
def test_ranges(key, wanted):
    assert possible_range(key) == wanted


def test_only_interval_ends_change_at_any_depth():
    def entry(value, low, high):
        return {"value": value, "error": 1.0, "samples": 1, "interval_95": [low, high]}

    numbers = {
        "chains": {
            "mean_length": entry(2.0, -7.0, 11.0),
            "sensitivity": [{"singles_fraction": entry(0.2, -0.1, 1.4)}],
            "loops": entry(3.0, -2.0, 8.0),
            "rings": None,
        }
    }
    kept = keep_possible(numbers)["chains"]
    assert kept["mean_length"] == entry(2.0, 1.0, 11.0)
    assert kept["sensitivity"][0]["singles_fraction"] == entry(0.2, 0.0, 1.0)
    assert kept["loops"] == entry(3.0, -2.0, 8.0)
    assert numbers["chains"]["mean_length"]["interval_95"] == [-7.0, 11.0]
