"""Entries on the susceptibility, memory and short runs: SI values, agreement, what is withheld."""

import csv
import math
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.chains.series import ChainSeries
from analysis.measures.measure import Measurement
from analysis.measures.samples import short_run_warning
from analysis.measures.tables import write_tables
from analysis.pictures.susceptibility import has_spectrum, susceptibility
from analysis.response.memory import memory_numbers
from analysis.response.susceptibility import drive_scale, fluctuation_scale
from analysis.response.susceptibility_numbers import Susceptibility, susceptibility_numbers
from analysis.trajectory.stages import Stage
from tests.benchmarks.coverage import autoregressive
from tests.reference.turning_field import swing

COUNT, MOMENT, TEMPERATURE = 400, 3e-19, 300.0
SIDES, THICKNESS = np.array([1e-6, 0.5e-6]), 0.2e-6
SPACING = 1e-6
# Curie's law of free dipoles: mu0 n m^2/(3 kT) (Langevin 1905), SI.
CURIE = 4e-7 * math.pi * COUNT * MOMENT**2 / (3 * 1.380649e-23 * TEMPERATURE) / 1e-19


def made(values, *, field=0.0, moving=None, **derived):
    """Return run, series and stage of a magnetisation over saturation, (n,)."""
    count = len(values)
    run = SimpleNamespace(
        times=SPACING * np.arange(count), frames=count, sides=SIDES, thickness=THICKNESS,
        moment_magnitudes=np.full(COUNT, MOMENT), has_moments=True, observables={},
        derived={"temperature_k": TEMPERATURE, **derived}, provisional=False, is_sampled=False,
    )  # fmt: skip
    along = np.array([1.0, 0.0, 0.0])
    series = ChainSeries(count, along, along)
    series.values["magnetisation"] = values
    series.values["mean_length"] = np.ones(count)
    stage = Stage(0.0, run.times[-1], 0.0, np.arange(count), True, field * along, moving)
    return run, series, stage


def free_dipoles(seed, count=3000, tau=8.0):
    """Return a series with the variance 1/(3 N) of free dipoles that forget in ``tau`` frames."""
    return autoregressive(np.random.default_rng(seed), 1, count, tau)[0] / math.sqrt(3 * COUNT)


def test_static_susceptibility_is_that_of_curie():
    found, curve = susceptibility_numbers(*made(free_dipoles(31), field=0.01), [])
    static, time = found["susceptibility_static"], found["magnetisation_time_s"]
    assert static["value"] == pytest.approx(CURIE, abs=4 * static["error"])
    assert static["error"] < 0.2 * CURIE
    assert time["value"] == pytest.approx(8 * SPACING, abs=4 * time["error"])
    assert set(curve["source"]) == {"fluctuations"}
    # M/H of free dipoles in a weak field, m B/(3 kT) of saturation, is Curie's law again.
    total, volume, field = COUNT * MOMENT, 1e-19, 1e-4
    share = MOMENT * field / (3 * 1.380649e-23 * TEMPERATURE)
    assert drive_scale(total, volume, field) * share == pytest.approx(CURIE, rel=1e-9)
    scale = fluctuation_scale(total, volume, TEMPERATURE)
    assert scale / (3 * COUNT) == pytest.approx(CURIE, rel=1e-9)


def test_a_field_of_zero_uses_both_directions_of_the_plane():
    values = free_dipoles(32)
    run, series, stage = made(values)
    run.observables["magnetisation"] = np.column_stack([values, free_dipoles(33), 9 * values])
    found, _ = susceptibility_numbers(run, series, stage, [])
    alone, _ = susceptibility_numbers(*made(values, field=0.01), [])
    assert found["susceptibility_static"]["error"] < alone["susceptibility_static"]["error"]
    assert found["susceptibility_static"]["value"] == pytest.approx(
        CURIE, abs=4 * found["susceptibility_static"]["error"]
    )


def answered(amplitude, seed):
    """Return a film of free dipoles in an oscillating field at w tau = 1: each part is chi0/2."""
    tau, count, field = 8 * SPACING, 3000, 2e-3
    moving = swing("oscillate", 1 / (2 * math.pi * tau), amplitude_t=field)
    share = MOMENT * field / (3 * 1.380649e-23 * TEMPERATURE)
    angle = moving.angles(SPACING * np.arange(count))
    answer = amplitude * 0.5 * share * (np.cos(angle) + np.sin(angle))
    return made(free_dipoles(seed) + answer, field=field, moving=moving)


def test_answer_and_fluctuations_agree(tmp_path):
    warnings = []
    found, curve = susceptibility_numbers(*answered(1.0, 34), warnings)
    assert found["susceptibility_agrees"] is True
    assert warnings == []
    for name in ("in_phase", "behind", "in_phase_fluctuations", "behind_fluctuations"):
        entry = found[f"susceptibility_{name}"]
        assert entry["value"] == pytest.approx(0.5 * CURIE, abs=4 * entry["error"])
        assert entry["error"] < 0.2 * CURIE
    assert curve["source"].count("oscillating field") == 1
    picture = SimpleNamespace(curves={"susceptibility": curve}, numbers={})
    assert has_spectrum(picture)
    run = answered(1.0, 34)[0]
    axes = susceptibility(picture, run).axes[0]
    assert axes.get_xlabel() == "Frequency (kHz)"
    words = [text.get_text() for text in axes.get_legend().get_texts()]
    assert "oscillating field" in words


