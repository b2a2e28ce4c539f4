"""Times as simulated and as corrected for the flow that particles stir up."""

import json
import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.common.flow_factors import (
    DECAY,
    GROWTH,
    METHOD,
    TURNING,
    decay_factor,
    growth_factor,
    turning_factor,
)
from analysis.quantities.all import MEASURED, shown
from analysis.reports import run as report
from analysis.response.with_flow import DIVIDED, MULTIPLIED, with_flow
from sim.parameters import from_text
from sim.run.setup import RunSetup
from tests.benchmarks import flow_factors as films
from tests.reference.bench_film import BENCH_FILM


def run_of(flow="none", **changes):
    """Return what the section looks at of a run: 3 % of particles of 20 nm in a film of 0.24 um."""
    diameters = np.full(90, 20e-9)
    area = math.pi / 6.0 * np.sum(diameters**3) / 0.03 / 0.24e-6
    values = {
        "sides": np.array([math.sqrt(area)] * 2), "thickness": 0.24e-6, "diameters": diameters,
        "held": 90, "resolved": {"motion": {"flow": flow}}, "is_sampled": False,
    }  # fmt: skip
    return SimpleNamespace(**{**values, **changes})


def entry(value, error):
    return {"value": value, "error": error, "samples": 20, "interval_95": None}


NUMBERS = {
    "chains": {"mean_length": entry(3.0, 0.1)},
    "relaxation": {
        "length_decay_time_s": entry(2e-5, 2e-6), "alignment_decay_time_s": entry(None, None),
        "break_up_frequency_hz": entry(1000.0, 50.0),
    },
    "way_to_rest": {
        "switch_on_half_time_s": entry(1e-3, 1e-4), "switch_on_rest_time_s": entry(3e-3, None),
    },
}  # fmt: skip


def test_times_are_divided_and_rates_multiplied_with_the_errors_of_both():
    warnings = []
    found = with_flow(run_of(), NUMBERS, warnings)
    growth = growth_factor(3.0, 0.03, 12.0)
    decay = decay_factor(0.03, 12.0)
    turning = turning_factor(3.0, 12.0)
    assert found["growth_factor"]["value"] == pytest.approx(growth.value)
    half = found["switch_on_half_time_with_flow_s"]
    assert half["value"] == pytest.approx(1e-3 / growth.value)
    assert half["error"] == pytest.approx(
        half["value"] * math.hypot(0.1, growth.error / growth.value)
    )
    fall = found["length_decay_time_with_flow_s"]
    assert fall["value"] == pytest.approx(2e-5 / decay.value)
    breaking = found["break_up_frequency_with_flow_hz"]
    assert breaking["value"] == pytest.approx(1000.0 * turning.value)
    assert found["alignment_decay_time_with_flow_s"]["value"] is None
    assert found["switch_off_half_time_with_flow_s"]["value"] is None
    assert warnings == []


def test_a_lopsided_time_keeps_a_lopsided_band_beside_that_drawn_from_both_laws():
    # The time is drawn from a log-normal law, the factor from one of its own width: their ratio is
    # log-normal again, and its quantiles are counted.
    rng = np.random.default_rng(5)
    growth = growth_factor(3.0, 0.03, 12.0)
    drawn = 48e-6 * np.exp(0.9 * rng.standard_normal(400_000))
    simulated = {
        "value": 48e-6, "error": 60e-6, "samples": 14,
        "interval_68": [float(x) for x in np.quantile(drawn, (0.1587, 0.8413))],
        "interval_95": [float(x) for x in np.quantile(drawn, (0.025, 0.975))],
    }  # fmt: skip
    share = growth.error / growth.value
    ratio = drawn / (growth.value * np.exp(share * rng.standard_normal(drawn.size)))
    numbers = {**NUMBERS, "way_to_rest": {"switch_on_rest_time_s": simulated}}
    found = with_flow(run_of(), numbers, [])["switch_on_rest_time_with_flow_s"]
    assert found["interval_68"] == pytest.approx(np.quantile(ratio, (0.1587, 0.8413)), rel=0.02)
    assert found["interval_95"] == pytest.approx(np.quantile(ratio, (0.025, 0.975)), rel=0.03)
    (told,) = (one for one in MEASURED if one.path == "with_flow.switch_on_rest_time_with_flow_s")
    assert " to " in told.told(found)
    assert "switch_on" not in told.meaning


