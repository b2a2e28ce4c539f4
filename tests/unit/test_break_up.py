"""Break-up in a turning field: the frequency and power of planted lengths, stages of a run."""

import csv
import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.chains.series import ChainSeries
from analysis.measures.measure import Measurement, measure
from analysis.measures.tables import TURNING_COLUMNS, write_tables
from analysis.response.break_up import break_up, break_up_numbers, turning_stages
from analysis.trajectory.run import open_run
from sim.parameters import from_text
from sim.run.simulate import simulate
from tests.benchmarks.coverage import coverage
from tests.reference.small_film import small_film

# Balance of torques: length ~ frequency^(-1/2) (Melle and others 2003, from memory).
POWER, PLACE = 0.5, 1e4
FREQUENCIES = np.geomspace(1e3, 1e5, 9)


def lengths(power, noise, rng):
    """Return noisy mean lengths at the frequencies."""
    law = 8.0 * np.maximum(1.0, FREQUENCIES / PLACE) ** -power
    return law * np.exp(noise * rng.standard_normal(len(law)))


def test_frequency_and_power_are_recovered_within_their_errors():
    rng = np.random.default_rng(8)
    places, powers = [], []
    for _ in range(100):
        found = lengths(POWER, 0.05, rng)
        place, power, reason = break_up(FREQUENCIES, found, 0.05 * found)
        assert reason is None
        places.append(place)
        powers.append(power)
    for estimates, truth in ((places, PLACE), (powers, POWER)):
        short, long = coverage(estimates, truth)
        assert short > 0.683 - 4 * math.sqrt(0.683 * 0.317 / 100)
        assert long > 0.95 - 4 * math.sqrt(0.95 * 0.05 / 100)


def test_lengths_that_do_not_fall_have_no_break_up():
    rng = np.random.default_rng(9)
    for _ in range(50):
        found = lengths(0.0, 0.05, rng)
        place, _, reason = break_up(FREQUENCIES, found, 0.05 * found)
        assert place.value is None
        assert "does not fall" in reason
    few = break_up(FREQUENCIES[:3], np.ones(3), np.ones(3))
    assert "fewer than 4 frequencies" in few[2]
    assert break_up(np.zeros(0), np.zeros(0), np.zeros(0))[0].value is None


def step(kind, start, end, frequency=0.0):
    """Return an entry of the recorded programme."""
    return {
        "kind": kind, "start_s": start, "end_s": end, "frequency_hz": frequency, "phase_rad": 0.0,
        "vector_t": [0.02, 0.0, 0.0], "axis": [0.0, 0.0, 1.0],
    }  # fmt: skip


def test_breaking_is_found_from_the_series():
    # 8 particles per chain, then 8 in a slow field, then 4 in a fast one.
    times = np.linspace(0.0, 3.0, 91)
    programme = [
        step("hold", 0.0, 1.0),
        step("rotate", 1.0, 2.0, 5.0),
        step("rotate", 2.0, 9.0, 50),
    ]
    run = SimpleNamespace(times=times, field_before=None, derived={"field_programme": programme})
    series = ChainSeries(91, None, None)
    rng = np.random.default_rng(3)
    level = np.where(times <= 2.0, 8.0, 4.0)
    series.values["mean_length"] = level + 0.1 * rng.standard_normal(91)
    series.within["mean_length"] = np.full(91, 0.1)
    series.values["weight_mean_length"] = 1.5 * level
    slow, fast = turning_stages(run, series)
    assert (slow["frequency_hz"], fast["frequency_hz"]) == (5.0, 50.0)
    assert (slow["broke_up"], fast["broke_up"]) == (False, True)
    assert 1.5 <= slow["from_s"] <= 1.54
    assert slow["to_s"] == pytest.approx(2.0)
    for stage, wanted in ((slow, 8.0), (fast, 4.0)):
        length = stage["mean_length"]
        assert length["value"] == pytest.approx(wanted, abs=4 * length["error"])
    assert fast["length_before"]["value"] == pytest.approx(8.0, abs=0.5)
    warnings = []
    assert break_up_numbers(run, series, warnings)["break_up_exponent"]["value"] is None
    assert "fewer than 4 frequencies" in warnings[0]


def test_stages_of_a_run_are_in_its_measures_and_its_table(tmp_path):
    steady = '[field]\nstrength = "20 mT"\ndirection = [1, 0, 0]\n'
    tables = "".join(
        f'[[field.steps]]\nkind = "rotate"\nduration = "6 us"\nstrength = "20 mT"\n'
        f'frequency = "{frequency} kHz"\n'
        for frequency in (100, 400)
    )
    text = small_film("12 us", 60).replace(steady, tables)
    simulate(from_text(text, "film.toml"), tmp_path / "run", threads=1)
    found = measure(open_run(tmp_path / "run"))
    assert isinstance(found, Measurement)
    stages = found.numbers["relaxation"]["turning_stages"]
    assert [stage["frequency_hz"] for stage in stages] == [1e5, 4e5]
    assert [round(stage["to_s"] * 1e6) for stage in stages] == [6, 12]
    write_tables(found, tmp_path)
    with (tmp_path / "turning_field.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == TURNING_COLUMNS
    assert float(rows[1]["mean_length"]) == stages[1]["mean_length"]["value"]
    assert rows[0]["broke_up"] in ("yes", "no", "")
    # Measured again without such a stage, the table goes.
    plain = {**found.numbers, "relaxation": {}}
    write_tables(dataclasses.replace(found, numbers=plain), tmp_path)
    assert not (tmp_path / "turning_field.csv").exists()