def test_a_swing_takes_nothing_from_the_fluctuations():
    # A fit of three harmonics follows the noise at their frequencies: of 50 memories it takes 6 %
    # of the variance, which must be put back. The same noise at rest is what it is compared with.
    count, tau, draws, field = 400, 8.0, 80, 2e-3
    moving = swing("oscillate", 1 / (2 * math.pi * tau * SPACING), amplitude_t=field)
    answer = 0.01 * np.cos(moving.angles(SPACING * np.arange(count)))
    rows = autoregressive(np.random.default_rng(38), draws, count, tau) / math.sqrt(3 * COUNT)
    statics, times = [], []
    for row in rows:
        rest, _ = susceptibility_numbers(*made(row, field=field), [])
        driven, _ = susceptibility_numbers(*made(row + answer, field=field, moving=moving), [])
        pair = [found["susceptibility_static"]["value"] for found in (driven, rest)]
        statics.append(pair[0] / pair[1])
        times.append(driven)
    scatter = np.std(statics) / math.sqrt(draws)
    assert scatter < 0.01
    assert abs(np.mean(statics) - 1) < 4 * scatter
    for name, truth in (
        ("susceptibility_static", CURIE),
        ("magnetisation_time_s", tau * SPACING),
        ("susceptibility_behind_fluctuations", 0.5 * CURIE),
    ):
        told = [found[name] for found in times if found[name]["value"] is not None]
        assert len(told) > 0.6 * draws
        held = np.mean([abs(one["value"] - truth) < one["error"] for one in told])
        ends = np.mean([low < truth < high for low, high in (e["interval_95"] for e in told)])
        assert held > 0.60 - 4 * math.sqrt(0.6 * 0.4 / len(told))
        assert ends > 0.92 - 4 * math.sqrt(0.92 * 0.08 / len(told))


def test_disagreement_is_said():
    # Three times the answer that the fluctuations allow: as if the field were not weak.
    warnings = []
    found, _ = susceptibility_numbers(*answered(3.0, 35), warnings)
    assert found["susceptibility_agrees"] is False
    assert "joint errors" in warnings[0]


def test_what_cannot_be_measured_has_a_reason():
    for change, words in (
        (made(free_dipoles(36)[:5]), "fewer than 8 frames"),
        (made(free_dipoles(36), moment_relaxation_meaningful=False), "slowed down"),
        (made(autoregressive(np.random.default_rng(1), 1, 300, 0.5)[0]), "forgets itself"),
        (made(free_dipoles(36)[:150]), "relaxation times"),
        (made(free_dipoles(36), moving=swing()), "turning field"),
        (made(np.full(50, np.nan)), "neither moments nor a field"),
    ):
        warnings = []
        found, curve = susceptibility_numbers(*change, warnings)
        assert found["magnetisation_time_s"]["value"] is None
        assert len(curve.frequency_hz) == 0
        assert words in warnings[0]
    run, series, stage = made(free_dipoles(36))
    run.times = run.times**1.1
    warnings = []
    susceptibility_numbers(run, series, stage, warnings)
    assert "evenly spaced" in warnings[0]
    run.moment_magnitudes = np.zeros(COUNT)
    assert not has_spectrum(SimpleNamespace(curves={}))


def test_memory_of_the_averaged_frames():
    warnings = []
    found = memory_numbers(*made(free_dipoles(37)), warnings)
    time = found["magnetisation_autocorrelation_time_s"]
    assert time["value"] == pytest.approx(8 * SPACING, abs=4 * time["error"])
    assert found["length_autocorrelation_time_s"]["value"] is None  # it never changed
    keys = "relaxation.length_autocorrelation_time_s, relaxation.alignment_autocorrelation_time_s"
    assert keys in warnings[0]


AVERAGES = ("chains", "spacing", "alignment", "magnetisation")


def test_averages_over_few_samples_are_named():
    entry = {"value": 1.0, "error": 0.1, "samples": 3}
    numbers = {"chains": {"mean_length": entry, "clusters": {"mean_size": entry}, "text": "x"},
               "spacing": {}, "alignment": {}, "magnetisation": {"relative": {**entry, "samples": 40}}}  # fmt: skip  # noqa: E501
    (warning,) = short_run_warning(numbers, AVERAGES)
    assert "chains.mean_length, chains.clusters.mean_size: averages over as few as 3" in warning
    numbers["chains"] = {}
    assert short_run_warning(numbers, AVERAGES) == []


def test_table_of_the_susceptibility(tmp_path):
    _, curve = susceptibility_numbers(*answered(1.0, 34), [])
    found = Measurement(
        {"spacing": {}, "relaxation": {}},
        {"susceptibility": curve}, {},
    )  # fmt: skip
    write_tables(found, tmp_path)
    with (tmp_path / "susceptibility.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == tuple(Susceptibility.headings().values())
    assert rows[0]["source"] == "oscillating field"
    assert float(rows[3]["behind"]) == curve["behind"][3]