def test_a_run_with_the_flow_needs_no_correction_and_others_are_left_alone():
    found = with_flow(run_of("hydrodynamic"), NUMBERS, [])
    assert found["growth_factor"]["value"] == 1.0
    assert found["switch_on_half_time_with_flow_s"]["value"] == 1e-3
    assert found["switch_on_half_time_with_flow_s"]["error"] == pytest.approx(1e-4)
    assert with_flow(run_of(resolved={}), NUMBERS, []) == {}
    assert with_flow(run_of(is_sampled=True), NUMBERS, []) == {}


def test_films_beyond_the_table_take_the_nearest_and_say_so():
    warnings = []
    with_flow(run_of(thickness=2.4e-6), NUMBERS, warnings)
    assert len(warnings) == 1
    assert "factors of growth, decay, turning" in warnings[0]
    assert not growth_factor(50.0, 0.03, 20.0).inside
    assert growth_factor(50.0, 0.03, 12.0).value == pytest.approx(GROWTH[0.03, 12.0][-1][1])


def test_factors_are_those_of_the_table_and_between_lie_between():
    for (fraction, thickness), row in GROWTH.items():
        for length, value, error in row:
            found = growth_factor(length, fraction, thickness)
            assert found.value == pytest.approx(value)
            assert found.error == pytest.approx(math.hypot(error, METHOD * value))
            assert found.inside
    for rows, factor in ((DECAY, decay_factor), (TURNING, turning_factor)):
        for thickness, row in rows.items():
            for place, value, error in row:
                found = factor(place, thickness)
                assert found.value == pytest.approx(value)
                assert found.error == pytest.approx(math.hypot(error, METHOD * value))
                assert found.inside
        for beyond in (0.9 * min(rows), 1.1 * max(rows)):
            assert not factor(rows[min(rows)][0][0], beyond).inside
    middle = turning_factor(math.sqrt(10.0), 12.0)
    row = TURNING[12.0]
    assert middle.value == pytest.approx(math.sqrt(row[0][1] * row[1][1]))
    assert middle.error < max(turning_factor(2.0, 12.0).error, turning_factor(5.0, 12.0).error)


def test_keys_are_declared_and_handed_on_beside_what_was_simulated():
    declared = {one.path for one in MEASURED if one.section == "with_flow"}
    found = with_flow(run_of(), NUMBERS, [])
    assert declared == {f"with_flow.{key}" for key in found}
    handed = [one.path for one in shown("handoff")]
    for section, key, _ in (DIVIDED[0], DIVIDED[2], MULTIPLIED[0]):
        stem, _, unit = key.rpartition("_")
        place = handed.index(f"{section}.{key}")
        assert handed[place + 1] == f"with_flow.{stem}_with_flow_{unit}"


def test_check_tells_the_factors_unless_the_flow_is_there():
    texts = RunSetup(from_text(BENCH_FILM)).expectations.cautions
    said = [text for text in texts if "stir in the liquid is left out" in text]
    assert len(said) == 1
    for name in ("growth", "decay", "turning"):
        assert f"{name} " in said[0]
    stirred = from_text(BENCH_FILM + '[motion]\nflow = "hydrodynamic"\n')
    texts = RunSetup(stirred).expectations.cautions
    assert not any("left out. Times" in text for text in texts)
    (said,) = (text for text in texts if "flow that particles stir up moves them" in text)
    for left in LEFT_OUT:
        assert left in said


LEFT_OUT = ("lubrication", "particles that turn", "slip")


def test_a_page_says_what_is_left_out_of_the_flow():
    told = dict(report.cautions_of(run_of("hydrodynamic")))["Times"]
    for left in LEFT_OUT:
        assert left in told
    assert "as if it were alone" in dict(report.cautions_of(run_of()))["Times"]
    assert "Times" not in dict(report.cautions_of(run_of(is_sampled=True)))


def test_the_table_is_that_of_the_films():
    """Growth and decay, with their errors, and no entry of fewer than four films."""
    lines = Path(films.__file__).with_name("flow_films.jsonl").read_text("utf-8").splitlines()
    found = films.factors([json.loads(line) for line in lines])
    table = {
        **{("growth", *key, n): one for key, row in GROWTH.items() for n, *one in row},
        **{("decay", f, h, 0): one for h, row in DECAY.items() for f, *one in row},
    }
    assert table.keys() == found.keys()
    for key, (value, error) in table.items():
        assert found[key][:2] == pytest.approx((value, error), abs=6e-4)
        assert found[key][2] >= 4
